"""The second folder: verified copies, a disk that goes away and comes back."""

from __future__ import annotations

import os
import shutil
import subprocess
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.archive.bench_rig import digest, problems
from tests.archive.conftest import Desk
from tests.archive.inprocess_rig import NumberedScene
from tether.archive import second_copy as mirror_module
from tether.archive.archive import Archive
from tether.archive.durable import COARSEST_NS, SourceChanged, copy_verified, replace_verified
from tether.archive.journal import Journal
from tether.archive.rebuild import rebuild
from tether.archive.second_copy import (
    MARK_FILE,
    CopyFolderUnusable,
    SecondCopy,
    choose_copy_folder,
    forget_copy_folder,
    note_delivery,
    remembered_copy_folder,
)
from tether.launch import Start, begin_copying
from tether.session.session import Session


def copying(desk: Desk, folder: Path, name: str = "Harbour") -> tuple[Session, SecondCopy]:
    session = desk.session(name)
    archive = session.archive
    archive.second_copy = SecondCopy(archive, choose_copy_folder(archive, folder), retry=0.02)
    archive.second_copy.start()
    return session, archive.second_copy


def same_files(archive: Archive, folder: Path, name: str = "Harbour") -> bool:
    roll = archive.store.rolls.named(name)
    recorded = archive.store.frames.recorded(roll.id)
    return bool(recorded) and all(
        (folder / roll.folder / file).is_file() and digest(folder / roll.folder / file) == sha
        for file, _, sha in recorded
    )


def test_every_frame_is_copied_as_it_is_kept(desk: Desk) -> None:
    copy = desk.base / "copy"
    session, mirror = copying(desk, copy)
    desk.work(session)
    state = mirror.finish()
    assert state.rolls_behind == 0
    assert state.away == ""
    assert "Everything is copied" in state.sentence()
    assert same_files(session.archive, copy)
    assert not list(copy.rglob(".copy-*"))
    desk.close()
    # The copy is itself a folder that an archive can be built from.
    assert rebuild(copy).captures == 3
    opened = Archive(copy)
    try:
        assert problems(opened, "Harbour") == []
    finally:
        opened.close()


def test_the_disk_goes_away_and_comes_back(desk: Desk) -> None:
    copy, away = desk.base / "copy", desk.base / "unplugged"
    session, mirror = copying(desk, copy)
    desk.work(session, keep=1)
    mirror.finish()
    copy.rename(away)
    copy.mkdir()  # the empty mount point
    desk.work(session, keep=1)
    assert "cannot be used" in mirror.finish().sentence()
    assert any("You can continue" in said for said in mirror.news())
    assert list(copy.iterdir()) == [], "nothing is written beside the disk"
    desk.work(session)
    assert problems(session.archive, "Harbour") == []
    desk.close()
    # Days later, with another process: what is behind was stored.
    session, mirror = copying(desk, copy)
    assert mirror.finish().rolls_behind == 1
    copy.rmdir()
    away.rename(copy)
    while mirror.finish(0.05).away:
        pass
    assert mirror.finish().rolls_behind == 0
    assert any("is back" in said for said in mirror.news())
    assert same_files(session.archive, copy)


def test_a_picture_of_a_program_that_died_at_once_is_owed_to_the_copy(desk: Desk) -> None:
    """It is noted in the transaction that records the picture, before anything else happens."""
    copy = desk.base / "copy"
    session, mirror = copying(desk, copy)
    assert mirror.finish().rolls_behind == 0
    desk.close()
    session = desk.session()  # it knows of no copy folder: nothing is noted but by the record
    desk.work(session, keep=1)
    assert [number for number, _ in session.store.journal.behind()] == [session.roll.id]
    desk.close()
    archive = desk.archive()
    begin_copying(archive, Start(desk.root))
    assert archive.second_copy is not None
    assert archive.second_copy.finish().rolls_behind == 0
    assert same_files(archive, copy)


