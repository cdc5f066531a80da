"""Signal, stops, and the saturation that a file shows by itself."""

from __future__ import annotations

import numpy as np
import pytest
from tether_simulator.imaging.sensor import SensorConfig, read_out

from tests.measure.on_bench import NAMES, TILES, plain
from tether.measure.levels import stops, with_observed_saturation
from tether.raw import Mosaic


def test_a_stop_is_a_factor_of_two() -> None:
    # ISO 2720 and every photographic handbook: one step doubles the light.
    assert stops([1.0, 0.5, 0.25]) == pytest.approx([0.0, -1.0, -2.0])
    assert stops(0.5, reference=0.25) == pytest.approx(1.0)


def test_no_light_is_finite() -> None:
    assert stops([0.0, -0.5]) == pytest.approx([-16.0, -16.0])


def _noisy(top: int, stated: float, *, full_well: float = 60_000.0) -> Mosaic:
    """A ramp of light that runs into saturation at ``top``, with the noise of photons."""
    sensor = SensorConfig(width=768, height=512, full_well=full_well, saturation=top, black=512)
    light = np.tile(np.linspace(0.02, 1.4, 768, dtype=np.float32), (512, 1)) * full_well
    raw = read_out(light, sensor, 1.0, 0.01, np.random.default_rng(1))
    return Mosaic(raw, np.array(TILES["RGGB"]), NAMES, (512.0,) * 4, (stated,) * 4)


def test_a_pile_up_below_the_stated_level_lowers_it() -> None:
    found = with_observed_saturation(_noisy(14_000, 65_535.0))
    assert all(13_900 < level <= 14_000 for level in found.saturation)


def test_a_well_that_fills_before_the_converter_is_seen_too() -> None:
    # Below base ISO the photosite stops first; its read noise spreads the pile.
    sensor = SensorConfig(width=768, height=512, well_margin=1.0)
    light = np.tile(np.linspace(0.02, 1.4, 768, dtype=np.float32), (512, 1)) * 60_000
    raw = read_out(light, sensor, 0.88, 0.01, np.random.default_rng(2))
    mosaic = Mosaic(raw, np.array(TILES["RGGB"]), NAMES, (512.0,) * 4, (16_200.0,) * 4)
    full = 512 + 0.88 * (16_200 - 512)
    found = with_observed_saturation(mosaic)
    assert all(full * 0.995 < level <= full for level in found.saturation)


@pytest.mark.parametrize("gain", [1.0, 0.88])
def test_the_level_is_where_photon_transfer_has_its_most_noise(gain: float) -> None:
    """EMVA 1288 defines saturation by the maximum of the variance over the signal.

    Even fields of more and more light; with a gain below 1 the photosite fills before the converter
    is at its end.
    """
    sensor = SensorConfig(width=128, height=96, well_margin=1.0)
    means, variances, fields = [], [], []
    for light in np.linspace(0.05, 1.3, 60):
        field = np.full((96, 128), light * 60_000, np.float32)
        raw = read_out(field, sensor, gain, 0.01, np.random.default_rng(4))
        means.append(float(raw.mean()))
        variances.append(float(raw.var()))
        fields.append(raw)
    most = means[int(np.argmax(variances))]
    ramp = np.concatenate(fields, axis=1)
    found = with_observed_saturation(
        Mosaic(ramp, np.array(TILES["RGGB"]), NAMES, (512.0,) * 4, (65_535.0,) * 4)
    )
    assert all(most < level < 1.05 * most for level in found.saturation)


def test_an_even_field_below_saturation_is_left_alone() -> None:
    sensor = SensorConfig(width=512, height=384)
    light = np.full((384, 512), 40_000, np.float32)
    light[:, :200] *= 0.4
    raw = read_out(light, sensor, 1.0, 0.01, np.random.default_rng(3))
    mosaic = Mosaic(raw, np.array(TILES["RGGB"]), NAMES, (512.0,) * 4, (16_200.0,) * 4)
    assert with_observed_saturation(mosaic).saturation == mosaic.saturation


def test_a_file_without_noise_is_taken_at_its_word() -> None:
    signal = np.full((256, 384), 0.7)
    signal[40:200, 40:300] = 0.2
    mosaic = plain(signal)
    assert with_observed_saturation(mosaic).saturation == mosaic.saturation


def test_an_even_patch_among_texture_is_no_pile_up() -> None:
    rng = np.random.default_rng(6)
    signal = np.full((256, 384), 0.9)
    signal[40:200, 40:300] = 0.1 + 0.05 * rng.random((160, 260))
    mosaic = plain(signal)
    assert with_observed_saturation(mosaic).saturation == mosaic.saturation


def test_a_file_that_reaches_its_stated_level_keeps_it() -> None:
    mosaic = _noisy(16_200, 16_200.0)
    assert with_observed_saturation(mosaic).saturation == (16_200.0,) * 4
