"""Names from cameras, people, files and databases stay inside the archive and off the terminal."""

from __future__ import annotations

import hashlib
import json
import sqlite3
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tether_simulator.faults import BadName

from tests.archive.bench_rig import problems
from tests.archive.conftest import Desk
from tether.archive.archive import ArchiveUnusable
from tether.archive.fact_files import safe_json
from tether.archive.layout import LONGEST_NAME, capture_name, folder_name, is_safe_name
from tether.archive.rebuild import rebuild
from tether.archive.records import NewRoll, RollError, checked_name
from tether.archive.second_copy import remembered_copy_folder
from tether.archive.verify import FaultKind, check
from tether.bench.steps import BY_KEY
from tether.errors import TetherError
from tether.film import FilmProcess
from tether.text import is_control

SCRIPTS = (
    "Hafen 1987",
    "Ναύπλιο ’87",
    "港の夏 一九八七",
    "مرفأ ١٩٨٧",
    "นาวา",
    "🎞️ reel 3",
    "CON",
    "~backup",
    "-rf",
    "tether.sqlite3-wal",
    "archive.json",
    "Simulated card",
    "tether-copy.json",
    "a" * 255,
    "冬" * 85,
)
PATHS = (
    "../outside",
    "/etc/passwd",
    "..",
    ".",
    "",
    "a/b",
    "a\\b",
    "a\0b",
    "x\x1b[2Jy",
    "e\u202ecod",
)


@pytest.mark.parametrize("name", SCRIPTS)
def test_a_roll_in_any_script(desk: Desk, name: str) -> None:
    desk.made_roll(name, frames=1)
    archive = desk.archive()
    roll = archive.store.rolls.named(checked_name(name))
    assert problems(archive, roll.name) == []
    folders = [p for p in desk.root.iterdir() if p.is_dir()]
    assert folders == [archive.folder(roll)]
    desk.close()
    for path in desk.root.glob("tether.sqlite3*"):
        path.unlink()
    assert rebuild(desk.root).captures == 1
    assert problems(desk.archive(), roll.name) == []


@given(st.text(min_size=1, max_size=300))
def test_every_accepted_name_makes_a_plain_folder(name: str) -> None:
    try:
        tidy = checked_name(name)
    except RollError:
        return
    folder = folder_name(tidy)
    assert is_safe_name(folder)
    assert folder.strip(" .") == folder
    assert not folder.lower().startswith(("tether.sqlite3", "."))
    assert len(capture_name(folder, 99999, 99999, "dng").encode()) <= LONGEST_NAME


@given(st.text(max_size=300))
def test_what_counts_as_plain_cannot_leave_a_folder(name: str) -> None:
    if is_safe_name(name):
        assert (Path("/archive") / name).parent == Path("/archive")
        assert ".." not in Path(name).parts


@pytest.mark.parametrize("name", PATHS)
def test_paths_are_not_plain(name: str) -> None:
    assert not is_safe_name(name)


@pytest.mark.parametrize(
    "name", ["../../.profile", "/etc/x.dng", "a\x1b]0;x\x07.dng", "\udcff.dng"]
)
def test_names_that_a_camera_gives(desk: Desk, name: str) -> None:
    """Only a known ending is taken from the camera's name, and nothing of it is shown raw."""
    desk.body.faults.install(BadName(name=name))
    session = desk.session(frames=1)
    desk.work(session)
    assert problems(session.archive, "Harbour") == []
    assert [n for n, _, _ in session.store.frames.recorded(session.roll.id)] == [
        "Harbour_f001_t1.dng"
    ]
    shown = [line[3] for line in session.store.journal.log_lines(session.roll.id)]
    assert not any(is_control(c) for text in shown for c in text)


@pytest.mark.parametrize("value", PATHS)
@pytest.mark.parametrize("column", ["roll.folder", "capture.file_name", "companion.file_name"])
def test_a_database_edited_by_hand(desk: Desk, column: str, value: str) -> None:
    desk.made_roll(frames=1)
    outside = desk.base / "outside"
    outside.write_text("not ours")
    table, _, field = column.partition(".")
    db = sqlite3.connect(desk.root / "tether.sqlite3")
    if table == "companion":
        db.execute("INSERT INTO companion VALUES (1, 'x', 1, 5, ?)", ("0" * 64,))
    db.execute(f"UPDATE {table} SET {field} = ?", (value,))
    db.commit()
    db.close()
    archive = desk.archive(create=False)
    found = check(archive, archive.store.rolls.all(), 1).findings
    assert any(f.kind is FaultKind.UNREADABLE for f in found)
    assert not any(is_control(c) for f in found for c in f.sentence())
    if table == "roll":
        with pytest.raises(ArchiveUnusable):
            desk.session()
    else:
        desk.session().view()
    assert outside.read_text() == "not ours"


@pytest.mark.parametrize("value", PATHS)
def test_facts_of_an_arrival_edited_by_hand(desk: Desk, value: str) -> None:
    desk.made_roll(frames=1)
    (desk.base / "outside").write_text("x" * 10)
    archive = desk.archive()
    facts = {
        "camera": "c", "origin": "program", "settings": {}, "taken_at": "now", "files": [],
        "parcels": [{
            "part": value, "name": value, "take": 9, "size": 10, "raw": True, "index": 0,
            "sha256": "a" * 64, "camera_name": "x",
        }],
    }  # fmt: skip
    archive.store.journal.begin(1, "arrival", 1, facts)
    archive.store.journal.begin(1, "arrival", 1, {"parcels": 3})
    archive.store.journal.begin(
        1, "fetch", 1, {"files": [1], "camera": "Simulated/Bench Camera/00000001"}
    )
    desk.close()
    session = desk.session()
    assert session.store.journal.intents(1) == []
    assert problems(session.archive, "Harbour") == []
    assert (desk.base / "outside").read_text() == "x" * 10


