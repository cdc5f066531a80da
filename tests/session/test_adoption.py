"""Raw files that were taken without the program: planned, copied with proof, and judged."""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace

import pytest

from tests.archive.bench_rig import ContentJudge
from tests.archive.conftest import SMALL, Desk
from tether.archive.archive import Archive
from tether.archive.durable import copy_verified
from tether.archive.records import FrameState, NewRoll, Roll
from tether.archive.verify import check
from tether.errors import TetherError
from tether.film import FilmProcess
from tether.session.adoption import Adoption, AdoptionPlan, plan_adoption
from tether.session.next_step import NextKind


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    made = Desk(tmp_path)
    yield made
    made.close()


@pytest.fixture
def archive(desk: Desk) -> Archive:
    return desk.archive()


@pytest.fixture
def roll(archive: Archive) -> Roll:
    return archive.store.rolls.add(NewRoll("Old", FilmProcess.BW_NEGATIVE, frames_expected=4))


def raw(folder: Path, name: str, text: str = "") -> Path:
    folder.mkdir(exist_ok=True)
    path = folder / name
    path.write_bytes(b"II*\0" + (text or name).encode("utf-8", "surrogateescape") * 50)
    return path


def take(archive: Archive, roll: Roll, plan: AdoptionPlan, *, keep: bool = False) -> list[str]:
    with closing(Adoption(archive, roll, ContentJudge(), SMALL)) as work:
        work.check_room(plan)
        return [work.take(file, keep=keep).file_name for file in plan.files]


def test_files_go_into_frames_in_their_order_and_the_roll_goes_on(
    desk: Desk, archive: Archive, roll: Roll, tmp_path: Path
) -> None:
    files = [raw(tmp_path / "card", f"X{n}.NEF") for n in (7, 8)]
    before = {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in files}
    plan = plan_adoption(archive, roll, files, 2)
    assert [(f.frame, f.path) for f in plan.files] == [(2, files[0]), (3, files[1])]
    assert take(archive, roll, plan) == ["Old_f002_t1.nef", "Old_f003_t1.nef"]
    assert {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in files} == before
    frames = archive.store.frames.of(roll)
    (capture,) = frames[1].captures
    assert capture.origin == "adopted"
    assert capture.sha256 == hashlib.sha256(files[0].read_bytes()).hexdigest()
    assert archive.file(roll, capture.file_name).read_bytes() == files[0].read_bytes()
    assert capture.facts.stored, "judged"
    assert not check(archive, archive.store.rolls.all(), 1).findings
    assert archive.store.journal.intents(roll.id) == []
    assert list(archive.incoming(roll).iterdir()) == []
    session = desk.session("Old", archive=archive)
    desk.work(session)
    assert [f.state for f in session.frames()] == [FrameState.KEPT] * 4
    assert session.next_step().kind is NextKind.DONE


def test_a_jpeg_of_the_same_name_goes_beside_its_raw_file(
    archive: Archive, roll: Roll, tmp_path: Path
) -> None:
    card = tmp_path / "card"
    files = [raw(card, "A.dng"), card / "A.JPG", card / "B.jpg"]
    for path in files[1:]:
        path.write_bytes(b"\xff\xd8\xff" + path.name.encode())
    plan = plan_adoption(archive, roll, files)
    assert plan.problems == ["B.jpg is not a raw file."]
    take(archive, roll, plan)
    assert archive.store.frames.of(roll)[0].captures[0].companions == ("Old_f001_t1.jpg",)


def test_keep_keeps_what_the_verdict_says(archive: Archive, roll: Roll, tmp_path: Path) -> None:
    plan = plan_adoption(archive, roll, [raw(tmp_path / "card", "A.dng")])
    take(archive, roll, plan, keep=True)
    frame = archive.store.frames.of(roll)[0]
    verdict = frame.captures[0].verdict.value
    assert (frame.state is FrameState.KEPT) == (verdict == "keep")


def test_the_same_file_twice_is_told_and_never_filed(
    archive: Archive, roll: Roll, tmp_path: Path
) -> None:
    card = tmp_path / "card"
    one, same = raw(card, "A.dng", "one"), raw(card, "B.dng", "one")
    plan = plan_adoption(archive, roll, [one, same])
    assert plan.problems == ["B.dng is the same file as A.dng."]
    take(archive, roll, plan)
    other = archive.store.rolls.add(NewRoll("Other", FilmProcess.BW_NEGATIVE))
    again = plan_adoption(archive, other, [same])
    assert again.files == []
    assert again.problems == ["B.dng is in the archive: frame 1 of roll 'Old'."]


