"""An archive with a roll, and a camera without a cable in front of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.archive.bench_rig import ContentJudge
from tests.archive.inprocess_rig import SteadyCamera, body_on
from tether.archive.archive import Archive
from tether.archive.records import NewRoll
from tether.clock import Clock, system_clock
from tether.film import FilmProcess
from tether.session.next_step import NextKind
from tether.session.session import Session
from tether.settings import Settings, StorageSettings

#: The pictures here are some thousand bytes, and so is what is kept free for them.
SMALL = Settings(storage=StorageSettings(spare_bytes=0.0, raw_bytes=3000.0))


class Desk:
    """A folder with an archive, a camera, and a session on one roll at a time."""

    def __init__(self, base: Path) -> None:
        self.base = base
        self.root = base / "archive"
        self.card = base / "card"
        self.body = body_on(self.card)
        self.camera = SteadyCamera(self.body)
        self._opened: list[Archive | Session] = []

    def archive(self, *, create: bool = True, clock: Clock = system_clock) -> Archive:
        made = Archive(self.root, create=create, clock=clock)
        self._opened.append(made)
        return made

    def session(
        self, name: str = "Harbour", frames: int = 3, archive: Archive | None = None
    ) -> Session:
        archive = archive or self.archive()
        if not archive.store.rolls.has(name):
            archive.store.rolls.add(NewRoll(name, FilmProcess.BW_NEGATIVE, frames_expected=frames))
        self.camera.reconnect()
        made = Session(archive, archive.store.rolls.named(name), self.camera, ContentJudge(), SMALL)
        self._opened.append(made)
        return made

    def work(self, session: Session, keep: int = 99) -> None:
        """Go on until ``keep`` frames were kept or the roll is complete."""
        while keep and (place := session.next_step()).kind is not NextKind.DONE:
            if place.kind is NextKind.STEP:
                session.confirm()
            elif place.kind is NextKind.SHOOT:
                session.capture()
            else:
                session.keep()
                keep -= 1

    def made_roll(self, name: str = "Harbour", frames: int = 3) -> None:
        """Work through a roll and close everything."""
        self.work(self.session(name, frames))
        self.close()

    def close(self) -> None:
        for each in reversed(self._opened):
            each.close()
        self._opened.clear()


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    made = Desk(tmp_path)
    yield made
    made.close()
    made.body.close()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Callable[[str], Path]]:
    """Mount a disk of some size in memory; skips where mounting is not allowed."""
    import subprocess

    mounted: list[Path] = []

    def mount(options: str) -> Path:
        place = tmp_path / f"disk{len(mounted)}"
        place.mkdir()
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(place)],
            capture_output=True,
            check=False,
        )
        if done.returncode:
            pytest.skip("disks cannot be mounted here")
        mounted.append(place)
        return place

    yield mount
    for place in mounted:
        subprocess.run(["umount", "-l", str(place)], check=False)
