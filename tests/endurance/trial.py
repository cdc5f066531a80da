"""One trial: a bench that outlives the runs, runs that are struck, and the checks after."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import random
import select
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from tether_simulator.bench import BenchConfig
from tether_simulator.faults import (
    DropConnection,
    DuplicateEvent,
    Fault,
    LateSecondFile,
    LostEvent,
    Refuse,
    SameName,
    Slow,
    Truncated,
)
from tether_simulator.imaging.sensor import SensorConfig
from tether_simulator.ptp import Operation
from tether_simulator.server import BenchProcess

from tests.archive.bench_rig import against_card, card_pictures, problems
from tether.archive.archive import Archive
from tether.archive.durable import is_same, matches
from tether.disk import DEAD_AFTER_SECONDS

ROOT = Path(__file__).parents[2]
SMALL = SensorConfig(width=192, height=128)
MOST_SECONDS = 120


class Run:
    """A process at work on a roll."""

    def __init__(self, news: IO[bytes]) -> None:
        self._news = news
        self.pid = int(news.readline())
        self.code: int | None = None

    def wait(self, seconds: float) -> bool:
        """Wait for its end, at most so long; return whether it has come."""
        if self.code is None and select.select([self._news], [], [], seconds)[0]:
            self.code = int(self._news.readline())
        return self.code is not None


class Runner:
    """What starts the runs, see `tests.endurance.runner`."""

    def __init__(self, environment: dict[str, str]) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-u", "-m", "tests.endurance.runner"],
            env=environment,
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,
        )

    def start(self, plan: dict[str, object]) -> Run:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(plan).encode() + b"\n")
        return Run(self._process.stdout)

    def close(self) -> None:
        self._process.kill()
        self._process.communicate()


@dataclass
class Trial:
    """A bench with a card on disk, an archive, and how often a run was killed.

    ``copy`` is the copy folder, None for none; ``judged`` has a judge in a process of its own;
    ``without`` is what is taken out of the program, see `tests.endurance.runner`.
    """

    base: Path
    seed: int = 1
    archive: Path = Path()
    copy: Path | None = None
    judged: bool = False
    without: str = ""
    kills: int = 0
    runs: int = 0
    faults: int = 0
    camera_killed: bool = False
    output: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        if self.archive == Path():
            self.archive = self.base / "archive"
        self.chance = random.Random(self.seed)
        home = self.base / "home"
        home.mkdir(parents=True, exist_ok=True)
        self.environment = os.environ | {
            "HOME": str(home),
            "XDG_CONFIG_HOME": str(home),
            "PYTHONPATH": str(ROOT),
        }
        self.config = BenchConfig(frames=6, frames_per_strip=6, sensor=SMALL, seed=self.seed)
        self.bench = BenchProcess.start(self.config, card=self.base / "card")
        self.seen = 0
        self._runner = Runner(self.environment)

    def close(self) -> None:
        self.bench.close()
        self._runner.close()

    def start(self, roll: str, frames: int, *, kill_at: int = 0, cut: tuple[Path, ...] = ()) -> Run:
        """Start a run; with ``kill_at`` it strikes itself at that point."""
        self.runs += 1
        return self._runner.start(
            {
                "archive": str(self.archive),
                "port": self.bench.port_name,
                "roll": roll,
                "frames": frames,
                "kill_at": kill_at,
                "cut": [str(disk) for disk in cut],
                "copy": str(self.copy or ""),
                "judged": self.judged,
                "without": self.without,
                "output": str(self.base / "output"),
            }
        )

    def end(self, run: Run) -> int:
        """Wait for a run's end; return the points it passed, or -1 when it was killed."""
        if not run.wait(MOST_SECONDS):
            os.kill(run.pid, signal.SIGABRT)
            raise AssertionError(f"no end: {(self.base / 'output').read_text()}")
        self.output.append(said := (self.base / "output").read_text())
        if run.code == -signal.SIGKILL:
            self.kills += 1
            return -1
        assert run.code == 0, said
        assert "Traceback" not in said, said
        return int(said.rpartition("points:")[2])

    def run(self, roll: str, frames: int, *, kill_at: int = 0, kill_after: float = 0.0) -> int:
        """Run once; return the points it passed, or -1 when it was killed."""
        run = self.start(roll, frames, kill_at=kill_at)
        if kill_after and not run.wait(kill_after):
            os.kill(run.pid, signal.SIGKILL)
        return self.end(run)

    def workers(self, run: Run) -> dict[str, int]:
        """Return the numbers of a run's worker processes: "driver" and "judge"."""
        found = {}
        with contextlib.suppress(OSError):
            threads = Path(f"/proc/{run.pid}/task").glob("*/children")
            for pid in " ".join(thread.read_text() for thread in threads).split():
                with contextlib.suppress(OSError):
                    libraries = Path(f"/proc/{pid}/maps").read_text()
                    if "libgphoto2" in libraries:
                        found["driver"] = int(pid)
                    elif "rawpy" in libraries:
                        found["judge"] = int(pid)
        return found

    def kill_camera(self) -> None:
        """Let the camera lose its power, and switch it on again; its card stays."""
        self.faults += len(self.bench.struck())
        port = int(self.bench.port_name.rpartition(":")[2])
        self.bench.kill()
        self.camera_killed = True
        self.kills += 1
        self.bench = BenchProcess.start(self.config, card=self.base / "card", port=port)

    def check(self, roll: str) -> list[str]:
        """Return what is wrong with a finished roll, and with its copies."""
        struck = len(self.bench.struck())
        self.faults += struck
        with contextlib.closing(Archive(self.archive)) as opened:
            pictures = card_pictures(self.base / "card")
            fresh, self.seen = pictures[self.seen :], len(pictures)
            wrong = problems(opened, roll) + against_card(
                opened, roll, fresh, news_lost=bool(struck) or self.camera_killed
            )
            if not all(whole for _, _, whole in fresh):
                # A picture that is cut short on the card itself is asked for at some more starts.
                wrong = [w for w in wrong if w != "left open: fetch"]
            if self.copy is not None:
                wrong += self._check_copies(opened, roll)
        return wrong

    def _check_copies(self, opened: Archive, roll_name: str) -> list[str]:
        """Return which copies of a finished roll are not there, or not as they should be."""
        assert self.copy is not None
        sentence = self.output[-1].partition("copy: ")[2].partition("\n")[0]
        if not sentence.startswith("Everything is copied to"):
            return [f"it was said of the copies: {sentence}"]
        roll = opened.store.rolls.named(roll_name)
        source, target = opened.folder(roll), self.copy / roll.folder
        wrong = []
        for inside in opened.derived_files(roll):
            try:
                if not is_same(source / inside, (source / inside).stat(), target / inside):
                    wrong.append(f"untrue: {inside} has no copy like it")
            except OSError:
                wrong.append(f"untrue: {inside} has no copy")
        for name, size, sha256 in opened.store.frames.recorded(roll.id):
            if not matches(target / name, size, sha256):
                wrong.append(f"untrue: {name} has no right copy")
        return wrong

    def check_claims(self, roll_name: str) -> list[str]:
        """Return what the archive says after a strike that is not so: nothing may be lost by now.

        Every recorded file is there with its bytes, every file with a picture's name holds a
        picture of the card, and a recorded file without a right copy belongs to a roll that is
        still to be copied.
        """
        if not (self.archive / "tether.sqlite3").is_file():
            return []
        on_card = {sha for sha, _, _ in card_pictures(self.base / "card")}
        wrong: list[str] = []
        with contextlib.closing(Archive(self.archive)) as opened:
            wrong += opened.store.damage()
            for roll in (r for r in opened.store.rolls.all() if r.name == roll_name):
                behind = opened.store.journal.is_behind(roll.id)
                folder = opened.folder(roll)
                for name, size, sha256 in opened.store.frames.recorded(roll.id):
                    if not matches(folder / name, size, sha256):
                        wrong.append(f"lost: {name}")
                    copy = self.copy / roll.folder / name if self.copy else None
                    if copy is not None and not behind and not matches(copy, size, sha256):
                        wrong.append(f"untrue: {name} is not copied, and not to be copied")
                    if copy is not None and copy.exists() and not matches(copy, size, sha256):
                        wrong.append(f"{name} has a wrong copy under its name")
                for path in folder.glob("*_t*.*") if folder.is_dir() else ():
                    if hashlib.sha256(path.read_bytes()).hexdigest() not in on_card:
                        wrong.append(f"{path.name} has other bytes than any picture of the card")
        return wrong

    def unfinished(self) -> list[Path]:
        """Return the unfinished files of dead programs, in archive and copy folder."""
        return [
            path
            for root in (self.archive, self.copy)
            if root is not None and root.is_dir()
            for pattern in (".new-*", ".copy-*.part")
            for path in root.rglob(pattern)
        ]

    def age_unfinished(self) -> None:
        """Let so much time pass that what is unfinished counts as a dead program's."""
        then = time.time() - 2 * DEAD_AFTER_SECONDS
        for path in self.unfinished():
            os.utime(path, (then, then))

    def mishap(self) -> Fault:
        """Choose something that goes wrong with the camera or on the way to it."""
        nth = self.chance.randint(1, 4)
        return self.chance.choice(
            [
                DropConnection(nth=self.chance.randint(1, 120)),
                DropConnection(code=Operation.GET_OBJECT, nth=nth, after=9000),
                Truncated(nth=nth, keep=1000),
                Refuse(code=Operation.INITIATE_CAPTURE, nth=nth),
                LostEvent(nth=nth),
                Slow(code=Operation.GET_OBJECT, nth=nth, seconds=0.3),
                DuplicateEvent(nth=nth),
                LateSecondFile(nth=nth, seconds=1.0),
                SameName(nth=nth),
            ]
        )
