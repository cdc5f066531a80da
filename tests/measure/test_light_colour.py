"""The lamp's colour as measured, against Planck's law as colour-science computes it."""

from __future__ import annotations

import pytest
from colour import colorimetry
from tether_simulator.imaging.lamp import LampConfig

from tests.measure.on_bench import SensorConfig, open_gate
from tether.measure.light.open_gate import balance_off_ev, measure_light
from tether.measure.survey import survey

#: Wavelengths at which the bench's sensor sees red, green and blue, and its response at 5000 K.
NANOMETRES = {"R": 600.0, "G": 540.0, "B": 460.0}
RESPONSE = {"R": 0.58, "G": 1.0, "B": 0.68}


def planck(nanometres: float, kelvin: float) -> float:
    """Spectral radiance of a black body by colour-science (BSD-3-Clause), the reference here."""
    return float(colorimetry.planck_law(nanometres * 1e-9, kelvin))


@pytest.mark.parametrize("kelvin", [2856.0, 3200.0, 5000.0, 6504.0])
def test_red_and_blue_over_green_follow_planck(kelvin: float) -> None:
    mosaic = open_gate(shine=LampConfig(kelvin=kelvin), sensor=SensorConfig(600, 400))
    neutral = measure_light(mosaic, survey(mosaic)).neutral
    expected = {}
    for letter in "RB":
        light, daylight = (
            planck(NANOMETRES[letter], k) / planck(NANOMETRES["G"], k) for k in (kelvin, 5000.0)
        )
        expected[f"{letter}/G"] = RESPONSE[letter] * light / daylight
    assert neutral == pytest.approx(expected, rel=0.01)
    off = balance_off_ev(neutral, (1 / 0.58, 1.0, 1 / 0.68))
    assert (off > 0.5) is (kelvin < 4000)
