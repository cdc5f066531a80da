"""One crash trial: a bench that outlives the kills, runs that are killed, and the check after."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import threading
from dataclasses import dataclass, field
from pathlib import Path

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

ROOT = Path(__file__).parents[2]
SMALL = SensorConfig(width=192, height=128)
MOST_SECONDS = 120


@dataclass
class Trial:
    """A bench with a card on disk, an archive, and how often a run was killed."""

    base: Path
    seed: int = 1
    kills: int = 0
    runs: int = 0
    output: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.archive = self.base / "archive"
        self.chance = random.Random(self.seed)
        home = self.base / "home"
        home.mkdir(parents=True, exist_ok=True)
        self.environment = os.environ | {
            "HOME": str(home),
            "XDG_CONFIG_HOME": str(home),
            "PYTHONPATH": str(ROOT),
        }
        config = BenchConfig(frames=6, frames_per_strip=6, sensor=SMALL, seed=self.seed)
        self.bench = BenchProcess.start(config, card=self.base / "card")
        self.seen = 0

    def close(self) -> None:
        self.bench.close()

    def run(self, roll: str, frames: int, *, kill_at: int = 0, kill_after: float = 0.0) -> int:
        """Run once; return the points it passed, or -1 when it was killed."""
        plan = {
            "archive": str(self.archive),
            "port": self.bench.port_name,
            "roll": roll,
            "frames": frames,
            "kill_at": kill_at,
        }
        process = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("crash_runner.py")), json.dumps(plan)],
            env=self.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self.runs += 1
        bell = threading.Timer(kill_after or MOST_SECONDS, process.kill)
        bell.start()
        try:
            said, _ = process.communicate()
        finally:
            bell.cancel()
        self.output.append(said)
        if process.returncode == -9:
            self.kills += 1
            return -1
        assert process.returncode == 0, said
        return int(said.rpartition("points:")[2])

    def check(self, roll: str) -> list[str]:
        """Return what is wrong with a finished roll."""
        opened = Archive(self.archive)
        try:
            pictures = card_pictures(self.base / "card")
            fresh, self.seen = pictures[self.seen :], len(pictures)
            wrong = problems(opened, roll) + against_card(
                opened, roll, fresh, news_lost=bool(self.bench.struck())
            )
            if not all(whole for _, _, whole in fresh):
                # A picture that is cut short on the card itself is asked for at some more starts.
                wrong = [w for w in wrong if w != "left open: fetch"]
            return wrong
        finally:
            opened.close()

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
