"""What is said of rolls and frames: stored, beside the raw files, and back from there."""

from __future__ import annotations

import contextlib
import json
import shutil
from pathlib import Path

import pytest

from tests.archive.conftest import Desk
from tether.archive.archive import Archive
from tether.archive.rebuild import rebuild
from tether.archive.records import NewRoll
from tether.description import FrameDescription, RollDescription
from tether.film import FilmProcess

SAID = RollDescription().changed(
    {"photographer": "A. Field", "date": "1987-06~", "people": "Łucja; 港", "box": "12"}
)
CAPTION = FrameDescription().changed({"caption": "The quay, 港", "date": "1987-06-12"})


def test_what_is_said_survives_the_database(desk: Desk) -> None:
    archive = desk.archive()
    archive.store.rolls.add(
        NewRoll("Harbour", FilmProcess.BW_NEGATIVE, frames_expected=3, description=SAID)
    )
    session = desk.session(archive=archive)
    archive.store.frames.describe(session.roll.id, 2, CAPTION)
    desk.work(session, keep=1)
    archive.write_all_facts(session.roll)
    session.close()
    (desk.root / "tether.sqlite3").unlink()
    rebuild(desk.root)
    again = desk.archive()
    roll = again.store.rolls.named("Harbour")
    assert roll.description == SAID
    frames = again.store.frames.of(roll)
    assert frames[1].description == CAPTION
    assert not frames[0].description


def test_a_description_can_be_changed(desk: Desk) -> None:
    rolls = desk.archive().store.rolls
    roll = rolls.add(NewRoll("Harbour", FilmProcess.BW_NEGATIVE, description=SAID))
    rolls.describe(roll.id, SAID.changed({"box": ""}))
    assert rolls.named("Harbour").description.box == ""
    assert rolls.named("Harbour").description.people == ("Łucja", "港")


@pytest.mark.parametrize("which", ["finished", "interrupted"])
def test_an_archive_of_before_has_nothing_said(which: str, tmp_path: Path) -> None:
    before = Path(__file__).parent.parent / "fixtures" / "archives_8593120" / which
    shutil.copytree(before, tmp_path / "archive")
    with contextlib.closing(Archive(tmp_path / "archive")) as archive:
        for roll in archive.store.rolls.all():
            assert not roll.description
            assert not any(frame.description for frame in archive.store.frames.of(roll))
            archive.write_roll(roll)
            facts = json.loads((archive.folder(roll) / "roll.json").read_text())
            assert facts["description"] == {}
