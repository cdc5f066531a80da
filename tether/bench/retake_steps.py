"""What a verdict asks to be done again before the next take: the steps of the checklist for it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from tether.bench.steps import BY_KEY, Scope, Step
from tether.findings import CATALOGUE


def steps_to_redo(facts: Iterable[Mapping[str, Any]]) -> tuple[Step, ...]:
    """Return the steps that the findings of pictures which were put aside ask for, once each.

    ``facts`` are those of the captures; notes ask for nothing.
    """
    keys: list[str] = []
    for fact in facts:
        findings = fact.get("findings")
        for finding in findings if isinstance(findings, list) else []:
            if isinstance(finding, dict) and finding.get("severity") != "note":
                kind = CATALOGUE.get(str(finding.get("code")))
                keys += kind.steps if kind else ()
    return tuple(BY_KEY[key] for key in dict.fromkeys(keys))


def place_of(step: Step, strip: int, frame: int) -> int:
    """Return the number under which a step is confirmed: of its strip, of its frame, or 0."""
    return {Scope.STRIP: strip, Scope.FRAME: frame}.get(step.scope, 0)
