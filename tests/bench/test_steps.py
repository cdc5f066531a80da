"""Every hazard of the work is named at the step where it comes up, and on the page of cautions."""

from __future__ import annotations

from pathlib import Path

import pytest

from tether.archive.records import Scope
from tether.bench.steps import BY_KEY, STEPS

PAGE = (Path(__file__).parents[2] / "docs" / "cautions.md").read_text(encoding="utf-8").lower()

HAZARDS = {
    "stand-square": ("falls on film and fingers",),
    "lens-clean": ("flammable", "ventilate", "gloves", "hot lamp"),
    "light-placed": ("stare", "mains", "qualified"),
    "light-even": ("stare", "hot lamps", "mains", "wet hands"),
    "light-test": ("stare",),
    "film-base": ("nitrate", "stop", "fire authority", "film archive", "vinegar", "mould"),
    "strip-clean": ("flammable", "ventilate", "gloves", "no flame", "safety sheet"),
}


@pytest.mark.parametrize("key", HAZARDS)
def test_the_step_says_its_caution(key: str) -> None:
    said = f"{BY_KEY[key].why} {BY_KEY[key].caution}".lower()
    for words in HAZARDS[key]:
        assert words in said


def test_no_film_is_handled_before_its_base_was_looked_at() -> None:
    order = [step.key for step in STEPS if step.scope is not Scope.SITTING]
    assert order[0] == "film-base"
    assert not BY_KEY["film-base"].habit, "a shortened checklist asks it too"
    for step in STEPS:
        assert step.scope is not Scope.SITTING or not step.caution or not step.habit


@pytest.mark.parametrize(
    "word",
    ["nitrate", "fire authority", "film archive", "vinegar", "mould", "flammable", "ventilate",
     "gloves", "stare", "hot lamp", "mains", "strobe", "safety sheet", "local rules",
     "qualified people"],
)  # fmt: skip
def test_the_page_of_cautions_names_it(word: str) -> None:
    assert word in " ".join(PAGE.split())
