"""Kill the process in the middle of the work, go on, and compare with the camera's card."""

from __future__ import annotations

from pathlib import Path

from tests.archive.crash_trial import Trial


def test_killed_at_points_all_over_a_roll(tmp_path: Path) -> None:
    """About twenty kills; `crash_long.py` goes through every point."""
    trial = Trial(tmp_path, seed=5)
    try:
        # Strides that share no divisor with what repeats from frame to frame: each run dies in
        # another kind of step. Ever later points let each run come further than the last.
        points = iter([*range(3, 60, 7), *range(31, 180, 13)])
        for point in points:
            if trial.run("roll", 3, kill_at=point) >= 0:
                break
        trial.run("roll", 3)
        assert trial.kills >= 10
        assert trial.check("roll") == []
    finally:
        trial.close()


def test_killed_at_random_moments_while_the_camera_misbehaves(tmp_path: Path) -> None:
    trial = Trial(tmp_path, seed=11)
    try:
        for roll in ("first", "second"):
            trial.bench.install(trial.mishap(), trial.mishap())
            for _ in range(4):
                if trial.run(roll, 3, kill_after=trial.chance.uniform(0.6, 1.9)) >= 0:
                    break
            trial.bench.clear()
            trial.run(roll, 3)
            assert trial.check(roll) == []
        assert trial.kills > 0
    finally:
        trial.close()