@pytest.mark.parametrize("first", [None, 1])
def test_an_interrupted_run_goes_on_with_the_same_command(
    archive: Archive, roll: Roll, tmp_path: Path, first: int | None
) -> None:
    files = [raw(tmp_path / "card", f"{n}.dng") for n in range(4)]
    whole = plan_adoption(archive, roll, files, first)
    take(archive, roll, AdoptionPlan(whole.files[:2]))
    rest = plan_adoption(archive, roll, files, first)
    assert (rest.there, rest.problems) == (2, [])
    assert [(f.frame, f.path.name) for f in rest.files] == [(3, "2.dng"), (4, "3.dng")]


def test_frames_that_are_taken_or_not_there_are_refused(
    archive: Archive, roll: Roll, tmp_path: Path
) -> None:
    archive.store.frames.decide(roll.id, 2, FrameState.BLANK)
    files = [raw(tmp_path / "card", f"{n}.dng") for n in range(4)]
    plan = plan_adoption(archive, roll, files, 2)
    assert [f.frame for f in plan.files] == [3, 4]
    assert "frame 2, which has a picture or a decision" in plan.problems[0]
    assert "would be frame 5: the roll has 4" in plan.problems[1]


def test_what_is_no_raw_file_is_named_and_left_out(
    archive: Archive, roll: Roll, tmp_path: Path
) -> None:
    card = tmp_path / "card"
    good = raw(card, "good.dng")
    (card / "text.nef").write_text("hello, this is a letter")
    (card / "empty.dng").touch()
    scan = raw(card, "scan.tif")
    os.mkfifo(card / "pipe.dng")
    wrong = [card / n for n in ("text.nef", "empty.dng", "pipe.dng", "none.dng")]
    plan = plan_adoption(archive, roll, [*wrong, card, scan, good])
    assert [f.path for f in plan.files] == [good]
    assert len(plan.problems) == 6


def test_hostile_names_are_shown_safely_and_never_become_paths(
    archive: Archive, roll: Roll, tmp_path: Path
) -> None:
    names = ["a\x1b[2Jb.dng", "\u202egnd.x.dng", os.fsdecode(b"\xff\xfe.dng"), "-rf .dng"]
    files = [raw(tmp_path / "card", name) for name in names]
    plan = plan_adoption(archive, roll, files)
    assert take(archive, roll, plan) == [f"Old_f00{n}_t1.dng" for n in range(1, 5)]
    told = [text for _, _, _, text in archive.store.journal.log_lines(roll.id)]
    assert not any("\x1b" in text or "\u202e" in text for text in told)
    again = plan_adoption(archive, roll, files, 4)
    assert not any("\x1b" in problem for problem in again.problems)


def test_a_file_that_changes_after_the_preview_is_not_taken(
    archive: Archive, roll: Roll, tmp_path: Path
) -> None:
    path = raw(tmp_path / "card", "A.dng")
    plan = plan_adoption(archive, roll, [path])
    path.write_bytes(path.read_bytes() + b"more")
    with pytest.raises(TetherError, match="has changed"):
        take(archive, roll, plan)
    assert not archive.store.frames.of(roll)[0].captures
    assert list(archive.incoming(roll).iterdir()) == []


def test_a_full_disk_is_told_and_loses_nothing(
    archive: Archive, roll: Roll, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    files = [raw(tmp_path / "card", f"{n}.dng") for n in range(3)]
    plan = plan_adoption(archive, roll, files)
    calls: list[Path] = []

    def full(source: Path, *rest: object) -> object:
        calls.append(source)
        if len(calls) == 2:
            raise OSError(errno.ENOSPC, "No space left on device")
        return copy_verified(source, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr("tether.session.adoption.copy_verified", full)
    with pytest.raises(TetherError, match="the disk is full"):
        take(archive, roll, plan)
    assert [len(f.captures) for f in archive.store.frames.of(roll)] == [1, 0, 0, 0]
    assert all(path.exists() for path in files)
    rest = plan_adoption(archive, roll, files)
    assert [f.frame for f in rest.files] == [2, 3]
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=10))
    with pytest.raises(TetherError, match="has 10 bytes left"):
        take(archive, roll, rest)


def test_a_stop_before_the_file_has_its_name_is_mended_by_the_next_session(
    desk: Desk, archive: Archive, roll: Roll, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = plan_adoption(archive, roll, [raw(tmp_path / "card", "A.dng")])

    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr("tether.capture.filing.link_into_place", stopped)
        with pytest.raises(KeyboardInterrupt):
            take(archive, roll, plan)
    session = desk.session("Old", archive=archive)
    (capture,) = session.frames()[0].captures
    assert (capture.file_name, capture.origin) == ("Old_f001_t1.dng", "adopted")
