"""A light that moves along a roll is told from its trend, and a steady one never."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tether.measure.roll.drift import (
    MOST_ROWS,
    FrameRecord,
    Rows,
    base_levels,
    light_drift,
    rows_of,
    sharpness_of,
    with_row,
)
from tether.measure.roll.memory import RollMemory
from tether.settings import LightSettings

SETTINGS = (1 / 15, 100.0, 8.0)
NOISE = 0.03
"""Stops by which the base of a steady bench differs from frame to frame; the simulated bench has
a sixth of it (docs/evidence/detectors.md)."""


def rows(levels: list[float], **columns: list[float]) -> Rows:
    """A roll whose base lies at these levels, frame by frame."""
    made: Rows | None = None
    for i, level in enumerate(levels):
        extra = {name: values[i] for name, values in columns.items()}
        made = with_row(made, FrameRecord(i + 1, i + 1, SETTINGS, level, **extra))
    assert made is not None
    return made


def codes(found: Rows, since: int = 0) -> list[str]:
    return [f.code for f in light_drift(found, since)]


def noisy(seed: int, count: int = 36) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, NOISE, count)


@pytest.mark.parametrize("way", [-1, 1])
def test_a_light_that_creeps_is_said_at_its_third_frame_and_since_when(way: int) -> None:
    # Steady up to frame 3, then a twentieth of a stop a frame.
    levels = [-0.5 + way * 0.05 * max(0, n - 3) for n in range(1, 16)]
    said = [light_drift(rows(levels[:end])) for end in range(1, 16)]
    first = next(i for i, found in enumerate(said) if found)
    assert first + 1 == 6
    (finding,) = said[first]
    assert finding.code == "light-drift"
    assert finding.severity == "note"
    assert finding.value is not None
    assert finding.value == pytest.approx(0.15 * way)
    assert ("fallen" if way < 0 else "risen") in finding.text
    assert all(said[first:])
    # All of it is said, against the first frame after the light test, as the two bases differ.
    for end, found in list(enumerate(said, 1))[first:]:
        assert found[0].text.endswith("since frame 1.")
        assert found[0].value == pytest.approx(levels[end - 1] - levels[0], abs=1e-3)


def test_an_odd_first_frame_is_not_what_the_others_are_held_against() -> None:
    (finding,) = light_drift(rows([-1.2] + [-0.5] * 7 + [-0.8] * 3))
    assert finding.text.endswith("since frame 2.")
    assert finding.value == pytest.approx(-0.3)


def test_a_fall_too_slow_to_show_from_frame_to_frame_is_said_from_a_fifth_of_a_stop_on() -> None:
    levels = [-0.5 - 0.02 * max(0, n - 4) for n in range(1, 22)]
    said = [light_drift(rows(levels[:end])) for end in range(1, 22)]
    first = next(i for i, found in enumerate(said) if found)
    # Of the last three frames the first is the eleventh of the fall, 0.22 stops down.
    assert first + 1 == 17
    assert all(said[first:])


def test_flashes_that_fall_by_chance_are_no_trend() -> None:
    made = rows([-0.5] * 6 + [-0.55, -0.6, -0.65])
    assert codes(made) == ["light-drift"]
    assert light_drift(made, 0, LightSettings(kind="strobe")) == []


def test_a_steady_bench_is_never_blamed() -> None:
    for seed in range(100):
        red, blue = noisy(seed + 1000) / 3, noisy(seed + 2000) / 3
        made = rows(list(-0.5 + noisy(seed)), red=list(red), blue=list(blue))
        assert all(codes(made[:end]) == [] for end in range(1, 37)), seed


def test_a_slow_fall_over_the_whole_roll_is_found_in_its_noise() -> None:
    for seed in range(20):
        falling = -0.5 + noisy(seed) - np.linspace(0, 0.5, 36)
        assert codes(rows(list(falling))) == ["light-drift"], seed


def test_one_odd_frame_is_no_trend() -> None:
    levels = [-0.5] * 12
    levels[10] = -1.4
    made = rows(levels)
    assert all(codes(made[:end]) == [] for end in range(1, 13))


def test_a_step_is_told_after_three_frames() -> None:
    levels = [-0.5] * 8 + [-0.8] * 3
    made = rows(levels)
    assert codes(made[:10]) == []
    (finding,) = light_drift(made)
    assert finding.text.endswith("since frame 1.")
    assert finding.value == pytest.approx(-0.3)


def test_other_settings_of_the_camera_are_not_compared() -> None:
    made: Rows | None = None
    for n in range(12):
        settings = SETTINGS if n < 6 else (1 / 8, 100.0, 8.0)
        made = with_row(made, FrameRecord(n + 1, n + 1, settings, -0.5 if n < 6 else -0.1))
    assert made is not None
    assert codes(made) == []


def test_after_a_light_test_the_count_begins_anew() -> None:
    made = rows([-0.5] * 8 + [-0.9] * 8)
    assert codes(made) == ["light-drift"]
    assert codes(made, since=8) == []
    assert codes(made, since=16) == []


def test_frames_without_a_rebate_say_nothing_and_do_not_hide_the_rest() -> None:
    levels = [-0.5, math.nan] * 4 + [-0.9, math.nan] * 3
    made = rows(levels)
    assert codes(made) == []
    assert codes(made[:-1]) == ["light-drift"]


def test_a_lamp_that_changes_colour() -> None:
    # Warmer: more red, less blue, the same green.
    red = [0.02 * max(0, n - 4) for n in range(12)]
    made = rows([-0.5] * 12, red=red, blue=[-r for r in red])
    (finding,) = light_drift(made)
    assert finding.code == "lamp-colour-drift"
    assert "warmer" in finding.text
    colder = rows([-0.5] * 12, red=[-r for r in red], blue=red)
    assert "colder" in light_drift(colder)[0].text
    # A sensor without colours cannot tell.
    assert codes(rows([-0.5] * 12, red=red)) == []


def test_the_limits_are_settings() -> None:
    made = rows([-0.5] * 6 + [-0.65] * 3)
    assert light_drift(made, 0, LightSettings(drift_ev=0.1))
    assert not light_drift(made, 0, LightSettings(drift_ev=0.2))


def test_levels_of_a_base_per_colour() -> None:
    level, red, blue = base_levels({"R": 0.25, "G1": 0.5, "B": 0.125, "G2": 0.5})
    assert (level, red, blue) == pytest.approx((-1, -1, -2))
    level, red, blue = base_levels({"Y": 0.5})
    assert level == -1
    assert math.isnan(red)
    assert math.isnan(blue)


def test_a_frame_taken_again_takes_the_place_of_its_row() -> None:
    made = rows([-0.5, -0.4, -0.3])
    again = with_row(made, FrameRecord(4, 2, SETTINGS, -0.7))
    assert again[:, 1].tolist() == [1, 3, 2]
    assert again[-1, 0] == 4
    long: Rows | None = None
    for n in range(MOST_ROWS + 5):
        long = with_row(long, FrameRecord(n + 1, n + 1, SETTINGS, -0.5))
    assert long is not None
    assert len(long) == MOST_ROWS


def test_sharpness_is_compared_at_one_aperture() -> None:
    made: Rows | None = None
    for n, f_number in enumerate((8.0, 8.0, 5.6, None, 8.0)):
        made = with_row(made, FrameRecord(n + 1, n + 1, (0.1, 100.0, f_number), sharpness=float(n)))
    assert made is not None
    assert sharpness_of(made) == [0, 1, 4]
    assert sharpness_of(made[:4]) == [3]


def test_they_survive_the_store_and_nothing_else_does() -> None:
    made = rows([-0.5, math.nan, -0.4])
    back = RollMemory.from_bytes(RollMemory(records=made).to_bytes()).records
    assert back is not None
    np.testing.assert_array_equal(back, made)
    assert rows_of(made.astype(np.float32)) is None
    assert rows_of(made[:, :4]) is None
    assert rows_of(made[:0]) is None
    assert rows_of(None) is None
    broken = made.copy()
    broken[0, 5] = math.inf
    assert rows_of(broken) is None
    broken[0, 5], broken[0, 0] = 0, math.nan
    assert rows_of(broken) is None
