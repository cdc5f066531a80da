"""The clear film that a roll's exposure is set by: blank film, the rebate, a slide's highlights."""

from __future__ import annotations

import math

import pytest
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.film.curve import FILMS
from tether_simulator.imaging.exposure import CameraExposure

from tests.measure.on_bench import SensorConfig, photographed
from tether.film import FILM_FORMATS, FilmProcess
from tether.measure.exposure.calibration import _NO_FILM_DENSITY, ClearFilm, Seen, clear_film
from tether.measure.light.flat import flat_of
from tether.measure.roll.memory import OpenGate
from tether.settings import ExposureSettings

BW, COLOUR, SLIDE = FilmProcess.BW_NEGATIVE, FilmProcess.COLOUR_NEGATIVE, FilmProcess.TRANSPARENCY
FORM = FILM_FORMATS["135"]
SECONDS = 1 / 30


def bench_with(process: FilmProcess, framing: str = "rebate") -> CopyStand:
    sensor = SensorConfig(width=1152, height=768)
    return CopyStand(BenchConfig(process=process, seed=5, framing=framing, sensor=sensor))


def seen(bench: CopyStand, seconds: float = SECONDS, gate: OpenGate | None = None) -> ClearFilm:
    mosaic = photographed(bench, CameraExposure(seconds, 8.0, 100.0))
    return clear_film(mosaic, bench.config.process, FORM, gate=gate)


def base_ev(process: FilmProcess, seconds: float = SECONDS) -> float:
    """Where the bench puts the strongest channel of the base: light times transmittance."""
    config = BenchConfig()
    densities = FILMS[process].base
    strongest = max(r * 10.0**-d for r, d in zip(config.sensor.response, densities, strict=True))
    return math.log2(config.open_gate * seconds * 15 * strongest)


def test_an_empty_gate_is_told_from_the_clearest_plate() -> None:
    """Fresnel: a plate of n = 1.49 reflects 3.9 per cent at each face: a density of 0.034."""
    face = ((1.49 - 1) / (1.49 + 1)) ** 2
    clear_plate = -math.log10((1 - face) / (1 + face))
    assert clear_plate == pytest.approx(0.034, abs=0.001)
    assert _NO_FILM_DENSITY < clear_plate < ExposureSettings().least_base_density


@pytest.mark.parametrize("process", [BW, COLOUR])
def test_blank_film_gives_the_base(process: FilmProcess) -> None:
    bench = bench_with(process)
    bench.hand.lay_blank()
    found = seen(bench)
    assert found.seen is Seen.BLANK
    assert found.ev == pytest.approx(base_ev(process), abs=0.08)
    assert not found.clipped
    assert found.stops_to_target(ExposureSettings()) == pytest.approx(-0.5 - (found.ev or 0))


@pytest.mark.parametrize("process", [BW, COLOUR])
def test_the_rebate_gives_the_same_within_falloff(process: FilmProcess) -> None:
    bench = bench_with(process)
    bench.hand.go_to(3)
    found = seen(bench)
    assert found.seen is Seen.REBATE
    assert found.ev == pytest.approx(base_ev(process), abs=0.2)


@pytest.mark.parametrize("where", ["blank", "rebate"])
def test_a_saturated_base_is_known_to_be_so(where: str) -> None:
    bench = bench_with(BW)
    bench.hand.go_to(3)
    if where == "blank":
        bench.hand.lay_blank()
    found = seen(bench, 1 / 4)
    assert found.seen.usable
    assert found.clipped
    # By how much it is over cannot be seen: a large step down, then another look.
    assert found.stops_to_target(ExposureSettings()) == -3


def test_no_film_is_told_from_blank_film_by_the_open_gate() -> None:
    bench = bench_with(BW)
    gate = flat_of(photographed(bench, CameraExposure(1 / 60, 8.0, 100.0)))
    assert seen(bench, 1 / 60).seen is Seen.BLANK, "without an open gate the two look alike"
    assert seen(bench, 1 / 60, gate).seen is Seen.NO_FILM
    assert seen(bench, 1 / 125, gate).seen is Seen.NO_FILM
    bench.hand.lay_blank()
    assert seen(bench, 1 / 60, gate).seen is Seen.BLANK
    assert seen(bench, 1 / 30, gate).seen is Seen.BLANK


def test_pictures_without_a_rebate_are_not_taken_for_base() -> None:
    bench = bench_with(BW, "tight")
    bench.hand.go_to(3)
    found = seen(bench)
    assert found.seen is Seen.NOTHING
    assert not found.seen.usable
    assert found.ev is None


@pytest.mark.parametrize("process", [BW, SLIDE])
def test_darkness_is_no_film(process: FilmProcess) -> None:
    bench = bench_with(process)
    bench.hand.go_to(3)
    bench.hand.lamp(False)
    assert seen(bench).seen is Seen.DARKNESS


def test_a_slides_highlights_take_the_bases_place() -> None:
    bench = bench_with(SLIDE)
    bench.hand.go_to(3)
    short, shorter = seen(bench, 1 / 60), seen(bench, 1 / 240)
    assert short.seen is Seen.HIGHLIGHTS
    assert not short.clipped
    # Two stops less light is two stops more headroom (exposure goes with time).
    assert (short.ev or 0) - (shorter.ev or 0) == pytest.approx(2.0, abs=0.1)
    long = seen(bench, 1 / 8)
    assert long.clipped
    bench.hand.lay_blank()
    clear = seen(bench, 1 / 60)
    assert clear.seen is Seen.HIGHLIGHTS
    assert (clear.ev or 0) >= (short.ev or 0)
