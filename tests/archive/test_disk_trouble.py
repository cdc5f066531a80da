"""A full disk at every write, a disk that may only be read, a clock that was set back."""

from __future__ import annotations

import errno
import io
import os
import sqlite3
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from tests.archive.bench_rig import against_card, card_pictures, problems
from tests.archive.conftest import Desk
from tests.archive.inprocess_rig import NumberedScene
from tether.archive.archive import Archive, ArchiveUnusable
from tether.archive.durable import DiskFailed, matches
from tether.archive.records import FrameState
from tether.errors import TetherError
from tether.session.session import Shot
from tether.settings import DeliverySettings
from tether.unattended import Unattended


@contextmanager
def full_at(number: int, how: int = errno.ENOSPC) -> Iterator[list[int]]:
    """Let the n-th act that needs room fail as on a full disk, and all after it."""
    patch = pytest.MonkeyPatch()
    count = [0]

    def full(real: Callable[..., Any], error: Callable[[], Exception]) -> Callable[..., Any]:
        def call(*args: Any, **kw: Any) -> Any:
            if threading.current_thread() is not threading.main_thread():
                return real(*args, **kw)  # the camera's own card
            count[0] += 1
            if count[0] >= number:
                raise error()
            return real(*args, **kw)

        return call

    def no_room() -> Exception:
        return OSError(how, os.strerror(how))

    for name in ("fsync", "link", "rename", "replace", "mkdir"):
        patch.setattr(os, name, full(getattr(os, name), no_room))
    patch.setattr(os, "write", full(os.write, no_room))
    real = sqlite3.connect

    class Full(sqlite3.Connection):
        def execute(self, sql: str, *args: Any) -> sqlite3.Cursor:
            if sql == "COMMIT":
                count[0] += 1
                if count[0] >= number:
                    raise sqlite3.OperationalError("database or disk is full")
            return super().execute(sql, *args)

    patch.setattr(sqlite3, "connect", lambda *a, **kw: real(*a, **kw | {"factory": Full}))
    try:
        yield count
    finally:
        patch.undo()


def test_disk_full_at_every_write(desk: Desk) -> None:
    """Each act fails once as the first; what a person sees is a sentence, and nothing is lost."""
    desk.made_roll("plain", frames=1)
    number = said = 0
    for number in range(1, 200):
        name = f"roll {number}"
        before = len(card_pictures(desk.card))
        with full_at(number) as count:
            try:
                desk.work(desk.session(name, frames=1))
            except TetherError as error:
                said += bool(error.todo)
            reached = count[0]
            with suppress(TetherError):
                desk.close()
        desk.work(session := desk.session(name, frames=1))
        pictures = card_pictures(desk.card)[before:]
        assert problems(session.archive, name) == [], f"full at {number}"
        assert against_card(session.archive, name, pictures) == [], f"full at {number}"
        desk.close()
        if reached < number:
            break
    assert said >= 20, "the disk was full at many different writes"


@pytest.mark.parametrize("looks", [True, False])
@pytest.mark.parametrize("size", [1560, 1590, 1620])
def test_a_small_disk_fills_up_for_real(
    desk: Desk,
    small_disk: Callable[[str], Path],
    monkeypatch: pytest.MonkeyPatch,
    looks: bool,
    size: int,
) -> None:
    """With and without the look at the free room before each release; other writes hit the end."""
    desk.root = small_disk(f"size={size}k") / "archive"
    desk.body._scene = NumberedScene(60_000)
    session = desk.session(frames=30)
    if not looks:
        monkeypatch.setattr(session.archive, "free_bytes", lambda: 10**9)
    with pytest.raises(TetherError) as caught:
        desk.work(session)
    assert "room" in str(caught.value)
    kept = [f.number for f in session.frames() if f.chosen]
    assert kept == list(range(1, len(kept) + 1))
    assert len(kept) >= 3
    for name, stated, digest in session.store.frames.recorded(session.roll.id):
        assert matches(session.archive.file(session.roll, name), stated, digest)


def test_looking_at_an_archive_that_may_only_be_read(
    desk: Desk, small_disk: Callable[[str], Path], capsys: pytest.CaptureFixture[str]
) -> None:
    disk = small_disk("size=8m")
    desk.root = disk / "archive"
    desk.made_roll()
    done = subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=False)
    if done.returncode:
        pytest.skip("disks cannot be mounted here")
    archive = desk.archive(create=False)
    assert archive.store.rolls.totals().frames_done == 3
    desk.close()
    from tether.cli.archive import run_package, run_verify

    assert run_verify(desk.root, None, afresh=False) == 0
    run_package(desk.root, ["Harbour"], desk.base / "package", DeliverySettings(), as_json=False)
    assert "3 files" in capsys.readouterr().out
    with pytest.raises(TetherError, match="cannot be written to"):
        Archive(desk.root)


def test_a_disk_that_becomes_read_only_in_the_middle(desk: Desk) -> None:
    """As a system does with a disk that has errors. Each key says so; then the work goes on."""
    session = desk.session()
    desk.work(session, keep=1)
    while session.next_step().step:
        session.confirm()
    before = session.next_step()
    database = session.store.database._db
    database.execute("PRAGMA query_only = ON")
    acts = (session.capture, lambda: session.note("x"), lambda: session.go_to(1))
    for act in acts:
        with full_at(1, errno.EROFS), pytest.raises(TetherError) as caught:
            act()
        assert caught.value.todo
    database.execute("PRAGMA query_only = OFF")
    assert session.next_step() == before
    assert [len(f.captures) for f in session.frames()] == [1, 0, 0]
    desk.work(session)
    assert problems(session.archive, "Harbour") == []
    assert against_card(session.archive, "Harbour", card_pictures(desk.card)) == []