def test_sidecars_edited_by_hand(desk: Desk) -> None:
    """A rebuild takes nothing from them that could be a path, and keeps what it can."""
    desk.made_roll(frames=3)
    frames = desk.root / "Harbour" / "frames"
    facts = json.loads((frames / "f001.json").read_text())
    facts["note"] = "a\x1b[31mred\u202e"
    facts["captures"] += [
        facts["captures"][0] | {"file_name": value, "take": 7 + i} for i, value in enumerate(PATHS)
    ]
    (frames / "f001.json").write_text(json.dumps(facts))
    (frames / "f002.json").write_text("[" * 100_000)
    (frames / "f003.json").write_text('{"captures": [7, null, {"file_name": 3}], "state": []}')
    (frames / "f999999.json").write_text("{}")
    for path in desk.root.glob("tether.sqlite3*"):
        path.unlink()
    done = rebuild(desk.root)
    assert done.captures == 3
    archive = desk.archive()
    frame = archive.store.frames.of(archive.store.rolls.named("Harbour"))[0]
    assert len(frame.captures) == 1
    assert not any(is_control(c) for c in frame.note)
    assert not any(is_control(c) for line in done.words() for c in line)


STATES = (
    "[]",
    '{"cursor": "1", "memory_of": 3, "sitting": [], "steps": {}}',
    '{"cursor": 10000000000000000000000, "sitting": {"id": 1}, "steps": [null, {"key": []}]}',
    '{"sitting": {"id": -1, "started_at": "x", "active_at": "y", "camera": "c"}, "steps": []}',
    '{"sitting": {"id": 1, "started_at": "2020-01-01", "active_at": "2020-01-01", "camera": "c"}}',
    '{"sitting": {"id": 1, "started_at": "2020-01-01T00:00:00+00:00", "active_at": "9999-12-31T23'
    ':59:59+00:00", "camera": "\\u001b[2J"}, "steps": [{"key": "film-base", "scope": "frame", '
    '"place": 0}, {"key": "film-base", "scope": "roll", "place": -1}, {"key": "x", "place": 1}]}',
)


@pytest.mark.parametrize("state", STATES)
def test_what_the_program_keeps_for_itself_edited_by_hand(desk: Desk, state: str) -> None:
    """Where the work stood, what the measurements remember, test shots, the archive's facts."""
    desk.made_roll(frames=1)
    folder = desk.root / "Harbour"
    (folder / "state.json").write_text(state)
    (folder / "frames" / "f001_t1.npz").write_bytes(b"PK\x03\x04 damaged")
    (folder / "bench").mkdir()
    (folder / "bench" / "open-gate.dng").write_bytes(b"II*\0")
    (folder / "bench" / "files.json").write_text(
        json.dumps(
            {"files": [1, *({"file_name": v, "size": 4, "sha256": "a" * 64} for v in PATHS)]}
        )
    )
    facts = {"benches": ["no", "text"], "copy folder": "relative\x1b[2J", "card of x": "now"}
    (desk.root / "archive.json").write_text(json.dumps(facts))
    for path in desk.root.glob("tether.sqlite3*"):
        path.unlink()
    assert rebuild(desk.root).captures == 1
    archive = desk.archive()
    assert archive.store.fact("card of x") is None
    assert archive.store.fact("benches") is None
    assert remembered_copy_folder(archive) is None
    assert archive.store.frames.bench_shots(1) == [
        ("open-gate.dng", 4, hashlib.sha256(b"II*\0").hexdigest())
    ]
    for step in archive.store.journal.confirmed(1, 1):
        assert step.key in BY_KEY
    session = desk.session(frames=1, archive=archive)
    assert problems(session.archive, "Harbour") == []
    session.view()


@pytest.mark.parametrize("facts", ["{}", '{"name": "../x"}', "no json", '{"name": 1e999}', "[]"])
def test_roll_facts_that_make_no_sense(desk: Desk, facts: str) -> None:
    folder = desk.root / "Found"
    folder.mkdir(parents=True)
    (folder / "roll.json").write_text(facts)
    done = rebuild(desk.root)
    assert done.rolls == 0
    assert len(done.said) == 1
    assert [p.name for p in folder.iterdir()] == ["roll.json"]


def test_links_are_not_followed(desk: Desk) -> None:
    """A link in the place of the lock, the log or a raw file does not lead outside."""
    desk.made_roll(frames=1)
    outside = desk.base / "outside"
    outside.write_text("not ours")
    folder = desk.root / "Harbour"
    for name in (".in-use", "log.jsonl"):
        (folder / name).unlink()
        (folder / name).symlink_to(outside)
        with pytest.raises(TetherError):
            desk.session()
        (folder / name).unlink()
        desk.close()
    assert outside.read_text() == "not ours"


def test_rolls_that_differ_by_capitals_only(desk: Desk) -> None:
    store = desk.archive().store
    one = store.rolls.add(NewRoll("Harbour", FilmProcess.BW_NEGATIVE))
    two = store.rolls.add(NewRoll("HARBOUR", FilmProcess.BW_NEGATIVE))
    assert one.folder.lower() != two.folder.lower()


@given(st.text())
def test_no_facts_file_steers_a_terminal(text: str) -> None:
    shown = safe_json({"text": text})
    assert not any(is_control(c) for c in shown if c != "\n")
    assert json.loads(shown)["text"] == text or any(unicodedata.category(c) == "Cs" for c in text)
