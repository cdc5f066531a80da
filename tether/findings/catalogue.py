"""Every code that a finding can have. `docs/reference-findings.md` is written from it."""

from __future__ import annotations

from collections.abc import Mapping

from tether.findings.about_bench import BENCH
from tether.findings.about_exposure import EXPOSURE
from tether.findings.about_film import FILM
from tether.findings.about_light import LIGHT
from tether.findings.kind import FindingKind

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
