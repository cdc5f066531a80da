"""Verify, package, rebuild, older databases."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import bagit
import bagit_utils
import pytest
from tether_simulator.camera.dials import Quality
from tether_simulator.ptp import Property

from tests.archive.bench_rig import problems
from tests.archive.conftest import Desk
from tether.archive.archive import KEPT_FACTS, Archive
from tether.archive.bagit_package import PackageError, package
from tether.archive.database import ArchiveDatabaseError
from tether.archive.rebuild import rebuild
from tether.archive.records import FrameState, NewRoll, Totals
from tether.archive.schema import _V1, VERSION
from tether.archive.store import Store
from tether.archive.verify import FaultKind, Pace, VerifyProgress, check
from tether.cli.archive import run_verify
from tether.errors import TetherError
from tether.film import FilmProcess
from tether.session.next_step import NextStep
from tether.settings import DeliverySettings


@pytest.fixture
def two_rolls(desk: Desk) -> Desk:
    desk.body.turn(Property.COMPRESSION_SETTING, Quality.RAW_AND_JPEG.value)
    for name in ("Harbour", "Winter"):
        session = desk.session(name, frames=2)
        if name == "Harbour":
            session.bench.shots.take("open-gate")
        desk.work(session)
        session.note("a note", 2)
        if name == "Winter":
            session.go_to(1)
            session.confirm()
        desk.close()
    positives = desk.root / "Harbour" / "delivered" / "positives"
    positives.mkdir(parents=True)
    (positives / "Harbour_f001_t1.tif").write_bytes(b"positive")
    return desk


def rows(root: Path) -> dict[str, list[tuple[object, ...]]]:
    """Everything that a rebuild is to bring back."""
    wanted = {
        "roll": "name, folder, process, format_key, frames_expected, strip_length, notes, "
        "created_at, cursor, memory",
        "frame": "number, state, note",
        "capture": "frame, take, file_name, size, sha256, taken_at, origin, decision, verdict, "
        "facts, settings, memory",
        "companion": "file_name, size, sha256",
        "trial": "file_name, size, sha256",
        "sitting": "id, started_at, camera, short",
        "step": "sitting_id, roll_id IS NULL, scope, place, key",
        "archive_fact": "key, value",
    }
    with closing(sqlite3.connect(root / "tether.sqlite3")) as db:
        return {
            table: sorted(
                tuple(json.loads(v) if str(v).startswith("{") else v for v in row)
                for row in db.execute(f"SELECT {columns} FROM {table}")
            )
            for table, columns in wanted.items()
        }


def place(desk: Desk, name: str) -> NextStep:
    session = desk.session(name, frames=2)
    found = session.next_step()
    desk.close()
    return found


def test_verify_names_what_is_wrong(two_rolls: Desk, capsys: pytest.CaptureFixture[str]) -> None:
    root = two_rolls.root
    assert run_verify(root, None, afresh=False) == 0
    folder = root / "Harbour"
    (folder / "Harbour_f001_t1.dng").unlink()
    changed = folder / "Harbour_f002_t1.dng"
    data = bytearray(changed.read_bytes())
    data[-1] ^= 1
    changed.write_bytes(data)
    (folder / "Harbour_f002_t9.dng").write_bytes(b"who knows")
    capsys.readouterr()
    assert run_verify(root, "Winter", afresh=False) == 0
    assert run_verify(root, "Harbour", afresh=False) == 1
    said = capsys.readouterr().out
    assert f"missing: {folder}/Harbour_f001_t1.dng" in said
    assert f"changed: {changed} (same size, other bytes)" in said
    assert f"not recorded: {folder}/Harbour_f002_t9.dng" in said
    with pytest.raises(TetherError):
        run_verify(root, "No such roll", afresh=False)


def test_verify_reads_test_exposures_too(two_rolls: Desk) -> None:
    archive = two_rolls.archive(create=False)
    roll = archive.store.rolls.named("Harbour")
    trials = [
        archive.file(roll, f"bench/{name}")
        for name, _, _ in archive.store.frames.bench_shots(roll.id)
    ]
    assert [f.suffix for f in trials] == [".dng", ".jpg"]
    trials[0].write_bytes(b"x" * trials[0].stat().st_size)
    trials[1].unlink()
    (trials[0].parent / "other.dng").write_bytes(b"who knows")
    found = {(f.kind, f.path.name) for f in check(archive, [roll], 1).findings}
    assert found == {
        (FaultKind.CHANGED, trials[0].name),
        (FaultKind.MISSING, trials[1].name),
        (FaultKind.UNKNOWN, "other.dng"),
    }
    with pytest.raises(PackageError, match="has changed since it was recorded"):
        package(archive, [roll], two_rolls.base / "bag")
    two_rolls.close()
    # A test shot that a stop left without a record gets one at the next start, and a line.
    session = two_rolls.session("Harbour", frames=2)
    assert "other.dng" in [name for name, _, _ in session.store.frames.bench_shots(roll.id)]
    texts = [line[3] for line in session.store.journal.log_lines(roll.id)]
    assert "Test shots recorded: other.dng" in texts


def test_an_interrupted_check_goes_on(two_rolls: Desk) -> None:
    archive = two_rolls.archive(create=False)

    def ctrl_c(pace: Pace) -> None:
        if pace.rolls == 1:
            raise KeyboardInterrupt

    noted = VerifyProgress(archive.root)
    with pytest.raises(KeyboardInterrupt):
        check(archive, archive.store.rolls.all(), 2, progress=noted, report=ctrl_c)
    again = VerifyProgress(archive.root)
    assert again.count == 1
    done = check(archive, archive.store.rolls.all(), 2, progress=again)
    assert (done.before, done.rolls, done.files) == (1, 1, 4)
    assert VerifyProgress(archive.root, afresh=True).count == 0


def test_a_package_that_the_reference_tool_accepts(two_rolls: Desk) -> None:
    """Checked by `bagit.py --validate` (Library of Congress), `bagit-utils`, and by hand."""
    archive = two_rolls.archive(create=False)
    before = {p: p.read_bytes() for p in sorted(archive.root.rglob("*.*")) if p.is_file()}
    made = package(archive, [archive.store.rolls.named("Harbour")], two_rolls.base / "out" / "bag")
    tool = Path(bagit.__file__)
    subprocess.run([sys.executable, str(tool), "--validate", str(made)], check=True)
    # RFC 8493, 2.1.1 and 2.1.3: the declaration, and a line a payload file.
    declared = (made / "bagit.txt").read_text().split("\n")
    assert declared[0] == "BagIt-Version: 1.0"
    assert bagit_utils.Bag(made, load=True).validate().issues == []
    assert declared[1] == "Tag-File-Character-Encoding: UTF-8"
    lines = (made / "manifest-sha256.txt").read_text().splitlines()
    listed = {line.split(maxsplit=1)[1]: line.split()[0] for line in lines}
    payload = {p.relative_to(made).as_posix() for p in (made / "data").rglob("*") if p.is_file()}
    assert set(listed) == payload
    for name, digest in listed.items():
        assert hashlib.sha256((made / name).read_bytes()).hexdigest() == digest
    assert {"data/Harbour_f001_t1.dng", "data/Harbour_f001_t1.jpg", "data/roll.json"} <= payload
    trials = {f"data/bench/{n}" for n, _, _ in archive.store.frames.bench_shots(1)}
    assert len(trials) == 2
    assert {*trials, "data/bench/files.json", "data/delivered/positives/Harbour_f001_t1.tif"} <= (
        payload
    )
    assert not any("incoming" in name for name in payload)
    assert before == {p: p.read_bytes() for p in before}
    with pytest.raises(PackageError, match="exists already"):
        package(archive, [archive.store.rolls.named("Harbour")], made)


def test_a_package_of_several_rolls_says_who_hands_it_over(two_rolls: Desk) -> None:
    archive = two_rolls.archive(create=False)
    rolls = [archive.store.rolls.named(line.name) for line in archive.store.rolls.lines(None)]
    assert len(rolls) == 2
    house = DeliverySettings(organisation="Town archive", contact="A. Field", email="a@b.example")
    made = package(archive, rolls, two_rolls.base / "bag", house=house)
    assert bagit_utils.Bag(made, load=True).validate().issues == []
    # RFC 8493, 2.2.2: the reserved names.
    info = bagit.Bag(str(made)).info
    assert info["Source-Organization"] == "Town archive"
    assert (info["Contact-Name"], info["Contact-Email"]) == ("A. Field", "a@b.example")
    assert "Contact-Phone" not in info
    assert info["External-Identifier"] == [roll.name for roll in rolls]
    for roll in rolls:
        inside = made / "data" / roll.folder
        names = [name for name, _, _ in archive.store.frames.recorded(roll.id)]
        assert names
        assert all((inside / name).is_file() for name in names)


def test_no_package_of_a_changed_file(two_rolls: Desk) -> None:
    (two_rolls.root / "Harbour" / "Harbour_f001_t1.dng").write_bytes(b"other")
    archive = two_rolls.archive(create=False)
    with pytest.raises(PackageError, match="has changed since it was recorded"):
        package(archive, [archive.store.rolls.named("Harbour")], two_rolls.base / "bag")
    assert sorted(p.name for p in two_rolls.base.iterdir()) == ["archive", "card"]
    with pytest.raises(PackageError, match="inside the archive"):
        package(archive, [archive.store.rolls.named("Harbour")], two_rolls.root / "bag")


@pytest.mark.parametrize("how", ["lost", "torn", "zeroed"])
def test_rebuild_brings_back_what_the_folders_hold(two_rolls: Desk, how: str) -> None:
    root = two_rolls.root
    database = root / "tether.sqlite3"
    places = [place(two_rolls, name) for name in ("Harbour", "Winter")]
    before = rows(root)
    assert len(before["trial"]) == 2, "raw and JPEG"
    assert before["roll"][1][-1] == b"memory of the roll"
    assert len(before["step"]) > 10
    if how == "lost":
        for path in root.glob("tether.sqlite3*"):
            path.unlink()
        with pytest.raises(TetherError, match="tether rebuild"):
            Archive(root)
        with pytest.raises(TetherError, match="tether rebuild"):
            Archive(root, create=False)
    else:
        data = bytearray(database.read_bytes())
        if how == "torn":
            data[4096:20000] = b"\xa5" * (20000 - 4096)
        else:
            data[:] = bytes(len(data))
        database.write_bytes(data)
    done = rebuild(root)
    assert (done.rolls, done.captures) == (2, 4)
    assert done.said == [], "the bench's test shots are the program's own"
    after = rows(root)
    # What a camera's card holds is looked at anew.
    before["archive_fact"] = [row for row in before["archive_fact"] if str(row[0]) in KEPT_FACTS]
    assert before["archive_fact"] != []
    after["archive_fact"] = [row for row in after["archive_fact"] if row[0] != "find index"]
    assert after == before
    if how != "lost":
        kept = [p for p in done.moved_away if p.name.endswith(tuple("0123456789"))]
        assert kept[0].read_bytes() == bytes(data)
    archive = two_rolls.archive()
    for name in ("Harbour", "Winter"):
        assert problems(archive, name) == []
    texts = [
        line[3] for line in archive.store.journal.log_lines(archive.store.rolls.named("Harbour").id)
    ]
    assert "Kept Harbour_f001_t1.dng" in texts
    assert rebuild(root).captures == 0
    assert check(archive, archive.store.rolls.all(), 2).findings == []
    two_rolls.close()
    assert [place(two_rolls, name) for name in ("Harbour", "Winter")] == places


def test_rebuild_names_the_files_that_are_nobodys(two_rolls: Desk) -> None:
    bench = next(two_rolls.root.glob("*/bench"))
    (bench.parent / "holiday.dng").write_bytes(b"somebody's own")
    (bench / "elsewhere.dng").symlink_to(bench.parent / "holiday.dng")
    for path in two_rolls.root.glob("tether.sqlite3*"):
        path.unlink()
    assert rebuild(two_rolls.root).said == [
        f"{bench.parent.name}: 2 files without a capture's name, or with bytes that are recorded, "
        "left alone: bench/elsewhere.dng, holiday.dng"
    ]


def test_rebuild_without_sidecars_goes_by_names(two_rolls: Desk) -> None:
    root = two_rolls.root
    for path in [*root.glob("tether.sqlite3*"), *root.glob("*/frames/*.json")]:
        path.unlink()
    done = rebuild(root)
    assert done.captures == 4
    archive = two_rolls.archive()
    roll = archive.store.rolls.named("Harbour")
    frames = archive.store.frames.of(roll)
    assert [f.captures[0].companions for f in frames] == [
        ("Harbour_f001_t1.jpg",),
        ("Harbour_f002_t1.jpg",),
    ]
    assert all(f.undecided for f in frames), "a person decides again"
    assert check(archive, [roll], 1).findings == []


def test_a_roll_folder_that_was_renamed(two_rolls: Desk) -> None:
    root = two_rolls.root
    (root / "Harbour").rename(root / "Hafen")
    with pytest.raises(TetherError, match="tether rebuild"):
        two_rolls.session("Harbour")
    two_rolls.close()
    assert "its folder is Hafen" in " ".join(rebuild(root).words())
    assert problems(two_rolls.archive(), "Harbour") == []


def test_the_archive_moved_to_another_place(two_rolls: Desk) -> None:
    shutil.move(two_rolls.root, two_rolls.base / "elsewhere")
    two_rolls.root = two_rolls.base / "elsewhere"
    session = two_rolls.session("Harbour", frames=2)
    assert problems(session.archive, "Harbour") == []


def test_an_older_database_is_brought_forward_and_kept(tmp_path: Path) -> None:
    path = tmp_path / "tether.sqlite3"
    with closing(sqlite3.connect(path)) as db:
        db.executescript(_V1)
        db.execute(
            "INSERT INTO roll (name, folder, process, format_key, frames_expected, strip_length, "
            "created_at) VALUES ('Harbour', 'Harbour', 'bw-negative', '135', 3, 6, 'then')"
        )
        db.execute("INSERT INTO frame VALUES (1, 1, 'kept', ''), (1, 3, 'blank', '')")
        db.execute("PRAGMA user_version = 1")
        db.commit()
    read = Store(path, read_only=True)
    assert [(p.frames_done, p.next_frame) for p in read.rolls.progress()] == [(2, 2)]
    read.close()
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA user_version").fetchone()[0] == 1, "reading changes nothing"
    store = Store(path)
    assert [(p.frames_done, p.next_frame) for p in store.rolls.progress()] == [(2, 2)]
    assert store.rolls.totals() == Totals(rolls=1, unfinished=1, frames_expected=3, frames_done=2)
    store.rolls.change(1, frames_expected=5)
    store.frames.decide(1, 2, FrameState.SKIPPED)
    store.rolls.add(NewRoll("Winter", FilmProcess.TRANSPARENCY))
    assert store.rolls.totals() == Totals(rolls=2, unfinished=2, frames_expected=41, frames_done=3)
    store.rolls.change(1, frames_expected=3)
    assert store.rolls.totals() == Totals(rolls=2, unfinished=1, frames_expected=39, frames_done=3)
    store.close()
    (copy,) = tmp_path.glob("tether.sqlite3.version-1-*")
    with closing(sqlite3.connect(copy)) as db:
        assert db.execute("PRAGMA user_version").fetchone()[0] == 1
        assert db.execute("SELECT count(*) FROM frame").fetchone()[0] == 2
    with closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA user_version = {VERSION + 1}")
    for read_only in (False, True):
        with pytest.raises(ArchiveDatabaseError, match="newer version"):
            Store(path, read_only=read_only)
    (tmp_path / "Harbour").mkdir()
    (tmp_path / "Harbour" / "roll.json").write_text("{}")
    with pytest.raises(ArchiveDatabaseError, match="newer version"):
        rebuild(tmp_path)


def test_the_log_only_grows_and_is_mirrored(two_rolls: Desk) -> None:
    archive = two_rolls.archive()
    with pytest.raises(sqlite3.IntegrityError), archive.store.database.change() as db:
        db.execute("DELETE FROM log")
    with pytest.raises(sqlite3.IntegrityError), archive.store.database.change() as db:
        db.execute("UPDATE log SET text = 'x'")
    roll = archive.store.rolls.named("Harbour")
    path = archive.folder(roll) / "log.jsonl"
    with path.open("ab") as file:
        file.write(b'{"id": 99999, "torn')  # what a stop leaves
    archive.store.journal.log("note", "one more", roll.id)
    archive.write_log(roll)
    lines = []
    for line in path.read_text().splitlines():
        if not line.endswith("torn"):
            lines.append(json.loads(line)["text"])
    assert lines == [x.text for x in archive.store.journal.log_since(roll.id, 0)]


def test_somebody_else_is_at_work(two_rolls: Desk) -> None:
    two_rolls.session("Harbour", frames=2)
    with pytest.raises(TetherError, match="already open in another program"):
        two_rolls.session("Harbour", frames=2)
    other = two_rolls.session("Winter", frames=2)
    assert other.roll.name == "Winter"
    reading = two_rolls.archive(create=False)
    assert check(reading, reading.store.rolls.all(), 2).findings == []
    assert {f.kind for f in check(reading, [], 0).findings} <= set(FaultKind)
