"""What a verdict asks to be done again before the next take: the steps of the checklist for it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from tether.bench.steps import BY_KEY, Scope, Step

_STEPS: Mapping[str, tuple[str, ...]] = {
    "not-advanced": ("frame-advance",),
    "frame-number": ("frame-advance",),
    "between-frames": ("frame-advance",),
    "picture-cut-off": ("frame-advance",),
    "askew": ("strip-load",),
    "wrong-side": ("strip-load",),
    "out-of-focus": ("focus-lock",),
    "one-side-soft": ("stand-square", "focus-lock"),
    "dust-not-on-film": ("lens-clean",),
}
"""By the code of a finding; findings about light and exposure are put right with other keys."""


def steps_to_redo(facts: Iterable[Mapping[str, Any]]) -> tuple[Step, ...]:
    """Return the steps that the findings of pictures which were put aside ask for, once each.

    ``facts`` are those of the captures; notes ask for nothing.
    """
    keys: list[str] = []
    for fact in facts:
        findings = fact.get("findings")
        for finding in findings if isinstance(findings, list) else []:
            if isinstance(finding, dict) and finding.get("severity") != "note":
                keys += _STEPS.get(str(finding.get("code")), ())
    return tuple(BY_KEY[key] for key in dict.fromkeys(keys))


def place_of(step: Step, strip: int, frame: int) -> int:
    """Return the number under which a step is confirmed: of its strip, of its frame, or 0."""
    return {Scope.STRIP: strip, Scope.FRAME: frame}.get(step.scope, 0)
