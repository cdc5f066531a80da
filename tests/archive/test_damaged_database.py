"""A database with wrong values: told in words, cured by a rebuild; links, pipes and devices."""

from __future__ import annotations

import contextlib
import os
import sqlite3

import pytest

from tests.archive.bench_rig import ContentJudge, problems
from tests.archive.conftest import SMALL, Desk
from tether.archive.archive import Archive, ArchiveUnusable
from tether.archive.database import ArchiveDatabaseDamaged
from tether.archive.fact_files import FactFileUnusable
from tether.archive.layout import DATABASE
from tether.archive.rebuild import rebuild
from tether.archive.second_copy import SecondCopy, choose_copy_folder
from tether.errors import TetherError
from tether.session.session import Session
from tether.text import is_control

STATEMENTS = (
    "UPDATE frame SET state = 'kepv'",
    "UPDATE roll SET process = 'bw-negatiwe'",
    "UPDATE roll SET format_key = '135-x'",
    "UPDATE roll SET frames_expected = 1000000",
    "UPDATE roll SET strip_length = 1 << 60",
    "UPDATE capture SET frame = 1000000 WHERE id = 1",
    "UPDATE capture SET size = 1 << 60",
    "UPDATE capture SET settings = '[['",
    "UPDATE sitting SET active_at = '2026-13-45'",
    "UPDATE step SET scope = 'x'",
    "UPDATE log SET at = 'x'",
    "INSERT INTO intent SELECT 1, id, 'arrival', 1, '[]', 'x' FROM roll",
    "DROP TABLE roll_total",
    "DROP TRIGGER count_changed_frame",
    "UPDATE capture SET file_name = CAST(x'ff' AS TEXT) WHERE id = 1",
    "UPDATE sqlite_master SET name = char(27) || '[31m', sql = char(27) WHERE name = 'trial'",
)


@pytest.mark.parametrize("statement", STATEMENTS)
def test_a_wrong_value_is_damage_and_a_rebuild_cures_it(desk: Desk, statement: str) -> None:
    desk.made_roll()
    with contextlib.closing(sqlite3.connect(desk.root / DATABASE)) as db, db:
        db.execute("PRAGMA ignore_check_constraints = ON")
        db.execute("PRAGMA writable_schema = ON")
        if "UPDATE log" in statement:
            db.execute("DROP TRIGGER log_only_grows_1")
        db.execute(statement)
    said: list[TetherError] = []
    try:
        desk.session()
    except ArchiveDatabaseDamaged as error:
        said.append(error)
    # Not every session reads every value: it may continue, but never in an error of its own.
    assert all("tether rebuild" in error.todo for error in said)
    assert not any(is_control(c) for error in said for c in str(error).replace("\n", " "))
    desk.close()
    done = rebuild(desk.root)
    assert len(done.moved_away) > 0, "the damaged database is kept"
    assert problems(desk.archive(), "Harbour") == []
    desk.session()


def test_a_header_that_forbids_writing_is_damage_and_a_rebuild_cures_it(desk: Desk) -> None:
    """The write version of https://sqlite.org/fileformat2.html, 1.3.3."""
    desk.made_roll()
    with (desk.root / DATABASE).open("r+b") as file:
        file.seek(18)
        file.write(b"\xd7")
    with pytest.raises(ArchiveDatabaseDamaged, match="readonly"):
        desk.session()
    assert len(rebuild(desk.root).moved_away) > 0
    assert problems(desk.archive(), "Harbour") == []


def test_a_number_that_is_out_of_range_says_so(desk: Desk) -> None:
    desk.made_roll()
    with contextlib.closing(sqlite3.connect(desk.root / DATABASE)) as db, db:
        db.execute("UPDATE roll SET frames_expected = 1000000")
    with pytest.raises(ArchiveDatabaseDamaged, match="1000000 is not within 1 and 500"):
        desk.archive().store.rolls.named("Harbour")


@pytest.mark.parametrize("name", ["", "frames", "bench", "incoming"])
def test_nothing_is_written_through_a_link_that_has_a_folder_s_place(desk: Desk, name: str) -> None:
    desk.made_roll()
    outside = desk.base / "outside"
    outside.mkdir()
    place = desk.root / "Harbour" / name
    if place.exists():
        place.rename(desk.base / "kept")
    if name == "":
        (desk.base / "kept").rename(outside / "Harbour")
        place.symlink_to(outside / "Harbour")
    else:
        place.symlink_to(outside)
    before = sorted(outside.rglob("*"))
    with pytest.raises(ArchiveUnusable, match="is a link"):
        desk.session()
    assert sorted(outside.rglob("*")) == before


def test_the_database_is_not_written_through_a_link(desk: Desk) -> None:
    desk.made_roll()
    kept = desk.base / "elsewhere.sqlite3"
    (desk.root / DATABASE).rename(kept)
    (desk.root / DATABASE).symlink_to(kept)
    with pytest.raises(ArchiveUnusable, match="is a link"):
        desk.archive()


@pytest.mark.parametrize("what", ["pipe", "device", "link"])
@pytest.mark.parametrize("name", ["log.jsonl", "roll.json", "state.json", ".in-use"])
def test_pipes_devices_and_links_in_a_file_s_place_are_refused(
    desk: Desk, name: str, what: str
) -> None:
    """Nothing hangs, takes memory without end, or is written somewhere else."""
    desk.made_roll()
    place, letter = desk.root / "Harbour" / name, desk.base / "letter"
    letter.write_text("somebody's")
    place.unlink()
    if what == "pipe":
        os.mkfifo(place)
    else:
        place.symlink_to("/dev/zero" if what == "device" else letter)
    with contextlib.suppress(ArchiveUnusable, FactFileUnusable):
        session = Session(
            archive := desk.archive(),
            archive.store.rolls.named("Harbour"),
            None,
            ContentJudge(),
            SMALL,
        )
        session.close()
        assert place.is_file(), "it was replaced, not followed"
        assert not place.is_symlink()
    assert letter.read_text() == "somebody's"
    place.unlink()
    desk.close()
    desk.session()


def test_copies_are_not_written_through_a_link(desk: Desk) -> None:
    desk.made_roll()
    outside = desk.base / "outside"
    outside.mkdir()
    archive = desk.archive()
    copy = SecondCopy(archive, choose_copy_folder(archive, desk.base / "copy"), retry=0.02)
    (desk.base / "copy" / "Harbour").symlink_to(outside)
    copy.start()
    assert "is a link" in copy.finish().sentence()
    copy.close()
    assert list(outside.iterdir()) == []


def test_an_archive_is_read_whole_before_it_counts_as_sound(desk: Desk) -> None:
    """A sound one is not built anew."""
    desk.made_roll()
    assert rebuild(desk.root).moved_away == ()
    with contextlib.closing(Archive(desk.root)) as archive:
        archive.store.read_all()
        assert archive.store.database.missing_parts() == []
