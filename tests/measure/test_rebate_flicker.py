"""Bands of a flickering lamp on a frame: told from its rebate, on both sides alike."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.lamp import LampConfig

from tests.measure.on_bench import SensorConfig, photographed, plain
from tether.film import FILM_FORMATS, FilmProcess
from tether.findings import Finding, Severity
from tether.measure.frame import FrameContext, measure_frame
from tether.measure.framing.position import Framing
from tether.measure.light.flicker import frame_bands
from tether.measure.shapes import Quad

SHUTTERS = tuple((f"1/{n}", 1 / n) for n in (10, 13, 20, 30, 60, 125, 250))


def said(process: FilmProcess, *mishaps: str, seconds: float = 1 / 125) -> list[Finding]:
    """Judge frame 2 at a short time, with a lamp that is as much stronger."""
    lamp = LampConfig(strength=0.9 / 15 / seconds)
    sensor = SensorConfig(width=1536, height=1024)
    bench = CopyStand(BenchConfig(process=process, seed=4, sensor=sensor, lamp=lamp))
    bench.hand.go_to(2)
    for code in mishaps:
        bench.hand.mishap(code)
    context = FrameContext(
        process, FILM_FORMATS["135"], 2, (f"1/{1 / seconds:.0f}", seconds), SHUTTERS
    )
    found = measure_frame(
        photographed(bench, CameraExposure(seconds, 8.0, 100.0)), context
    ).findings
    return [f for f in found if f.code == "lamp-flicker"]


def test_bands_in_the_rebate_are_told() -> None:
    (finding,) = said(FilmProcess.BW_NEGATIVE, "lamp-flicker")
    assert finding.severity is Severity.LOOK
    # Ripple of 15 per cent at 100 Hz, averaged over 1/125 s: sinc(0.8) leaves 3.5 per cent.
    assert finding.value == pytest.approx(15 * abs(np.sinc(100 / 125)), rel=0.15)
    assert "1/20" in finding.action  # whole periods of 100 Hz and of 120 Hz


def test_steady_light_and_whole_periods_say_nothing() -> None:
    assert said(FilmProcess.BW_NEGATIVE) == []
    assert said(FilmProcess.BW_NEGATIVE, "dusty", "scratched") == []
    # 1/20 s holds five whole periods of 100 Hz.
    assert said(FilmProcess.BW_NEGATIVE, "lamp-flicker", seconds=1 / 20) == []


def test_of_a_transparency_nothing_is_claimed() -> None:
    assert said(FilmProcess.TRANSPARENCY, "lamp-flicker") == []


OUTLINE = Quad(((100.0, 40.0), (1100.0, 40.0), (1100.0, 700.0), (100.0, 700.0)))
FRAMING = Framing(
    OUTLINE, ("left", "top", "right", "bottom"), 0.0, 27.5, False,
    dict.fromkeys(("left", "top", "right", "bottom"), 0.0), 0.8, -0.7, (0.0, 0.0), True,
)  # fmt: skip


def banded(left: float, right: float, phase: float = 0.0) -> np.ndarray:
    """Return an even field with ten bands over the picture's height, in either half its own."""
    rows = 2 * np.pi * 10 * np.arange(740) / 660
    signal = np.full((740, 1200), 0.6)
    signal[:, :600] *= 1 + left * np.sin(rows)[:, None]
    signal[:, 600:] *= 1 + right * np.sin(rows + phase)[:, None]
    return signal


def test_amplitude_and_number() -> None:
    percent, bands = frame_bands(plain(banded(0.02, 0.02)), FRAMING)
    assert percent == pytest.approx(2.0, rel=0.05)
    assert bands == pytest.approx(10, abs=0.5)


def test_scratches_along_the_rows_are_no_bands_and_do_not_hide_them() -> None:
    for strength, said in ((0.0, 0.0), (0.02, 2.0)):
        signal = banded(strength, strength) * np.random.default_rng(2).normal(1, 0.01, (740, 1200))
        for row in (190, 412, 448):
            signal[row : row + 5] *= 1.5
        percent, _ = frame_bands(plain(signal), FRAMING)
        assert percent == pytest.approx(said, abs=0.2)


@pytest.mark.parametrize(("left", "right", "phase"), [(0.02, 0.0, 0.0), (0.02, 0.02, np.pi / 2)])
def test_bands_on_one_side_or_out_of_step_are_no_lamps(
    left: float, right: float, phase: float
) -> None:
    assert frame_bands(plain(banded(left, right, phase)), FRAMING) == (0.0, 0.0)


def test_a_side_that_leans_or_is_out_of_view_leaves_nothing_to_look_at() -> None:
    mosaic = plain(banded(0.02, 0.02))
    leaning = Quad(((80.0, 40.0), (1080.0, 60.0), (1100.0, 720.0), (100.0, 700.0)))
    assert frame_bands(mosaic, replace(FRAMING, picture=leaning)) == (0.0, 0.0)
    wide = Quad(((2.0, 40.0), (1198.0, 40.0), (1198.0, 700.0), (2.0, 700.0)))
    assert frame_bands(mosaic, replace(FRAMING, picture=wide)) == (0.0, 0.0)
