"""The open gate against the light that was made, ISO 12232, and Planck's law."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from tether_simulator.imaging import lamp
from tether_simulator.imaging.lamp import LampConfig

from tests.measure.on_bench import SensorConfig, open_gate, plain
from tether.findings import Finding
from tether.measure.light.flat import age_hours, flat_of, grid_of, judge_flat, spread
from tether.measure.light.open_gate import (
    METERED_FIELD_EV,
    Light,
    balance_off_ev,
    judge_light,
    judge_stray_light,
    lamp_changed,
    measure_light,
    stray_share,
)
from tether.measure.survey import survey
from tether.raw import Mosaic

SMALL = SensorConfig(960, 640)


def light_of(mosaic: Mosaic) -> Light:
    return measure_light(mosaic, survey(mosaic))


def codes(findings: list[Finding]) -> list[str]:
    return [f.code for f in findings]


def test_a_metered_field_is_grey() -> None:
    # ISO 12232: saturation-based speed S = 78 / H_sat; arithmetic-mean exposure H = 10 / S
    # (constants from memory): a metered field lies log2(7.8) = 2.96 stops under saturation.
    level = METERED_FIELD_EV
    assert level == pytest.approx(-2.963, abs=0.001)
    metered = light_of(plain(np.full((640, 960), 1 / 7.8)))
    assert metered.mean_ev == pytest.approx(METERED_FIELD_EV, abs=0.01)
    assert "light-metered" in codes(judge_light(metered))


def test_evenness_is_the_darkest_over_the_lightest_part() -> None:
    x = np.linspace(1.0, 0.8, 960)
    seen = light_of(plain(np.tile(0.5 * x, (640, 1))))
    # The outermost cells' middles lie half of 1/24 of the width inside.
    lightest, darkest = (float(np.interp(at, [0, 1], [1.0, 0.8])) for at in (1 / 48, 47 / 48))
    assert seen.evenness_percent == pytest.approx(100 * (1 - darkest / lightest), abs=0.1)
    assert seen.evenness_ev == pytest.approx(math.log2(lightest / darkest), abs=0.002)
    assert "right" in seen.darkest
    assert "left" in seen.lightest


def test_the_lamps_gradient_on_the_bench() -> None:
    even = light_of(open_gate(sensor=SMALL))
    uneven = light_of(open_gate("lamp-uneven", sensor=SMALL))
    # The mishap moves the light by 0.2 from the middle to either edge of the view.
    assert 1 - uneven.evenness_percent / 100 == pytest.approx(0.8 / 1.2, abs=0.06)
    assert codes(judge_light(even)) == []
    assert codes(judge_light(uneven)) == ["light-uneven"]


@pytest.mark.parametrize("kelvin", [3200.0, 5000.0, 6500.0])
def test_the_lamps_colour(kelvin: float) -> None:
    seen = light_of(open_gate(sensor=SMALL, shine=LampConfig(kelvin=kelvin)))
    # Planck's law at the bench's three wavelengths, times the sensor's response.
    red, green, blue = lamp.balance(kelvin)
    assert seen.neutral["R/G"] == pytest.approx(0.58 * red / green, rel=0.01)
    assert seen.neutral["B/G"] == pytest.approx(0.68 * blue / green, rel=0.01)
    # Balanced for daylight of 5000 K: only that lamp is near.
    off = balance_off_ev(seen.neutral, (1 / 0.58, 1.0, 1 / 0.68))
    assert (off > 0.5) is (kelvin < 4000)


def test_a_saturated_open_gate_is_refused() -> None:
    assert codes(judge_light(light_of(open_gate(seconds=1 / 8, sensor=SMALL)))) == [
        "light-saturated"
    ]
    assert codes(judge_light(light_of(open_gate(lamp=False, sensor=SMALL)))) == ["light-too-dark"]


def test_stray_light_is_what_the_room_adds() -> None:
    for mishaps, expected in (((), []), (("room-light",), ["stray-light"])):
        gate = survey(open_gate(*mishaps, sensor=SMALL))
        dark = survey(open_gate(*mishaps, lamp=False, sensor=SMALL))
        share = stray_share(dark, gate)
        assert codes(judge_stray_light(share)) == expected
        if expected:
            # Bench: 0.03 of the open gate in the middle, 1.6 times as much in the worst corner,
            # in the colour of 3000 K.
            worst = 0.03 * 1.6 * lamp.balance(3000)[0]
            assert 0.8 * worst < share < 1.05 * worst


def test_stray_light_is_carried_to_the_gates_exposure() -> None:
    gate, dark = (survey(plain(np.full((640, 960), s))) for s in (0.5, 0.01))
    assert stray_share(dark, gate, ratio=4.0) == pytest.approx(0.005, rel=0.01)


def test_a_flat_field_takes_the_falloff_out() -> None:
    mosaic = open_gate("lamp-uneven", sensor=SMALL)
    seen = survey(mosaic)
    corrected = seen.signal / spread(flat_of(mosaic).grid, seen.main.shape)
    inner = corrected[:, 40:-40, 40:-40]
    for plane in inner:
        across = plane.mean(axis=0)
        assert np.ptp(across) / across.mean() < 0.02


def test_dust_in_the_open_gate_is_told_and_kept_out_of_the_flat_field() -> None:
    clean, dusty = open_gate(sensor=SMALL), open_gate("dust-on-lens", sensor=SMALL)
    assert codes(judge_light(light_of(clean))) == []
    (finding,) = judge_light(light_of(dusty))
    assert finding.code == "gate-spots"
    assert finding.value is not None
    assert finding.value >= 5
    # Cleaned, and the frames divided by the field of before: no spot may be left in them.
    even, spotted = (flat_of(mosaic).grid for mosaic in (clean, dusty))
    assert spotted == pytest.approx(even, rel=0.03)
    raw = grid_of(survey(dusty).signal)
    assert np.abs(raw / even - 1)[:, 4:-4, 4:-4].max() > 0.15, "the dust is no trifle"


def test_a_lamp_is_held_against_the_one_of_the_test_before() -> None:
    """A stop and a half less light is 1.5 stops less whatever the shutter gave back."""
    before = flat_of(open_gate(seconds=1 / 60, sensor=SMALL))
    assert lamp_changed(flat_of(open_gate(seconds=1 / 30, sensor=SMALL)), before) == []
    for seconds in (1 / 60, 1 / 30):
        dim = flat_of(open_gate("lamp-dim", seconds=seconds, sensor=SMALL))
        (finding,) = lamp_changed(dim, before)
        assert finding.value == pytest.approx(-1.5, abs=0.03)
        assert "1.5 stops less light" in finding.text
    strobe = replace(before, exposure=(None, None, None))
    assert lamp_changed(before, strobe) == []


def test_the_gates_mask_does_not_bend_the_flat_field() -> None:
    signal = np.full((640, 960), 0.4)
    signal[:30] = signal[-30:] = signal[:, :22] = signal[:, -22:] = 0.0
    gate = flat_of(plain(signal))
    assert gate.grid == pytest.approx(np.full(gate.grid.shape, 0.4), rel=1e-3)


def test_a_flat_field_knows_its_age() -> None:
    now = datetime(2024, 5, 4, 18, 0, tzinfo=UTC)
    mosaic = plain(np.full((640, 960), 0.4))
    fresh = flat_of(mosaic, (now - timedelta(hours=2)).isoformat()).taken_at
    stale = flat_of(mosaic, (now - timedelta(hours=30)).isoformat()).taken_at
    assert age_hours(fresh, now) == pytest.approx(2)
    assert judge_flat(fresh, now) == []
    assert codes(judge_flat(stale, now)) == ["flat-stale"]
    assert age_hours(flat_of(mosaic).taken_at, now) is None
    assert judge_flat("", now) == []
