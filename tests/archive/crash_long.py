"""The long crash test: ``python tests/archive/crash_long.py [RANDOM_KILLS]``; takes a quarter hour.

First a roll is killed at its first point and finished, another at its second, and so on through
every point that a roll of two frames passes. Then rolls of four frames are killed at random moments
while the camera and its connection misbehave. After each roll everything is compared with the
card. Prints what docs/evidence/storage.md quotes; exit code 1 when anything is wrong.
"""

from __future__ import annotations

import itertools
import shutil
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.archive.crash_trial import Trial

LATEST = 2.6
"""Seconds after which a run is killed at the latest; a roll of four frames takes about three."""


def every_point(trial: Trial) -> tuple[int, list[str]]:
    """Kill one roll at each point; return how many points there are, and what went wrong."""
    wrong: list[str] = []
    for point in itertools.count(1):
        roll = f"point {point}"
        passed = trial.run(roll, 2, kill_at=point)
        if passed < 0:
            trial.run(roll, 2)
        found = trial.check(roll)
        wrong += [f"{roll}: {w}" for w in found]
        if found or point % 20 == 0:
            print(roll, found or "sound", flush=True)
        if passed >= 0:
            return point - 1, wrong
    raise AssertionError


def random_moments(trial: Trial, kills: int) -> tuple[int, list[str]]:
    """Kill rolls at random moments; return how many rolls it were, and what went wrong."""
    wrong: list[str] = []
    until = trial.kills + kills
    for number in itertools.count(1):
        if trial.kills >= until:
            return number - 1, wrong
        roll = f"moment {number}"
        trial.bench.install(trial.mishap())
        for _ in range(6):
            after = trial.chance.uniform(0.4, LATEST)
            if trial.run(roll, 4, kill_after=after) >= 0:
                break
            if trial.chance.random() < 0.3:
                trial.bench.install(trial.mishap())
        trial.bench.clear()
        trial.run(roll, 4)
        found = trial.check(roll)
        wrong += [f"{roll}: {w}" for w in found]
        print(roll, trial.kills, "kills,", found or "sound", flush=True)
    raise AssertionError


def main() -> int:
    """Run both parts, and print the outcome."""
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 150
    base = Path(tempfile.mkdtemp(prefix="crash-long-"))
    trial = Trial(base)
    try:
        points, wrong = every_point(trial)
        rolls, more = random_moments(trial, kills)
        struck = len(trial.bench.struck())
    finally:
        trial.close()
    wrong += more
    print(
        f"{points} points and {rolls} rolls at random moments: {trial.kills} kills in {trial.runs} "
        f"runs, {struck} faults of the camera struck; {len(wrong)} things wrong"
    )
    if wrong:
        print(*wrong, sep="\n")
        print("kept:", base)
        return 1
    shutil.rmtree(base)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
