"""Findings and the verdict that they add up to."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """How much a finding asks of the person, mildest first."""

    NOTE = "note"
    LOOK = "look"
    RESHOOT = "reshoot"


class Verdict(StrEnum):
    """What to do with the frame as it stands."""

    KEEP = "keep"
    LOOK = "look"
    RESHOOT = "reshoot"
    UNJUDGED = "unjudged"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was noticed about a frame.

    Parameters
    ----------
    code
        Stable and machine readable, lower case with hyphens, for example ``picture-saturated``.
    severity
        What it asks of the person.
    value, unit
        The number behind it and its unit; ``value`` is None where there is no number.
    text
        What was seen, one sentence that a person understands.
    action
        What to change, one sentence ("" for nothing).
    """

    code: str
    severity: Severity
    value: float | None
    unit: str
    text: str
    action: str = ""

    def as_json(self) -> dict[str, str | float | None]:
        """Return the documented keys; see docs/json.md."""
        return {
            "code": self.code,
            "severity": self.severity.value,
            "value": self.value,
            "unit": self.unit,
            "text": self.text,
            "action": self.action,
        }


_ORDER = {Severity.RESHOOT: 0, Severity.LOOK: 1, Severity.NOTE: 2}


def ranked(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return the findings with the gravest first; equals keep the order in which they came."""
    return tuple(sorted(findings, key=lambda f: _ORDER[f.severity]))


def verdict_of(findings: Iterable[Finding]) -> Verdict:
    """Return the verdict that the gravest finding asks for; no finding means keep."""
    worst = min((_ORDER[f.severity] for f in findings), default=2)
    return (Verdict.RESHOOT, Verdict.LOOK, Verdict.KEEP)[worst]
