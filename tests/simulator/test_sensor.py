"""The sensor against EMVA 1288: linearity, noise, gain, saturation."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from tether_simulator.imaging.sensor import SensorConfig, read_out

SENSOR = SensorConfig(width=512, height=512)


def flat(
    mean: float, seed: int, sensor: SensorConfig = SENSOR, gain: float = 1.0
) -> NDArray[np.float64]:
    field = np.full((512, 512), mean, np.float32)
    return read_out(field, sensor, gain, 0.0, np.random.default_rng(seed)).astype(np.float64)


@pytest.mark.parametrize("gain", [1.0, 4.0])
def test_photon_transfer_gives_the_gain_back(gain: float) -> None:
    # EMVA 1288, photon transfer method: the slope of temporal variance (from pairs of frames)
    # over the mean above dark is the system gain K, here in raw values per electron.
    means, variances = [], []
    for index, electrons in enumerate(np.linspace(500, 0.7 * SENSOR.full_well / gain, 8)):
        one, two = (flat(electrons, 2 * index + k, gain=gain) for k in (0, 1))
        means.append((one.mean() + two.mean()) / 2 - SENSOR.black)
        variances.append(((one - two) ** 2).mean() / 2)
    slope = np.polyfit(means, variances, 1)[0]
    assert slope == pytest.approx(gain / SENSOR.electrons_per_value, rel=0.02)


def test_dark_frames_show_read_noise() -> None:
    # EMVA 1288: temporal dark noise from a pair of dark frames; rounding adds 1/12.
    sensor = SensorConfig(width=512, height=512, read_noise=20.0)
    one, two = flat(0, 1, sensor), flat(0, 2, sensor)
    sigma = np.sqrt(((one - two) ** 2).mean() / 2 - 1 / 12)
    assert sigma * sensor.electrons_per_value == pytest.approx(20.0, rel=0.02)
    assert one.mean() == pytest.approx(sensor.black, abs=0.1)


def test_few_photons_are_poisson_distributed() -> None:
    # A Poisson variable's skewness is 1 / sqrt(mean): a normal one has none.
    sensor = SensorConfig(width=512, height=512, read_noise=0.0, full_well=3000.0)
    electrons = (flat(4.0, 3, sensor) - sensor.black) * sensor.electrons_per_value
    centred = electrons - electrons.mean()
    assert electrons.mean() == pytest.approx(4.0, abs=0.02)
    assert (centred**3).mean() / (centred**2).mean() ** 1.5 == pytest.approx(0.5, abs=0.05)


def test_the_response_is_linear_and_stops_at_saturation() -> None:
    sensor = SensorConfig(width=512, height=512, noise=False)
    half = flat(sensor.full_well / 2, 0, sensor)[0, 0]
    assert half - sensor.black == pytest.approx((sensor.saturation - sensor.black) / 2, abs=0.6)
    assert flat(3 * sensor.full_well, 0, sensor).max() == sensor.saturation
    assert np.all(flat(3 * SENSOR.full_well, 0) == SENSOR.saturation)


def test_below_base_iso_the_well_stops_first() -> None:
    values = flat(5 * SENSOR.full_well, 0, gain=0.5)
    expected = SENSOR.black + 0.5 * 1.05 * (SENSOR.saturation - SENSOR.black)
    assert values.mean() == pytest.approx(expected, rel=1e-3)
    assert values.max() < SENSOR.saturation


def test_dark_current_adds_with_time() -> None:
    sensor = SensorConfig(width=64, height=64, dark_current=100.0, noise=False)
    dark = read_out(np.zeros((64, 64), np.float32), sensor, 1.0, 10.0, np.random.default_rng(0))
    assert dark[0, 0] == sensor.black + round(1000 / sensor.electrons_per_value)
