"""Clipped is not a number: what lies on saturated photosites is not measured, and not claimed."""

from __future__ import annotations

import math

import numpy as np
import pytest
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.sensor import SensorConfig

from tests.measure.on_bench import photographed
from tether.film import FilmProcess
from tether.measure.density import density_report
from tether.measure.exposure.base import Base, level_by_colour
from tether.measure.frame import FrameContext, FrameMeasurement, measure_frame
from tether.measure.light.flat import flat_of
from tether.measure.roll.memory import OpenGate, RollMemory
from tether.measure.survey import Survey

BW, COLOUR, SLIDE = FilmProcess.BW_NEGATIVE, FilmProcess.COLOUR_NEGATIVE, FilmProcess.TRANSPARENCY
TARGET_EV = -0.5
SHUTTERS = tuple((f"1/{n}", 1 / n) for n in (2, 4, 6, 8, 11, 15, 22, 30, 45, 60, 90, 125))


def _bench(process: FilmProcess = BW) -> CopyStand:
    sensor = SensorConfig(width=1536, height=1024)
    return CopyStand(BenchConfig(process=process, seed=5, sensor=sensor))


def _measured(
    bench: CopyStand, seconds: float, memory: RollMemory | None = None, gate: OpenGate | None = None
) -> FrameMeasurement:
    bench.hand.go_to(2)
    context = FrameContext(
        bench.config.process, bench.config.film_format, 2, ("now", seconds), SHUTTERS,
        memory=memory or RollMemory(), open_gate=gate,
    )  # fmt: skip
    return measure_frame(photographed(bench, CameraExposure(seconds, 8, 100)), context)


def test_densities_on_clipped_photosites_are_not_stated() -> None:
    """Four exposures of one frame; its true base is 0.28, its lightest hundredth 0.54."""
    bench = _bench()
    bench.hand.remove_film()
    gate = flat_of(photographed(bench, CameraExposure(1 / 30, 8, 100)))
    stated = []
    for seconds in (1 / 15, 1 / 8, 1 / 4, 1 / 2):
        judged = _measured(bench, seconds, gate=gate)
        assert judged.density is not None
        density = judged.density["G1"]
        for key, true in (("base", 0.28), ("p1", 0.54)):
            assert density[key] is None or density[key] == pytest.approx(true, abs=0.03)
        stated.append([key for key, value in density.items() if value is not None])
        facts = judged.as_json()
        assert (facts["base_ev"] is None) == ("base" not in stated[-1])
        assert (facts["base"]["G1"] is None) == ("base" not in stated[-1])
    assert stated[0] == ["base", "p1", "p50", "p99"]
    assert stated[1] == ["p1", "p50", "p99"]
    assert stated[2] == stated[3] == ["p50", "p99"]


def test_against_a_clipped_open_gate_nothing_is_stated() -> None:
    picture = Survey(np.full((1, 40, 60), 0.2, np.float32), 1, ("Y",))
    light = np.full((1, 4, 6), 0.9, np.float32)
    known = OpenGate(("Y",), light, (1 / 30, 100.0, 8.0), "")
    report = density_report(picture, known, None, {"Y": 0.3})
    assert report["Y"]["p50"] == pytest.approx(math.log10(0.9 / 0.2), abs=1e-3)
    light[0, 0, 0] = 1.0
    report = density_report(picture, known, None, {"Y": 0.3})
    assert set(report["Y"].values()) == {None}


def test_how_much_less_light_a_clipped_base_needs_is_not_claimed() -> None:
    """The three exposures need 0.95, 1.95 and 2.95 stops less; nobody can see how much."""
    bench = _bench()
    for seconds, needed in ((1 / 8, 0.95), (1 / 4, 1.95), (1 / 2, 2.95)):
        judged = _measured(bench, seconds)
        (finding,) = (f for f in judged.findings if f.code == "base-saturated")
        assert judged.advice_at_least
        assert finding.action.startswith("Give at least 1.5 stops less light")
        assert needed - 2.0 < -judged.advice_ev
    slide = _measured(_bench(SLIDE), 1 / 2)
    assert slide.advice_at_least
    assert not _measured(bench, 1 / 15).advice_at_least


def test_the_channels_that_are_not_clipped_are_asked_first() -> None:
    """The lamp gained light that no setting tells of: red and blue of the base still tell it."""
    bench = _bench(COLOUR)
    right = _measured(bench, 1 / 10)
    assert right.base is not None
    assert right.base_ev is not None
    bench.hand.mishap("lamp-bright")
    bright = _measured(bench, 1 / 10, right.memory)
    assert bright.base is not None
    assert bright.base.clipped
    assert not bright.advice_at_least
    assert bright.advice_ev == pytest.approx(TARGET_EV - (right.base_ev + 1.5), abs=0.1)
    # Without knowing the film's colour it cannot be told.
    assert _measured(bench, 1 / 10).advice_at_least


def test_a_base_of_which_all_is_clipped_tells_nothing() -> None:
    known = {"R": 0.6, "G": 0.3, "B": 0.15}
    half = Base({"R": 1.0, "G": 0.6, "B": 0.3}, "rebate", True)
    assert level_by_colour(half, known) == pytest.approx(math.log2(1.2))
    assert level_by_colour(Base(dict.fromkeys("RGB", 1.0), "rebate", True), known) is None
    # Another lamp: what is not clipped would not have the strongest channel clipped.
    assert level_by_colour(Base({"R": 1.0, "G": 0.4, "B": 0.2}, "rebate", True), known) is None


def test_a_negative_on_which_nothing_is_light_needs_at_least_so_much() -> None:
    bench = _bench()
    bench.hand.lamp(False)
    judged = _measured(bench, 1 / 15)
    assert judged.base is None
    assert judged.advice_at_least
    assert judged.advice_ev == 2.0
