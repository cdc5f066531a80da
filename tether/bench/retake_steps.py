"""The steps of the checklist that a verdict asks for again before the next take."""

from __future__ import annotations

from collections.abc import Iterable

from tether.archive.records import Scope
from tether.bench.steps import BY_KEY, Step
from tether.facts import Facts
from tether.findings import CATALOGUE, Severity


def steps_to_redo(facts: Iterable[Facts]) -> tuple[Step, ...]:
    """Return the steps that the findings of pictures which were put aside ask for, once each.

    Notes ask for nothing, nor do codes of a newer program.
    """
    keys = [
        step
        for fact in facts
        for finding in fact.findings
        if finding.severity is not Severity.NOTE and finding.code in CATALOGUE
        for step in CATALOGUE[finding.code].steps
    ]
    return tuple(BY_KEY[key] for key in dict.fromkeys(keys))


def place_of(step: Step, strip: int, frame: int) -> int:
    """Return the number under which a step is confirmed: of its strip, of its frame, or 0."""
    return {Scope.STRIP: strip, Scope.FRAME: frame}.get(step.scope, 0)