def test_folders_reach_the_disk_before_a_roll_counts_as_copied(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = desk.base / "copy"
    order: list[str] = []
    fsync, catch_up = os.fsync, Journal.catch_up

    def flushed(handle: int) -> None:
        fsync(handle)
        order.append(str(Path(f"/proc/self/fd/{handle}").readlink()))

    def caught_up(journal: Journal, roll_id: int, mark: int) -> None:
        order.append("caught up")
        catch_up(journal, roll_id, mark)

    desk.made_roll()
    archive = desk.archive()
    archive.second_copy = SecondCopy(archive, choose_copy_folder(archive, copy))
    monkeypatch.setattr("tether.disk.os.fsync", flushed)
    monkeypatch.setattr(Journal, "catch_up", caught_up)
    archive.second_copy.start()
    assert archive.second_copy.finish().rolls_behind == 0
    before = order[: order.index("caught up")]
    for folder in (copy, copy / "Harbour", copy / "Harbour" / "frames"):
        assert str(folder) in before, "a name in it could be lost"


def test_a_disk_that_keeps_times_coarsely_gets_nothing_twice(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """FAT keeps a file's time to two seconds, exFAT to a hundredth of one."""
    utime = os.utime

    def coarse(path: Path, ns: tuple[int, int]) -> None:
        utime(path, ns=(ns[0] // COARSEST_NS * COARSEST_NS, ns[1] // COARSEST_NS * COARSEST_NS))

    monkeypatch.setattr("tether.archive.durable.os.utime", coarse)
    session, mirror = copying(desk, desk.base / "copy")
    desk.work(session)
    assert mirror.finish().rolls_behind == 0
    before = {path: path.stat().st_ino for path in (desk.base / "copy").rglob("*")}
    mirror.nudge(session.roll)
    assert mirror.finish().rolls_behind == 0
    assert {path: path.stat().st_ino for path in (desk.base / "copy").rglob("*")} == before
    # A change right after the copy, of the same size, is seen, too.
    state = desk.root / "Harbour" / "state.json"
    text = state.read_text()
    state.write_text(text.replace("cursor", "CURSOR"))
    kept = (desk.base / "copy" / "Harbour" / "state.json").stat().st_mtime_ns
    utime(state, ns=(kept, kept + 1))
    mirror.nudge(session.roll)
    mirror.finish()
    assert "CURSOR" in (desk.base / "copy" / "Harbour" / "state.json").read_text()


def test_a_copy_disk_that_is_full(desk: Desk, small_disk: Callable[[str], Path]) -> None:
    """The work goes on; once there is room the copies are made."""
    disk = small_disk("size=150k")
    desk.body._scene = NumberedScene(60_000)
    session, mirror = copying(desk, disk / "copy")
    desk.work(session)
    while not mirror.finish(0.05).away:
        pass
    assert "No space left" in mirror.finish().sentence()
    assert problems(session.archive, "Harbour") == []
    # It is tried again and again: a half that is there now is gone with its try.
    halves = (list(disk.rglob(".copy-*")) for _ in range(5000) if mirror.state())
    assert any(not found for found in halves), "no half of a copy is left"
    subprocess.run(["mount", "-o", "remount,size=8m", str(disk)], check=True)
    while mirror.finish(0.05).away:
        pass
    assert mirror.finish().rolls_behind == 0
    assert same_files(session.archive, disk / "copy")


def test_a_folder_named_later_gets_everything(desk: Desk) -> None:
    desk.made_roll("Harbour")
    desk.made_roll("Winter")
    session, mirror = copying(desk, desk.base / "copy")
    assert mirror.finish().rolls_behind == 0
    for name in ("Harbour", "Winter"):
        assert same_files(session.archive, desk.base / "copy", name)
    assert remembered_copy_folder(session.archive) == desk.base / "copy"
    forget_copy_folder(session.archive)
    assert remembered_copy_folder(session.archive) is None
    assert (desk.base / "copy" / MARK_FILE).exists()


def test_folders_that_cannot_be_the_copy(desk: Desk) -> None:
    archive = desk.archive()
    for folder in (desk.root, desk.root / "copy", desk.base):
        with pytest.raises(CopyFolderUnusable, match="one in the other"):
            choose_copy_folder(archive, folder)
    with pytest.raises(CopyFolderUnusable, match="cannot be used"):
        choose_copy_folder(archive, desk.base / "no" / "disk")
    other = desk.base / "other"
    other.mkdir()
    (other / MARK_FILE).write_text('{"archive": "another"}')
    with pytest.raises(CopyFolderUnusable, match="another archive"):
        choose_copy_folder(archive, other)


def test_an_archive_whose_database_was_lost_knows_its_copies_again(desk: Desk) -> None:
    desk.made_roll()
    copy = desk.base / "copy"
    _, mirror = copying(desk, copy)
    assert mirror.finish().rolls_behind == 0
    desk.close()
    for path in desk.root.glob("tether.sqlite3*"):
        path.unlink()
    rebuild(desk.root)
    desk.made_roll("Winter")
    _, mirror = copying(desk, copy)
    assert mirror.finish().rolls_behind == 0
    assert same_files(desk.archive(), copy, "Harbour")
    assert same_files(desk.archive(), copy, "Winter")


def test_a_roll_of_the_same_name_does_not_make_the_copies_ours(desk: Desk) -> None:
    desk.made_roll()
    archive = desk.archive()
    facts = (desk.root / "Harbour" / "roll.json").read_text(encoding="utf-8")
    there = desk.base / "other" / "Harbour"
    there.mkdir(parents=True)
    (there.parent / MARK_FILE).write_text('{"archive": "another"}')
    (there / "roll.json").write_text(facts.replace('"created_at": "20', '"created_at": "19'))
    with pytest.raises(CopyFolderUnusable, match="another archive"):
        choose_copy_folder(archive, there.parent)


def test_what_changed_or_collides_is_said_and_left(desk: Desk) -> None:
    desk.made_roll()
    (desk.root / "Harbour" / "Harbour_f001_t1.dng").write_bytes(b"rotten")
    other = desk.base / "copy" / "Harbour" / "Harbour_f002_t1.dng"
    other.parent.mkdir(parents=True)
    other.write_bytes(b"somebody's own")
    _, mirror = copying(desk, desk.base / "copy")
    assert mirror.finish().rolls_behind == 0
    said = " ".join(mirror.news())
    assert "Harbour_f001_t1.dng has changed since it was recorded" in said
    assert "Harbour_f002_t1.dng in the copy folder had wrong bytes" in said
    assert (other.parent / "damaged" / "Harbour_f002_t1.dng.1").read_bytes() == b"somebody's own"
    assert digest(other) == digest(desk.root / "Harbour" / other.name)
    assert not (other.parent / "Harbour_f001_t1.dng").exists()
    assert (other.parent / "Harbour_f003_t1.dng").exists()
    assert mirror.state().sentence().startswith("1 file could not be copied"), "not everything is"


def test_a_folder_that_lost_a_roll_or_a_file_is_found_at_the_start(desk: Desk) -> None:
    """Without that roll being opened: names, sizes and times are compared."""
    copy = desk.base / "copy"
    desk.made_roll("Harbour")
    desk.made_roll("Winter")
    _, mirror = copying(desk, copy, "Market")
    state = mirror.finish()
    day = desk.archive().store.stamp()[:10]
    assert state.sentence() == f"Everything is copied to {copy}, proved on {day}."
    desk.close()
    shutil.rmtree(copy / "Harbour")
    (copy / "Winter" / "frames" / "f002.json").unlink()
    short, touched = copy / "Winter" / "Winter_f001_t1.dng", copy / "Winter" / "Winter_f002_t1.dng"
    short.write_bytes(b"short")
    written_over = b"\0" * touched.stat().st_size
    touched.write_bytes(written_over)
    os.utime(touched, (touched.stat().st_atime, touched.stat().st_mtime + 60))  # a minute later
    session, mirror = copying(desk, copy, "Market")
    assert mirror.finish().rolls_behind == 0
    assert same_files(session.archive, copy, "Harbour")
    assert same_files(session.archive, copy, "Winter")
    assert (copy / "Winter" / "frames" / "f002.json").is_file()
    kept = copy / "Winter" / "damaged"
    assert (kept / f"{short.name}.1").read_bytes() == b"short"
    assert (kept / f"{touched.name}.1").read_bytes() == written_over
    said = " ".join(mirror.news())
    assert f"is kept there as damaged/{short.name}.1" in said
    assert f"is kept there as damaged/{touched.name}.1" in said


def test_unfinished_files_of_programs_that_died_are_removed_and_only_those(desk: Desk) -> None:
    copy = desk.base / "copy"
    desk.made_roll()
    copying(desk, copy)[1].finish()
    desk.close()
    dead: list[Path] = []
    alive: list[Path] = []
    for folder, name in (
        (copy / "Harbour", ".copy-x1.part"),
        (copy / "Harbour" / "frames", ".copy-x1.part"),
        (desk.root, ".new-x1.json"),
        (desk.root / "Harbour", ".new-x1.json"),
        (desk.root / "Harbour" / "frames", ".new-x1.npz"),
    ):
        for path, gone in ((folder / name, True), (folder / name.replace("1", "2"), False)):
            path.write_bytes(b"half")
            (dead if gone else alive).append(path)
            if gone:
                os.utime(path, (0, 0))
        (folder / name.replace("x1", "link")).symlink_to(desk.base)
    session, mirror = copying(desk, copy)
    mirror.nudge(session.roll)
    mirror.finish()
    assert not [path for path in dead if path.exists()]
    assert all(path.exists() for path in alive), "another program may be writing them"
    assert desk.base.is_dir()


def test_until_the_folder_was_compared_not_everything_is_said_to_be_copied(desk: Desk) -> None:
    copy = desk.base / "copy"
    desk.made_roll()
    copying(desk, copy)[1].finish()
    desk.close()
    archive = desk.archive()
    mirror = SecondCopy(archive, choose_copy_folder(archive, copy))
    assert mirror.state().sentence().startswith(f"Copied to {copy}, proved on 20")
    assert "has not been compared yet" in mirror.state().sentence()
    (copy / MARK_FILE).rename(copy / "elsewhere.json")  # nothing is behind, and the disk is away
    mirror.start()
    assert "cannot be used" in mirror.finish().sentence()
    (copy / "elsewhere.json").rename(copy / MARK_FILE)
    while mirror.finish(0.05).away:
        pass
    assert mirror.finish().sentence().startswith("Everything is copied")
    mirror.close()


def test_copies_of_an_older_program_have_no_times_and_are_not_made_again(desk: Desk) -> None:
    copy = desk.base / "copy"
    desk.made_roll()
    copying(desk, copy)[1].finish()
    raw = copy / "Harbour" / "Harbour_f001_t1.dng"
    before = raw.stat()
    os.utime(raw, (before.st_atime, before.st_mtime - 1000))
    desk.close()
    _, mirror = copying(desk, copy)
    assert mirror.finish().rolls_behind == 0
    assert raw.stat().st_ino == before.st_ino
    assert raw.stat().st_mtime == before.st_mtime - 1000, "it was not even read"
    # Changed since copies have times: it is read, and was right.
    os.utime(raw, (before.st_atime, before.st_mtime + 1000))
    desk.close()
    _, mirror = copying(desk, copy)
    assert mirror.finish().rolls_behind == 0
    assert raw.stat().st_ino == before.st_ino
    assert abs(raw.stat().st_mtime - before.st_mtime) < 1


def test_a_copy_that_reads_back_differently(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = tmp_path / "a.dng"
    source.write_bytes(b"bytes")
    sha = digest(source)
    with monkeypatch.context() as patch:
        patch.setattr("tether.archive.durable.digest_of", lambda _: (5, "0" * 64, b""))
        with pytest.raises(OSError, match="reads back differently"):
            copy_verified(source, tmp_path / "b.dng", 5, sha)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.dng"]
    with pytest.raises(SourceChanged):
        copy_verified(tmp_path / "gone.dng", tmp_path / "b.dng", 5, sha)
    copy_verified(source, tmp_path / "b.dng", 5, sha)
    assert (tmp_path / "b.dng").read_bytes() == b"bytes"


def test_the_start_takes_the_folder_that_was_named_or_remembered(desk: Desk) -> None:
    desk.made_roll()
    copy = desk.base / "copy"
    for start in (Start(desk.root, copy=copy), Start(desk.root)):
        archive = desk.archive()
        begin_copying(archive, start)
        assert archive.second_copy is not None
        assert archive.second_copy.finish().rolls_behind == 0
        desk.close()
    (copy / MARK_FILE).write_text('{"archive": "another"}')
    archive = desk.archive()
    with pytest.raises(CopyFolderUnusable):
        begin_copying(archive, Start(desk.root, copy=copy))
    begin_copying(archive, Start(desk.root))
    assert archive.second_copy is not None, "a remembered folder never keeps a person from the work"
    archive.second_copy.nudge(archive.store.rolls.named("Harbour"))
    assert "another archive" in archive.second_copy.finish().sentence()
    desk.close()
    archive = desk.archive()
    begin_copying(archive, Start(desk.root, no_copy=True))
    begin_copying(archive, Start(desk.root))
    assert archive.second_copy is None


def test_sidecars_positives_and_test_exposures_are_copied(desk: Desk) -> None:
    """They may change later; the copy is then replaced as a whole."""
    copy, folder = desk.base / "copy", desk.root / "Harbour"
    session, mirror = copying(desk, copy)
    trial = session.bench.shots.take("open-gate")
    desk.work(session)
    (folder / "Harbour_f001_t1.xmp").write_text("<x/>")
    positives = folder / "delivered" / "positives"
    positives.mkdir(parents=True)
    (positives / "Harbour_f001_t1.tif").write_bytes(b"II*\0" * 1000)
    (positives / ".new-half").write_bytes(b"half")
    (positives / "elsewhere").symlink_to(desk.base)
    (folder / "holiday.dng").write_bytes(b"somebody's own")
    mirror.nudge(session.roll)
    assert mirror.finish().rolls_behind == 0
    inside = list(session.archive.derived_files(session.roll))
    assert Path("delivered/positives/Harbour_f001_t1.tif") in inside
    assert {Path("Harbour_f001_t1.xmp"), Path("roll.json"), Path("state.json")} <= set(inside)
    for path in inside:
        assert (copy / "Harbour" / path).read_bytes() == (folder / path).read_bytes()
    assert digest(copy / "Harbour" / "bench" / trial.file) == trial.sha256
    assert same_files(session.archive, copy)
    there = {p.name for p in (copy / "Harbour").rglob("*")}
    assert not there & {".new-half", "elsewhere", "holiday.dng"}
    (folder / "Harbour_f001_t1.xmp").write_text("<y/>")
    mirror.nudge(session.roll)
    mirror.finish()
    assert (copy / "Harbour" / "Harbour_f001_t1.xmp").read_text() == "<y/>"


def test_pictures_come_before_positives(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """A picture that is filed while positives are copied is copied next."""
    copy = desk.base / "copy"
    session, mirror = copying(desk, copy)
    desk.work(session, keep=1)
    mirror.finish()
    extra = desk.root / "Harbour" / "delivered"
    extra.mkdir()
    for number in range(3):
        (extra / f"{number}.tif").write_bytes(b"positive")
    order: list[str] = []

    def slow(source: Path, final: Path, stop: threading.Event | None = None) -> bool:
        done = replace_verified(source, final, stop)
        if done:
            order.append(final.name)
            if final.name == "0.tif":
                desk.work(session, keep=1)
        return done

    def picture(source: Path, *rest: object) -> None:
        order.append(source.name)
        copy_verified(source, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(mirror_module, "replace_verified", slow)
    monkeypatch.setattr(mirror_module, "copy_verified", picture)
    mirror.nudge(session.roll)
    mirror.finish()
    assert order.index("0.tif") < order.index("Harbour_f002_t1.dng") < order.index("1.tif")


def test_a_copy_that_may_change_is_read_back_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source, final = tmp_path / "a.tif", tmp_path / "b.tif"
    source.write_bytes(b"bytes")
    final.write_bytes(b"older")
    with monkeypatch.context() as patch:
        patch.setattr("tether.archive.durable.digest_of", lambda _: (5, "0" * 64, b""))
        with pytest.raises(OSError, match="reads back differently"):
            replace_verified(source, final)
    assert final.read_bytes() == b"older"
    assert replace_verified(source, final)
    assert not replace_verified(source, final)
    assert final.read_bytes() == b"bytes"
    source.unlink()
    with pytest.raises(SourceChanged):
        replace_verified(source, final)


def test_a_delivery_is_logged_and_copied(desk: Desk) -> None:
    desk.made_roll()
    copy = desk.base / "copy"
    archive = desk.archive()
    said: list[str] = []
    note_delivery(desk.root, "Harbour", "3 positives printed.", said.append)
    assert said == []
    choose_copy_folder(archive, copy)
    (desk.root / "Harbour" / "Harbour_f001_t1.xmp").write_text("<x/>")
    note_delivery(desk.root, "Harbour", "1 positive printed.", said.append)
    assert "Ctrl-C leaves it" in said[0]
    assert "Everything is copied" in said[1]
    assert (copy / "Harbour" / "Harbour_f001_t1.xmp").read_text() == "<x/>"
    roll = archive.store.rolls.named("Harbour")
    lines = [
        text for _, _, kind, text in archive.store.journal.log_lines(roll.id) if kind == "deliver"
    ]
    assert lines == ["3 positives printed.", "1 positive printed."]
    assert "1 positive printed." in (desk.root / "Harbour" / "log.jsonl").read_text()
    # While another program is at work on the roll, that one copies.
    session = desk.session()
    note_delivery(desk.root, "Harbour", "again", said.append)
    assert len(said) == 2
    assert session.store.journal.behind() != []
    note_delivery(desk.base / "nowhere", "Harbour", "no archive", said.append)
    assert not (desk.base / "nowhere").exists()
