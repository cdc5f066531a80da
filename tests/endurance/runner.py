# ruff: noqa: PLR0912
"""Works through a roll, and is struck at the n-th of the points that are counted here.

A point lies before and after each flush, link, rename, removal and commit, and around each release
and transfer. Nothing of this is known to the program under test. Striking is SIGKILL, after a power
cut of the disks named in ``cut``. ``without`` takes something out of the program on purpose: then
the check has to fail.
"""

from __future__ import annotations

import importlib
import json
import os
import signal
import sqlite3
import stat
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.endurance.power import cut_power

WITHOUT = ("any-flush", "file-flush", "folder-flush", "copy-note")
"""What can be taken out of the program."""


class Points:
    """Counts points, and ends the process at one of them."""

    def __init__(self, deadly: int, disks: list[str]) -> None:
        self.deadly = deadly
        self.disks = disks
        self.passed = 0

    def here(self) -> None:
        self.passed += 1
        if self.passed == self.deadly:
            for disk in self.disks:
                cut_power(Path(disk))
            os.kill(os.getpid(), signal.SIGKILL)

    def around(self, owner: Any, name: str) -> None:
        real: Callable[..., Any] = getattr(owner, name)

        def counted(*args: Any, **kw: Any) -> Any:
            self.here()
            result = real(*args, **kw)
            self.here()
            return result

        setattr(owner, name, counted)


def take_out(what: str) -> None:
    """Break the program on purpose."""
    from tether.archive import frames

    flush = os.fsync

    def leave_out(handle: int) -> None:
        is_folder = stat.S_ISDIR(os.fstat(handle).st_mode)
        if what == ("file-flush" if is_folder else "folder-flush"):
            flush(handle)

    if what.endswith("-flush"):
        vars(os)["fsync"] = leave_out
    elif what == "copy-note":
        vars(frames)["owe_copy"] = lambda *_: None


def watch(points: Points) -> None:
    """Put points around everything that changes the disk."""
    for name in ("fsync", "link", "rename", "replace", "unlink"):
        points.around(os, name)

    class Watched(sqlite3.Connection):
        def execute(self, sql: str, *args: Any) -> sqlite3.Cursor:
            if sql != "COMMIT":
                return super().execute(sql, *args)
            points.here()
            done = super().execute(sql, *args)
            points.here()
            return done

    real = sqlite3.connect
    sqlite3.connect = lambda *args, **kw: real(*args, **kw | {"factory": Watched})

    from tether.camera.process import CameraProcess

    for name in ("capture", "fetch"):
        points.around(CameraProcess, name)


def work(archive: Path, port: str, roll: str, frames: int, copy: str, *, judged: bool) -> None:
    """Go through a roll from wherever it stands to its end."""
    from tests.archive.bench_rig import ContentJudge
    from tether.archive.archive import Archive
    from tether.archive.records import NewRoll
    from tether.archive.second_copy import SecondCopy, choose_copy_folder
    from tether.camera.errors import CameraError
    from tether.camera.process import connect
    from tether.camera.protocol import Role
    from tether.film import FilmProcess
    from tether.session.judge import Judge
    from tether.session.next_step import NextKind
    from tether.session.session import Session
    from tether.settings import CameraLimits

    limits = CameraLimits(lost_event_seconds=0.6, second_file_seconds=0.6, quiet_seconds=0.1)
    opened = Archive(archive)
    store = opened.store
    if copy:
        opened.second_copy = SecondCopy(opened, choose_copy_folder(opened, Path(copy)))
        opened.second_copy.start()
    if not store.rolls.has(roll):
        store.rolls.add(NewRoll(roll, FilmProcess.BW_NEGATIVE, frames_expected=frames))
    failures = 0
    camera: Any = None
    session: Any = None
    judge = Judge() if judged else None
    while session is None:
        try:
            camera = camera or connect(port, limits)
            both = [c for c in camera.state().settings[Role.IMAGE_FORMAT].choices if "+" in c]
            camera.set(Role.IMAGE_FORMAT, both[0])
            session = Session(opened, store.rolls.named(roll), camera, judge or ContentJudge())
        except CameraError:
            failures += 1
            if failures > 6:
                raise
            if camera is not None:
                camera.close()
            camera = None
    for said in session.found:
        print("found:", said)
    while (place := session.next_step()).kind is not NextKind.DONE:
        if place.kind is NextKind.STEP:
            session.checklist.ask_less(True)
            session.confirm(place.step)
        elif place.kind is NextKind.DECIDE:
            session.keep()
        else:
            try:
                session.capture()
            except CameraError as error:
                print("failed:", error)
                failures += 1
                if failures > 12:
                    raise
                try:
                    session.reconnect()
                except CameraError as again:
                    print("failed again:", again)
    session.close()
    camera.close()
    if judge is not None:
        judge.close()
    if opened.second_copy is not None:
        print("copy:", opened.second_copy.finish().sentence())
    opened.close()


def run(plan: dict[str, Any]) -> None:
    """Do what a plan says, and print how many points were passed."""
    from tether.camera.errors import CameraError

    if plan["without"]:
        take_out(plan["without"])
    points = Points(plan["kill_at"], plan["cut"])
    watch(points)
    try:
        work(
            Path(plan["archive"]), plan["port"], plan["roll"], plan["frames"], plan["copy"],
            judged=plan["judged"],
        )  # fmt: skip
    except CameraError as error:
        print("gave up:", error)
    print("points:", points.passed)


def serve() -> None:
    """Read plans, a line each; do each in a process of its own; print its number, then its end.

    Everything is imported once: a run that is killed after a second would else spend half of it so.
    """
    for module in ("tests.archive.bench_rig", "tether.session.session", "tether.camera.process"):
        importlib.import_module(module)

    for line in sys.stdin:
        plan = json.loads(line)
        child = os.fork()
        if child == 0:
            output = os.open(plan["output"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            os.setsid()
            for stream, number in ((output, 1), (output, 2)):
                os.dup2(stream, number)
            status = 1
            try:
                run(plan)
                status = 0
            except BaseException:
                traceback.print_exc()
            finally:
                sys.stdout.flush()
                os._exit(status)
        print(child, flush=True)
        print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)


if __name__ == "__main__":
    serve()
