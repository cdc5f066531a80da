"""The roll that follows: from the list, or the same film with the next number."""

from __future__ import annotations

import pytest

from tests.archive.conftest import Desk
from tether.archive.edits import edit_roll, edit_waiting
from tether.archive.following import following_roll
from tether.archive.records import NewRoll
from tether.archive.waiting import WaitingRoll
from tether.description import RollDescription
from tether.film import FilmProcess

SAID = RollDescription().changed(
    {"photographer": "A. Field", "place": "Quay", "date": "1987", "film_stock": "fast", "box": "4"}
)


@pytest.mark.parametrize(
    ("name", "following"),
    [
        ("Harbour 9", "Harbour 10"),
        ("H-009", "H-010"),
        ("1987-05 b", "1987-06 b"),
        ("Harbour", "Harbour 2"),
        ("港3号", "港4号"),
    ],
)
def test_the_next_number_with_the_same_film(desk: Desk, name: str, following: str) -> None:
    store = desk.archive().store
    new = NewRoll(name, FilmProcess.TRANSPARENCY, "120-6x6", 12, 3, "wet", SAID)
    found = following_roll(store, store.rolls.add(new))
    assert found.name == following
    assert (found.process, found.format_key, found.frames_expected, found.strip_length) == (
        *(FilmProcess.TRANSPARENCY, "120-6x6"),
        *(12, 3),
    )
    assert found.notes == ""
    assert found.description.stored == {
        "photographer": "A. Field",
        "film_stock": "fast",
        "box": "4",
    }


def test_names_that_are_taken_or_were_are_passed_over(desk: Desk) -> None:
    store = desk.archive().store
    one, two = (store.rolls.add(NewRoll(f"H {n}", FilmProcess.BW_NEGATIVE)) for n in (1, 2))
    store.edits.apply("edit", [edit_roll(two, (), {"name": "Quay"})])
    store.rolls.add(NewRoll("H 3", FilmProcess.BW_NEGATIVE))
    assert following_roll(store, one).name == "H 4"


def test_the_list_comes_first(desk: Desk) -> None:
    store = desk.archive().store
    roll = store.rolls.add(NewRoll("H 1", FilmProcess.TRANSPARENCY))
    for name in ("Mole", "Pier"):
        listed = WaitingRoll(NewRoll(name, FilmProcess.BW_NEGATIVE), film_known=name == "Pier")
        store.edits.apply("import", [edit_waiting(None, listed)])
    mole = following_roll(store, roll)
    assert (mole.name, mole.process) == ("Mole", FilmProcess.TRANSPARENCY)
    pier = following_roll(store, store.rolls.add(mole))
    assert (pier.name, pier.process) == ("Pier", FilmProcess.BW_NEGATIVE)