@pytest.mark.parametrize("what", ["archive", "roll", "incoming", "database"])
def test_what_goes_away_in_the_middle_is_told_before_the_next_release(
    desk: Desk, what: str
) -> None:
    """And the work goes on where it was, once it is back."""
    session = desk.session()
    desk.work(session, keep=1)
    while session.next_step().step:
        session.confirm()
    place = {
        "archive": desk.root,
        "roll": desk.root / "Harbour",
        "incoming": desk.root / "Harbour" / "incoming",
        "database": desk.root / "tether.sqlite3",
    }[what]
    away = desk.base / "away"
    place.rename(away)
    before = len(card_pictures(desk.card))
    session.view()
    with pytest.raises(ArchiveUnusable, match=r"not there any more|removed or replaced") as caught:
        session.capture()
    assert caught.value.todo
    session.view()
    if what == "database":
        place.write_bytes(away.read_bytes())  # another file in its place is noticed too
        with pytest.raises(ArchiveUnusable, match="replaced"):
            session.capture()
        place.unlink()
    assert len(card_pictures(desk.card)) == before, "the shutter was not fired"
    away.rename(place)
    desk.work(session)
    assert problems(session.archive, "Harbour") == []
    assert against_card(session.archive, "Harbour", card_pictures(desk.card)) == []


def test_work_stands_still_while_the_archive_is_away(desk: Desk) -> None:
    """No step, choice or picture is taken for stored; each is said, and nothing is lost."""
    session = desk.session()
    desk.work(session, keep=1)
    step = session.next_step()
    away = desk.base / "away"
    desk.root.rename(away)
    acts = (
        session.confirm,
        lambda: session.mark(FrameState.SKIPPED),
        lambda: session.choose(1, session.frames()[0].captures[0].id),
    )
    for act in acts:
        with pytest.raises(ArchiveUnusable):
            act()
    desk.body.release()
    assert session.shooting.take_from_camera() is None, "it stays on the card until then"
    away.rename(desk.root)
    assert session.next_step() == step
    session.confirm()
    assert session.shooting.take_from_camera() is not None
    session.keep()
    desk.work(session)
    assert problems(session.archive, "Harbour") == []


def test_an_unattended_run_waits_until_the_archive_is_back(desk: Desk) -> None:
    session, out = desk.session(), io.StringIO()
    away, capture = desk.base / "away", session.capture
    waits: list[str] = []

    def goes_away(*_args: object) -> Shot:
        session.__dict__.pop("capture")
        desk.root.rename(away)
        return capture()

    def comes_back() -> None:
        waits.append(out.getvalue())
        if len(waits) == 3:
            away.rename(desk.root)

    session.__dict__["capture"] = goes_away
    Unattended(session, out, comes_back).run()
    assert len(waits) == 3
    assert "Waiting for it." in waits[0]
    assert out.getvalue().count("Waiting for it.") == 1
    assert "It is back." in out.getvalue()
    assert all(frame.state is FrameState.KEPT for frame in session.frames())
    assert problems(session.archive, "Harbour") == []


@pytest.mark.parametrize("what", ["file", "folder"])
def test_a_disk_that_fails_is_told_as_the_disk_s_fault(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    """EIO: nothing is recorded that may not be on the disk, and no cable is blamed."""
    session = desk.session()
    desk.work(session, keep=1)
    while session.next_step().step:
        session.confirm()
    fsync = os.fsync

    def fails(handle: int) -> None:
        path = Path(f"/proc/self/fd/{handle}").readlink()
        if path == desk.root / "Harbour" if what == "folder" else path.suffix == ".part":
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        fsync(handle)

    with monkeypatch.context() as patch:
        patch.setattr("tether.disk.os.fsync", fails)
        with pytest.raises(DiskFailed) as caught:
            session.capture()
    said = str(caught.value)
    assert "disk" in said
    assert "Input/output error" in said
    assert "cable" not in said
    assert [len(frame.captures) for frame in session.frames()] == [1, 0, 0], "nothing is recorded"
    desk.close()
    session = desk.session()
    assert [len(frame.captures) for frame in session.frames()] == [1, 1, 0]
    desk.work(session)
    assert problems(session.archive, "Harbour") == []
    assert against_card(session.archive, "Harbour", card_pictures(desk.card)) == []


def test_a_clock_that_was_set_back(desk: Desk) -> None:
    """Order and resumption follow numbers, never the clock."""
    desk.work(desk.session(), keep=1)
    desk.close()
    set_back = datetime(1999, 12, 31, 23, 59, 59, tzinfo=UTC)
    session = desk.session(archive=desk.archive(clock=lambda: set_back))
    assert session.next_step().frame == 2
    desk.work(session)
    assert problems(session.archive, "Harbour") == []
    assert [line[2] for line in session.store.journal.log_lines(session.roll.id)][-1] == "choice"
    taken = [capture.taken_at for frame in session.frames() for capture in frame.captures]
    assert [moment < "2000" for moment in taken] == [False, True, True]


def test_a_folder_without_hard_links(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """FAT and exFAT have none: link(2) gives EPERM."""

    def refused(*_: object) -> None:
        raise OSError(errno.EPERM, os.strerror(errno.EPERM))

    monkeypatch.setattr(os, "link", refused)
    session = desk.session()
    desk.work(session)
    assert problems(session.archive, "Harbour") == []
    taken = session.archive.folder(session.roll) / "Harbour_f002_t2.dng"
    taken.write_bytes(b"somebody's")
    session.go_to(2)
    desk.work(session)
    assert taken.read_bytes() == b"somebody's"
    assert session.frames()[1].captures[-1].file_name == "Harbour_f002_t3.dng"
