"""The catalogue of findings, how grave each is, and the verdict that they add up to."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Self

from tether.findings.about_bench import BENCH
from tether.findings.about_exposure import EXPOSURE
from tether.findings.about_film import FILM
from tether.findings.about_light import LIGHT
from tether.findings.kind import FindingKind, Words
from tether.text import printable

SUBJECTS: Mapping[str, Mapping[str, FindingKind]] = {
    "Exposure": EXPOSURE,
    "The film in the gate": FILM,
    "Focus, dust and what moves along a roll": BENCH,
    "The light": LIGHT,
}
"""By heading, as the page has them."""

CATALOGUE: Mapping[str, FindingKind] = {
    code: kind for subject in SUBJECTS.values() for code, kind in subject.items()
}
"""Every code that a finding can have; docs/reference-findings.md is written from it."""

_SHOWN = {
    "keep": ("✓", "keep"),
    "note": ("-", "hint"),
    "look": ("!", "check"),
    "reshoot": ("✗", "reshoot"),
    "unjudged": ("?", "not judged"),
}
"""By what is stored: the mark and the word that a person sees, on every screen and page."""


class _Grade(StrEnum):
    """A grade that is stored as a word. A word of a newer program is kept, and shown as it is."""

    @classmethod
    def _missing_(cls, value: object) -> Self | None:
        if not isinstance(value, str):
            return None
        grade = str.__new__(cls, value)
        grade._name_ = grade._value_ = value
        return grade

    @property
    def mark(self) -> str:
        """One character for it."""
        return _SHOWN.get(self.value, ("?", ""))[0]

    @property
    def word(self) -> str:
        """Return the word or two that say it to a person, lower case."""
        shown = _SHOWN.get(self.value)
        return shown[1] if shown else printable(self.value, 20)


class Severity(_Grade):
    """How much a finding asks of the person, mildest first."""

    NOTE = "note"
    LOOK = "look"
    RESHOOT = "reshoot"

    @property
    def rank(self) -> int:
        """0 for the mildest; what is not known here asks for a look."""
        return {"note": 0, "reshoot": 2}.get(self.value, 1)


class Verdict(_Grade):
    """What to do with the frame as it stands."""

    KEEP = "keep"
    LOOK = "look"
    RESHOOT = "reshoot"
    UNJUDGED = "unjudged"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was noticed about a frame or the light.

    Parameters
    ----------
    code
        One of the catalogue: stable and machine readable, for example ``picture-saturated``.
    severity
        What it asks of the person; one of those that the catalogue allows it.
    value
        The number behind it, None where there is none.
    data
        What its words need: figures, and words such as a side's.
    case
        Which of the catalogue's wordings fits, "" for the usual one.

    Raises
    ------
    ValueError
        When the catalogue has no such code or case, or not with that severity.
    """

    code: str
    severity: Severity
    value: float | None = None
    data: Mapping[str, str | float] = field(default_factory=dict)
    case: str = ""

    def __post_init__(self) -> None:
        """Refuse what the catalogue does not have."""
        if self.code not in CATALOGUE:
            raise ValueError(f"no finding '{self.code}' in the catalogue")
        if self.case and self.case not in self.kind.cases:
            raise ValueError(f"the finding '{self.code}' has no words for '{self.case}'")
        if self.severity.value not in self.kind.severities:
            raise ValueError(f"the finding '{self.code}' is never '{self.severity}'")

    @classmethod
    def of(
        cls,
        code: str,
        value: float | None = None,
        severity: Severity | None = None,
        *,
        case: str = "",
        **data: str | float,
    ) -> Self:
        """Return a finding; its severity may be left out where it is always the same."""
        if severity is None:
            only = CATALOGUE[code].severities if code in CATALOGUE else ()
            severity = Severity(only[0] if len(only) == 1 else "")
        return cls(code, severity, value, data, case)

    @property
    def kind(self) -> FindingKind:
        """What the catalogue has of its code."""
        return CATALOGUE[self.code]

    @property
    def _words(self) -> Words:
        return self.kind.says(self.case)

    @property
    def unit(self) -> str:
        """The value's unit, "" without a value."""
        return self._words.unit if self.value is not None else ""

    @property
    def text(self) -> str:
        """What was seen, one sentence that a person understands."""
        return self._words.text.format_map(self.data)

    @property
    def action(self) -> str:
        """What to change, in a sentence or two ("" for nothing)."""
        return self._words.action.format_map(self.data)

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


def ranked(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return the findings with the gravest first; equals keep the order in which they came."""
    return tuple(sorted(findings, key=lambda f: -f.severity.rank))


def verdict_of(findings: Iterable[Finding]) -> Verdict:
    """Return the verdict that the gravest finding asks for; no finding means keep."""
    worst = max((f.severity.rank for f in findings), default=0)
    return (Verdict.KEEP, Verdict.LOOK, Verdict.RESHOOT)[worst]
