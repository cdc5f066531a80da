# ruff: noqa: PLR0912
"""Works through a roll, and is killed (SIGKILL) at the n-th of the points that are counted here.

Run in a process of its own by the crash tests: ``python crash_runner.py '{"archive": ...}'``.
A point lies before and after each flush, link, rename, removal and commit, and around each
release and transfer. Nothing of this is known to the program under test.
"""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any


class Points:
    """Counts points, and ends the process at one of them."""

    def __init__(self, deadly: int) -> None:
        self.deadly = deadly
        self.passed = 0

    def here(self) -> None:
        self.passed += 1
        if self.passed == self.deadly:
            os.kill(os.getpid(), signal.SIGKILL)

    def around(self, owner: Any, name: str) -> None:
        real: Callable[..., Any] = getattr(owner, name)

        def counted(*args: Any, **kw: Any) -> Any:
            self.here()
            result = real(*args, **kw)
            self.here()
            return result

        setattr(owner, name, counted)


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


def work(archive: Path, port: str, roll: str, frames: int) -> None:
    """Go through a roll from wherever it stands to its end."""
    from tests.archive.bench_rig import ContentJudge
    from tether.archive.archive import Archive
    from tether.archive.records import NewRoll
    from tether.camera.errors import CameraError
    from tether.camera.process import connect
    from tether.camera.protocol import Role
    from tether.film import FilmProcess
    from tether.session.next_step import NextKind
    from tether.session.session import Session
    from tether.settings import CameraLimits

    limits = CameraLimits(lost_event_seconds=0.6, second_file_seconds=0.6, quiet_seconds=0.1)
    opened = Archive(archive)
    store = opened.store
    if not store.rolls.has(roll):
        store.rolls.add(NewRoll(roll, FilmProcess.BW_NEGATIVE, frames_expected=frames))
    failures = 0
    camera: Any = None
    session: Any = None
    while session is None:
        try:
            camera = camera or connect(port, limits)
            both = [c for c in camera.state().settings[Role.IMAGE_FORMAT].choices if "+" in c]
            camera.set(Role.IMAGE_FORMAT, both[0])
            session = Session(opened, store.rolls.named(roll), camera, ContentJudge())
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
    opened.close()


def main() -> None:
    """Read what to do from the command line, do it, and print how many points were passed."""
    plan = json.loads(sys.argv[1])
    points = Points(int(plan.get("kill_at", 0)))
    watch(points)
    work(Path(plan["archive"]), plan["port"], plan["roll"], plan["frames"])
    print("points:", points.passed)


if __name__ == "__main__":
    main()
