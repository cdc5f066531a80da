"""Power cuts: ``python -m tests.endurance.power_cuts -n 500`` (as root, Linux).

Archive and copy folder lie on two ext4 disks in files, with one of four kinds of journal. Rolls of
three frames are worked through on the simulated camera over PTP/IP. Both disks lose their power at
a point that the program passes (before or after a flush, a link, a rename, a removal, a commit, a
release or a transfer), or at a moment: what had not reached them is lost (EXT4_IOC_SHUTDOWN without
a flush of the journal), the program is killed, and the disks are mounted again.

Then every recorded file has to be there with its bytes, the database sound, every file under a
picture's name a picture of the card, and a recorded file without a right copy has to belong to a
roll that is still to be copied. The roll is finished and compared with the card, file by file, and
so are its copies. ``--without`` leaves flushes out, or the note that a copy is owed: that has to be
found.
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

from tests.endurance.power import JOURNALS, Disk, can_mount, cut_power
from tests.endurance.results import add, options
from tests.endurance.runner import WITHOUT
from tests.endurance.trial import MOST_SECONDS, Trial

FRAMES = 3
POINTS = 300
"""A run of three frames with copies has about 420 points."""
CUTS = 7
"""At most so many for a roll."""
ROLLS = 6
"""On the same two disks."""


class Roll:
    """A roll that is worked through while the power goes; its seed decides what happens."""

    def __init__(self, trial: Trial, disks: tuple[Disk, Disk], seed: int) -> None:
        self.trial = trial
        self.disks = disks
        self.name = f"Harbour {seed}"
        self.cuts = 0
        self.chance = trial.chance = random.Random(seed)
        self.wrong: list[str] = []

    def work(self) -> None:
        """Work through the roll and check it."""
        try:
            for _ in range(self.chance.randint(CUTS // 2, CUTS)):
                if self._run():
                    break
            if not self.wrong:
                self.trial.run(self.name, FRAMES)
                self.wrong += self.trial.check(self.name)
        except (AssertionError, OSError) as error:
            self.wrong.append(str(error)[-600:])

    def _run(self) -> bool:
        """Run once and cut the power; tell whether the roll was finished."""
        places = tuple(disk.place for disk in self.disks)
        if self.chance.random() < 0.6:
            at = self.chance.randint(1, POINTS)
            run = self.trial.start(self.name, FRAMES, kill_at=at, cut=places)
            run.wait(MOST_SECONDS)
        else:
            run = self.trial.start(self.name, FRAMES)
            if not run.wait(self.chance.uniform(0.2, 2.0)):
                for place in places:
                    cut_power(place)
                with contextlib.suppress(ProcessLookupError):
                    os.kill(run.pid, signal.SIGKILL)
                run.wait(MOST_SECONDS)
                run.code = -signal.SIGKILL  # it may have ended of the disk's errors
        if run.code == 0:
            self.trial.end(run)
            return True
        self.cuts += 1
        for disk in self.disks:
            disk.after_cut()
        self.wrong += self.trial.check_claims(self.name)
        return False


def on_disks(base: Path, seed: int, journal: str, without: str) -> tuple[Trial, tuple[Disk, Disk]]:
    """Return a trial whose archive and copies are on fresh disks."""
    archive, copy = (Disk(base / f"{x}.img", base / x, journal) for x in ("archive", "copy"))
    for disk in (archive, copy):
        disk.make()
    trial = Trial(base, seed, archive.place / "archive", copy=copy.place / "copy", without=without)
    return trial, (archive, copy)


def main() -> int:
    parser = options(__doc__ or "", 500)
    parser.add_argument("--without", default="", choices=("", *WITHOUT))
    parser.add_argument("--journal", default="", choices=("", *JOURNALS))
    asked = parser.parse_args()
    began = time.monotonic()
    counts = dict.fromkeys(("cuts", "rolls", *JOURNALS), 0)
    wrong: dict[str, list[str]] = {}
    seed = asked.seed
    with tempfile.TemporaryDirectory(prefix="power-") as folder:
        if why := can_mount(Path(folder)):
            print(f"left out: {why}")
            return 0
        while counts["cuts"] < asked.trials:
            journal = asked.journal or list(JOURNALS)[seed // ROLLS % len(JOURNALS)]
            base = Path(folder) / f"{seed}"
            base.mkdir()
            trial, disks = on_disks(base, seed, journal, asked.without)
            try:
                for _ in range(ROLLS):
                    roll = Roll(trial, disks, seed)
                    roll.work()
                    seed += 1
                    counts["cuts"] += roll.cuts
                    counts[journal] += roll.cuts
                    counts["rolls"] += 1
                    if roll.wrong:
                        wrong[str(seed - 1)] = [journal, *roll.wrong]
                        print(seed - 1, journal, roll.wrong, flush=True)
                        break
                    if counts["cuts"] >= asked.trials:
                        break
            finally:
                trial.close()
                for disk in disks:
                    disk.unmount()
            shutil.rmtree(base)
    print(f"{time.monotonic() - began:.0f} s")
    seeds = asked.seed, seed - 1
    return add(asked.out, "power cuts", seeds, counts, wrong, without=asked.without)


if __name__ == "__main__":
    sys.exit(main())
