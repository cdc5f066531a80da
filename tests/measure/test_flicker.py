"""Flicker's bands against the lamp that made them, and times that average it out."""

from __future__ import annotations

import numpy as np
import pytest
from tether_simulator.imaging.lamp import LampConfig, flicker_rows

from tests.measure.on_bench import SensorConfig, open_gate, plain
from tether.measure.light.flicker import flicker, steadier_shutter, steady_seconds
from tether.measure.light.open_gate import judge_light, measure_light
from tether.measure.survey import survey

SMALL = SensorConfig(960, 640)


@pytest.mark.parametrize(("hertz", "seconds"), [(100, 1 / 250), (120, 1 / 125), (100, 1 / 60)])
def test_bands_are_as_strong_and_as_many_as_they_were_made(hertz: float, seconds: float) -> None:
    # The mean of 1 + a cos(2 pi f t) over a time T has the amplitude a sinc(f T).
    made = 15 * abs(float(np.sinc(hertz * seconds)))
    shine = LampConfig(flicker=0.15, flicker_hz=hertz)
    percent, bands = flicker(open_gate(shine=shine, seconds=seconds, sensor=SMALL))
    assert percent == pytest.approx(made, rel=0.1)
    # 30 ms from the first row to the last: hertz * 0.030 bands over the sensor's height.
    assert bands == pytest.approx(hertz * 0.030, abs=0.3)


def test_whole_periods_leave_none() -> None:
    shine = LampConfig(flicker=0.3, flicker_hz=100)
    assert flicker(open_gate(shine=shine, seconds=0.02, sensor=SMALL))[0] == 0


def test_uneven_light_dust_and_noise_are_no_flicker() -> None:
    for mishaps in ((), ("lamp-uneven",), ("dust-on-lens",), ("room-light",)):
        for seconds in (1 / 60, 1 / 500):
            assert flicker(open_gate(*mishaps, seconds=seconds, sensor=SMALL))[0] == 0
    assert flicker(plain(np.zeros((640, 960)))) == (0.0, 0.0)
    assert flicker(plain(np.ones((640, 960)))) == (0.0, 0.0)


def test_something_in_one_half_is_no_flicker() -> None:
    signal = np.full((640, 960), 0.4)
    rows = 1 + 0.1 * np.sin(np.arange(640) / 640 * 2 * np.pi * 5)
    signal[:, :300] *= rows[:, None]
    assert flicker(plain(signal))[0] == 0


def test_the_advised_time_averages_both_kinds_of_mains_out() -> None:
    for seconds in (1 / 1000, 1 / 60, 0.05, 0.07, 0.3):
        steady = steady_seconds(seconds)
        assert steady >= seconds - 1e-9
        for hertz in (100, 120):
            shine = LampConfig(flicker=0.5, flicker_hz=hertz)
            rows = flicker_rows(shine, 100, steady, 0.03, 0.2)
            assert np.ptp(rows) < 1e-5
    assert steady_seconds(0.05) == pytest.approx(0.05)


def test_real_shutter_times_leave_under_a_hundredth_of_the_ripple() -> None:
    """Cameras time thirds of a stop as powers of two: "1/20" is 2^(-13/3) s, or 1/20.16 s.

    The mean of a ripple of f hertz over t seconds has the amplitude |sinc(f t)|.
    """
    marked = (("1/20", 0.05, -13), ("1/10", 0.1, -10), ("1/5", 0.2, -7), ("0.4", 0.4, -4))
    for label, nominal, thirds in marked:
        shutters = ((label, nominal),)
        assert steadier_shutter(shutters, nominal / 2) == (label, nominal)
        for hertz in (100, 120):
            assert abs(np.sinc(hertz * 2 ** (thirds / 3))) < 0.01
    assert abs(np.sinc(100 * 2 ** (-13 / 3))) == pytest.approx(0.0079, abs=1e-4)


def test_the_advised_setting_is_on_the_cameras_list() -> None:
    shutters = (
        ("1/250", 1 / 250),
        ("1/60", 1 / 60),
        ("1/20", 0.05),
        ("1/15", 1 / 15),
        ("1/4", 0.25),
    )
    assert steadier_shutter(shutters, 1 / 250) == ("1/20", 0.05)
    assert steadier_shutter(shutters, 0.05) == ("1/4", 0.25)
    assert steadier_shutter(shutters, 0.25) is None
    assert steadier_shutter((("1/15", 1 / 15), ("1/4", 0.25)), 1 / 60) == ("1/4", 0.25)


def test_a_flickering_lamp_is_found_and_a_time_advised() -> None:
    mosaic = open_gate("lamp-flicker", seconds=1 / 250, sensor=SMALL)
    light = measure_light(mosaic, survey(mosaic))
    found = [f for f in judge_light(light, seconds=1 / 250) if f.code == "lamp-flicker"]
    assert "0.05 s" in found[0].action
    shutters = (("1/250", 1 / 250), ("1/20", 0.05))
    found = [
        f
        for f in judge_light(light, seconds=1 / 250, shutters=shutters)
        if f.code == "lamp-flicker"
    ]
    assert "1/20" in found[0].action
