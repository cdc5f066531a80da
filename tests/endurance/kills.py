"""Kills at any moment: ``python -m tests.endurance.kills -n 2000``.

Rolls of three frames with raw and JPEG are worked through on the simulated camera over PTP/IP,
while its connection drops, answers are late, busy, lost or repeated, and files come short or late.
SIGKILL strikes the program (at a point that it passes: before or after a flush, a link, a rename, a
removal, a commit, a release or a transfer; or at a moment), the camera's driver, the judge, the
camera itself, or all of them at once. Most rolls have a copy folder, which is away in some runs.

After each end of the program nothing recorded may be missing or changed, no picture's name may
stand for other bytes, and no roll may count as copied that is not. Each roll is then finished and
compared with the card and its copies; no unfinished file of a dead program may be left. What went
wrong is kept in its folder. ``--place`` works on another disk, ``--without`` breaks the program on
purpose.
"""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path

from tests.endurance.results import add, options
from tests.endurance.runner import WITHOUT
from tests.endurance.trial import Run, Trial

FRAMES = 3
POINTS = 360
"""About as many points has a run of three frames."""
TARGETS = ("program", "point", "point", "driver", "judge", "camera", "all")
AFTER = ("driver", "driver", "judge", "judge", "camera", "program", "all")
MOST_RUNS = 6
ROLLS = 8
"""In one archive."""


class Roll:
    """A roll that is worked through and struck; its seed decides what happens."""

    def __init__(self, trial: Trial, seed: int) -> None:
        self.counts = dict.fromkeys(("kills", *sorted(set(TARGETS))), 0)
        self.trial = trial
        self.name = f"Harbour {seed}"
        chance = self.chance = trial.chance = random.Random(seed)
        trial.judged = True
        trial.copy = trial.base / "copy" if trial.without or chance.random() < 0.8 else None
        trial.camera_killed = False
        self.wrong: list[str] = []

    def work(self) -> None:
        """Work through the roll and check it."""
        before = self.trial.kills
        try:
            for _ in range(self.chance.choice((0, 1, 2))):
                self.trial.bench.install(self.trial.mishap())
            for _ in range(MOST_RUNS):
                if self._run():
                    break
            self.trial.bench.clear()
            self.trial.age_unfinished()
            self.trial.run(self.name, FRAMES)
            self.wrong += self.trial.check(self.name)
            self.wrong += [f"left for ever: {path}" for path in self.trial.unfinished()]
        except AssertionError as error:
            self.wrong.append(str(error)[-600:])
        self.counts["kills"] = self.trial.kills - before

    def _run(self) -> bool:
        """Run once and strike; tell whether the roll was finished."""
        away = self._take_copies_away()
        target = self.chance.choice(TARGETS)
        kill_at = self.chance.randint(1, POINTS) if target == "point" else 0
        run = self.trial.start(self.name, FRAMES, kill_at=kill_at)
        if kill_at:
            self.counts["point"] += 1
        else:
            self._strike(run, target)
        if away is not None:
            away.rename(away.with_name("copy"))
        done = self.trial.end(run) >= 0
        if not done and away is None:
            self.wrong += self.trial.check_claims(self.name)
        return done

    def _take_copies_away(self) -> Path | None:
        if self.trial.copy is None or not self.trial.copy.exists() or self.chance.random() < 0.8:
            return None
        return self.trial.copy.rename(self.trial.copy.with_name("copy.away"))

    def _strike(self, run: Run, target: str) -> None:
        for _ in range(6):  # the program survives what strikes the others
            if run.wait(self.chance.uniform(0.1, 1.4)):
                return
            workers = self._workers_with(run, target)
            if target in workers:
                self._kill(target, workers[target])
                self.trial.kills += 1
            elif target in ("camera", "all"):
                if target == "all":
                    for pid in workers.values():
                        self._kill("all", pid)
                        self.trial.kills += 1
                    self._kill("all", run.pid)
                self.counts["camera"] += 1
                self.trial.kill_camera()
            elif target == "program":
                self._kill(target, run.pid)
            if run.wait(0):
                return
            target = self.chance.choice(AFTER)

    def _workers_with(self, run: Run, target: str) -> dict[str, int]:
        """Return a run's workers, once the one that is to be struck is there."""
        workers = self.trial.workers(run)
        if target in ("driver", "judge"):
            for _ in range(100):
                if target in workers or run.wait(0.05):
                    break
                workers = self.trial.workers(run)
        return workers

    def _kill(self, target: str, pid: int) -> None:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
            self.counts[target] += 1


def main() -> int:
    parser = options(__doc__ or "", 2000)
    parser.add_argument("--place", type=Path, help="folder to work in")
    parser.add_argument("--name", default="kills", help="the run's name in the results")
    parser.add_argument("--without", default="", choices=("", *WITHOUT))
    asked = parser.parse_args()
    counts: dict[str, int] = {}
    wrong: dict[str, list[str]] = {}
    seed, began = asked.seed, time.monotonic()
    while counts.get("kills", 0) < asked.trials:
        base = Path(tempfile.mkdtemp(prefix="kills-", dir=asked.place))
        trial = Trial(base, seed, without=asked.without)
        try:
            for _ in range(ROLLS):
                roll = Roll(trial, seed)
                roll.work()
                for what, number in roll.counts.items():
                    counts[what] = counts.get(what, 0) + number
                if roll.wrong:
                    wrong[str(seed)] = roll.wrong
                    print(seed, roll.wrong, flush=True)
                seed += 1
                if roll.wrong or counts["kills"] >= asked.trials:
                    break
        finally:
            trial.close()
        counts["camera faults"] = counts.get("camera faults", 0) + trial.faults
        if not roll.wrong or asked.without:
            shutil.rmtree(base)
    print(f"{time.monotonic() - began:.0f} s")
    return add(asked.out, asked.name, (asked.seed, seed - 1), counts, wrong, without=asked.without)


if __name__ == "__main__":
    sys.exit(main())
