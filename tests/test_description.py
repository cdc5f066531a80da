"""What people say of rolls and frames: checked when it is given, read leniently when stored."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tether.description import (
    FRAME_FIELDS,
    LONGEST_TEXT,
    MOST_ENTRIES,
    ROLL_FIELDS,
    DescriptionWrong,
    FrameDescription,
    RollDescription,
)
from tether.errors import TetherError
from tether.text import is_control

_ANY_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
)


def test_what_a_person_types_is_put_in_order() -> None:
    said = RollDescription().changed(
        {
            "photographer": "  A.\tField ",
            "people": "Field, Ann; Bo ;; Bo",
            "keywords": "boat, harbour; ",
            "date": "198x",
        }
    )
    assert said.photographer == "A. Field"
    assert said.people == ("Field, Ann", "Bo")
    assert said.keywords == ("boat", "harbour")
    assert said.date == "198X"
    assert said.texts()["people"] == "Field, Ann; Bo"
    assert said.changed({"people": "", "date": ""}).stored == {
        "photographer": "A. Field",
        "keywords": ["boat", "harbour"],
    }


def test_decomposed_letters_become_whole_ones() -> None:
    assert FrameDescription().changed({"caption": "Lo\u0301dz"}).caption == "Lódz"


@pytest.mark.parametrize(
    ("key", "text"),
    [
        ("colour", "red"),
        ("place", "a" * (LONGEST_TEXT + 1)),
        ("place", "Quay\x1b[2J"),
        ("place", "yauQ\u202e"),
        ("people", "Ann;B\x00o"),
        ("keywords", ",".join(map(str, range(MOST_ENTRIES + 1)))),
        ("date", "yesterday"),
    ],
)
def test_what_cannot_be_stored_is_refused(key: str, text: str) -> None:
    with pytest.raises(TetherError):
        RollDescription().changed({key: text})


def test_joiners_that_a_script_needs_stay() -> None:
    assert FrameDescription().changed({"caption": "می\u200cخواهم"}).caption == "می\u200cخواهم"


def test_what_a_newer_program_stored_stays_and_stops_nothing() -> None:
    stored = {"place": ["a", "list"], "mood": {"deep": 1}, "box": "12"}
    read = RollDescription.read(stored)
    assert (read.box, read.place) == ("12", "")
    assert read.stored == stored
    assert read.changed({"box": "13"}).stored == {**stored, "box": "13"}
    assert read.changed({"place": "Quay"}).stored == {**stored, "place": "Quay"}


@given(_ANY_JSON)
def test_whatever_is_stored_can_be_read_and_nothing_in_it_steers(stored: object) -> None:
    read = FrameDescription.read(stored)
    texts = [read.caption, read.date, read.place, *read.people, *read.keywords]
    assert not any(is_control(c) for text in texts for c in text)
    assert FrameDescription.from_text(read.to_text()) == read


def test_a_text_that_somebody_edited_cannot_steer_a_terminal() -> None:
    assert RollDescription.read({"box": "1\x1b[2J"}).box == "1\N{REPLACEMENT CHARACTER}[2J"


def test_each_key_has_its_words() -> None:
    names = RollDescription.__dataclass_fields__.keys() - {"other"}
    assert set(ROLL_FIELDS) == set(names)
    assert set(FRAME_FIELDS) == FrameDescription.__dataclass_fields__.keys() - {"other"}
    with pytest.raises(DescriptionWrong, match="photographer, rights"):
        RollDescription().changed({"Photographer": "x"})


def test_nothing_said_is_nothing_stored() -> None:
    assert not RollDescription()
    assert json.loads(RollDescription().to_text()) == {}
