"""Every hazard of the work is named at the step where it comes up, and on the page of cautions."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tether.archive.records import Frame, Roll, Scope
from tether.bench.steps import BY_KEY, DEFERRING, STEPS, Step
from tether.film import FilmProcess
from tether.session.next_step import find_next_step

PAGE = (Path(__file__).parents[2] / "docs" / "cautions.md").read_text(encoding="utf-8").lower()

HAZARDS = {
    "stand-square": ("falls on film and fingers", "heavy", "two people", "bend your knees"),
    "lens-clean": ("flammable", "ventilate", "eyes", "gloves that the sheet names", "hot lamp"),
    "light-placed": ("stare", "mains", "plugs", "unplug a lamp", "qualified"),
    "light-even": ("stare", "hot lamps", "stay with them", "dry your hands"),
    "light-test": ("stare",),
    "film-base": (
        "nitrate", "away from the lamp", "stop", "fire authority", "film archive", "vinegar",
        "mould", "gloves and mask",
    ),
    "strip-clean": (
        "flammable", "ventilate", "eyes", "flames", "safety sheet", "let the film dry",
    ),
    "strip-load": ("hot lamp", "no frame in the gate longer"),
}  # fmt: skip


@pytest.mark.parametrize("key", HAZARDS)
def test_the_step_says_its_caution(key: str) -> None:
    said = f"{BY_KEY[key].why} {BY_KEY[key].warning}".lower()
    for words in HAZARDS[key]:
        assert words in said


def test_no_caution_stands_without_the_sentence_that_defers() -> None:
    assert DEFERRING.lower() in " ".join(PAGE.split())
    for step in STEPS:
        assert step.warning == (f"{step.caution} {DEFERRING}" if step.caution else "")


def test_the_film_step_says_what_to_do_if_it_burns_and_what_the_edge_says() -> None:
    """British Health and Safety Executive, INDG469; fire guidance for cellulose nitrate film."""
    more = BY_KEY["film-base"].more
    for words in (
        "NITRATE on the edge",
        "everyone out",
        "shut the door",
        "call the fire service",
        "do not breathe the smoke",
        "until about 1952, in some countries later",
    ):
        assert words in more


@pytest.mark.parametrize("step", STEPS, ids=lambda step: step.key)
def test_no_step_sends_an_eye_to_the_lamp(step: Step) -> None:
    words = f"{step.what} {step.why} {step.more} {step.see} {step.caution}"
    assert not re.search(
        r"viewfinder|(?:against|toward|into) (?:the|a) (?:lamp|light|sun)",
        words.replace("Do not stare into the lamp", ""),
    )


def test_film_is_looked_at_before_the_lamp_is_on() -> None:
    assert STEPS[0].key == "film-base"
    roll = Roll(1, "A", "A", FilmProcess.BW_NEGATIVE, "135", 2, 0)
    first = find_next_step(roll, (Frame(1), Frame(2)), (), short=False)
    assert first.step == BY_KEY["film-base"]
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
