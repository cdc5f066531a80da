"""A whole frame judged on the bench: what is said, and what is not."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.sensor import SensorConfig

from tests.measure.on_bench import NAMES, photographed, plain
from tether.film import FILM_FORMATS, FilmProcess
from tether.findings import Verdict
from tether.measure.frame import FrameContext, FrameMeasurement, measure_frame
from tether.measure.light.flat import grid_of
from tether.measure.roll.memory import OpenGate, RollMemory
from tether.measure.survey import survey
from tether.raw import Mosaic

SHUTTERS = tuple((f"1/{n}", 1 / n) for n in (4, 5, 6, 8, 10, 13, 15, 20, 25, 30, 40, 50, 60))
BW, COLOUR, SLIDE = FilmProcess.BW_NEGATIVE, FilmProcess.COLOUR_NEGATIVE, FilmProcess.TRANSPARENCY
SECONDS = {BW: 1 / 15, COLOUR: 1 / 10, SLIDE: 1 / 30}


def _bench(process: FilmProcess, framing: str = "rebate", **more: Any) -> CopyStand:
    sensor = more.pop("sensor", SensorConfig(width=1152, height=768))
    return CopyStand(BenchConfig(process=process, framing=framing, seed=21, sensor=sensor, **more))


def _judged(
    bench: CopyStand,
    frame: int,
    memory: RollMemory | None = None,
    seconds: float | None = None,
    fault: str = "",
) -> FrameMeasurement:
    bench.hand.go_to(frame)
    if fault:
        bench.hand.mishap(fault)
    process = bench.config.process
    seconds = seconds or SECONDS[process]
    context = FrameContext(
        process, bench.config.film_format, frame, ("now", seconds), SHUTTERS,
        memory=memory or RollMemory(),
    )  # fmt: skip
    return measure_frame(photographed(bench, CameraExposure(seconds, 8, 100)), context)


def _codes(judged: FrameMeasurement) -> set[str]:
    return {f.code for f in judged.findings}


@pytest.mark.parametrize("framing", ["rebate", "wide"])
@pytest.mark.parametrize("process", [BW, COLOUR])
def test_a_negatives_base_is_where_the_bench_puts_it(process: FilmProcess, framing: str) -> None:
    bench = _bench(process, framing)
    judged = _judged(bench, 2)
    film, sensor = bench._imaging._film, bench.config.sensor
    light = SECONDS[process] * 15 * bench.config.open_gate
    true = max(
        math.log2(light * response * 10**-density)
        for response, density in zip(sensor.response, film.base, strict=True)
    )
    # The rebate lies toward the corners, where falloff takes up to a sixth of a stop.
    assert judged.base_ev is not None
    assert true - 0.18 < judged.base_ev < true + 0.05
    assert judged.advice_ev == pytest.approx(-0.5 - judged.base_ev, abs=1e-6)
    assert judged.base is not None
    assert judged.base.source == "rebate"


@pytest.mark.parametrize("process", [BW, COLOUR])
def test_light_through_perforations_trips_nothing(process: FilmProcess) -> None:
    bench = _bench(process, "wide")
    judged = _judged(bench, 2, seconds=SECONDS[process] * 1.1)
    assert max(judged.saturated.values()) > 0.02
    assert max(judged.saturated_picture.values()) == 0
    assert judged.verdict is Verdict.KEEP


def test_light_through_scratches_trips_nothing() -> None:
    bench = _bench(BW)
    clean = _judged(bench, 2)
    judged = _judged(bench, 2, clean.memory, fault="scratched")
    assert not _codes(judged) & {"picture-saturated", "base-saturated"}


def test_a_saturated_base_is_reshot_with_the_stops_the_roll_knows() -> None:
    bench = _bench(BW)
    memory = _judged(bench, 2).memory
    bench.hand.mishap("lamp-bright")
    known = _judged(bench, 3, memory, seconds=SECONDS[BW] * 2)
    assert "base-saturated" in _codes(known)
    assert known.verdict is Verdict.RESHOOT
    # The lamp's gain of 1.5 stops cannot be seen in a saturated base, the shutter's stop can.
    assert known.advice_ev == pytest.approx(-1.0, abs=0.15)
    assert known.advice_shutter == "1/15"


def test_a_dim_lamp_is_told_with_the_setting_to_use() -> None:
    bench = _bench(BW)
    memory = _judged(bench, 2).memory
    bench.hand.mishap("lamp-dim")
    judged = _judged(bench, 3, memory)
    assert {"base-off-target", "light-changed"} <= _codes(judged)
    assert judged.advice_ev == pytest.approx(1.45, abs=0.15)
    assert judged.advice_shutter in ("1/5", "1/6")


def test_a_frame_without_rebate_is_judged_by_the_rolls_base() -> None:
    memory = _judged(_bench(COLOUR), 1).memory
    tight = _bench(COLOUR, "tight")
    judged = _judged(tight, 2, memory, seconds=SECONDS[COLOUR] / 2)
    assert judged.base is not None
    assert judged.base.source == "roll"
    assert memory.base is not None
    first = math.log2(max(memory.base.signal.values()))
    assert judged.base_ev == pytest.approx(first - 1, abs=0.01)


def test_without_rebate_or_roll_nothing_loud_is_said_of_too_little_light() -> None:
    judged = _judged(_bench(BW, "tight"), 3, seconds=SECONDS[BW] / 1.5)
    assert "rebate-not-seen" in _codes(judged)
    assert judged.verdict is Verdict.KEEP


def test_nothing_of_a_transparency_may_saturate() -> None:
    bench = _bench(SLIDE)
    judged = _judged(bench, 2, seconds=1 / 8)
    assert "picture-saturated" in _codes(judged)
    assert judged.verdict is Verdict.RESHOOT
    assert judged.advice_ev < -0.5
    assert _judged(bench, 2).verdict is Verdict.KEEP


@pytest.mark.parametrize("process", list(FilmProcess))
def test_a_blank_frame_is_told(process: FilmProcess) -> None:
    bench = _bench(process)
    memory = _judged(bench, 2).memory
    judged = _judged(bench, 3, memory, fault="blank")
    assert _codes(judged) & {"blank-frame"}
    assert judged.verdict is Verdict.LOOK


def test_an_empty_gate_is_told_from_a_blank_frame() -> None:
    bench = _bench(BW)
    memory = _judged(bench, 2, seconds=1 / 40).memory
    bench.hand.remove_film()
    context = FrameContext(BW, frame_number=3, shutter=("1/40", 1 / 40), memory=memory)
    judged = measure_frame(photographed(bench, CameraExposure(1 / 40, 8, 100)), context)
    assert "no-film" in _codes(judged)


@pytest.mark.parametrize("cfa", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_the_phase_of_the_mosaic_does_not_matter(cfa: str) -> None:
    bench = _bench(COLOUR, sensor=SensorConfig(width=1152, height=768, cfa=cfa, noise=False))
    judged = _judged(bench, 2)
    assert judged.base is not None
    assert judged.base.signal["R"] > judged.base.signal["G1"] > judged.base.signal["B"]
    assert judged.base.signal["G1"] == pytest.approx(judged.base.signal["G2"], rel=0.01)


def _tiled(mosaic: Mosaic, pattern: np.ndarray, names: tuple[str, ...]) -> Mosaic:
    count = len(names)
    return replace(
        mosaic, pattern=pattern, channels=names, black=(512.0,) * count,
        saturation=(16_200.0,) * count, white_balance=(),
    )  # fmt: skip


def test_other_mosaics_are_judged_as_far_as_they_go() -> None:
    signal = np.full((768, 1152), 0.7)
    signal[40:728, 60:1092] = 0.1 + 0.05 * np.random.default_rng(1).random((688, 1032))
    grey = plain(signal)
    xtrans = np.array(
        [[1, 1, 0, 1, 1, 2], [1, 1, 2, 1, 1, 0], [2, 0, 1, 0, 2, 1],
         [1, 1, 2, 1, 1, 0], [1, 1, 0, 1, 1, 2], [0, 2, 1, 2, 0, 1]]
    )  # fmt: skip
    for pattern, names in (
        (xtrans, ("R", "G", "B")),
        (np.zeros((1, 1), int), ("Y",)),
        (np.array([[0, 1], [2, 3]]), ("C", "M", "Y", "G")),
    ):
        judged = measure_frame(_tiled(grey, pattern, names), FrameContext(BW))
        assert judged.base_ev == pytest.approx(math.log2(0.7), abs=0.03)
        assert set(judged.saturated) == set(names)
        assert judged.picture.shape[2] == 3
        json.dumps(judged.as_json(), allow_nan=False)


def test_density_against_the_open_gate() -> None:
    # ISO 5-1: D = -log10 T. The bench's film has a base of 0.28 in all channels.
    bench = _bench(BW)
    bench.hand.remove_film()
    light = survey(photographed(bench, CameraExposure(1 / 60, 8, 100)))
    gate = OpenGate(NAMES, grid_of(light.signal), (1 / 60, 100.0, 8.0), "")
    bench.hand.go_to(2)
    context = FrameContext(BW, FILM_FORMATS["135"], 2, ("1/15", 1 / 15), SHUTTERS, open_gate=gate)
    judged = measure_frame(photographed(bench, CameraExposure(1 / 15, 8, 100)), context)
    assert judged.density is not None
    for name in NAMES:
        of = judged.density[name]
        assert of["base"] == pytest.approx(0.28, abs=0.02)
        assert of["p1"] is not None
        assert of["p50"] is not None
        assert of["p99"] is not None
        assert 0.2 < of["p1"] < of["p50"] < of["p99"] < 3.0


def test_the_facts_are_json_with_the_documented_keys() -> None:
    facts = _judged(_bench(BW), 2).as_json()
    again = json.loads(json.dumps(facts, allow_nan=False))
    assert set(again) >= {
        "saturated", "saturated_picture", "headroom_ev", "base_ev", "base_source", "advice_ev",
        "advice_shutter", "histogram", "framing", "sharpness", "verdict", "findings",
    }  # fmt: skip
    for key in ("saturated", "saturated_picture", "headroom_ev"):
        assert set(again[key]) == {"R", "G1", "G2", "B"}
    counts = again["histogram"]["counts"]["G1"]
    assert len(counts) == round(-again["histogram"]["lowest_ev"] / again["histogram"]["bin_ev"])


def test_the_small_picture_is_small_and_linear() -> None:
    picture = _judged(_bench(BW), 2).picture
    assert max(picture.shape) <= 480
    assert picture.dtype == np.float32
    assert 0 <= float(np.median(picture)) <= 1


def test_a_saturation_that_was_seen_once_holds_for_the_roll() -> None:
    sensor = SensorConfig(width=1152, height=768, saturation=14_800, stated_white=16_383)
    bench = _bench(BW, sensor=sensor)

    def judged(frame: int, seconds: float, memory: RollMemory) -> FrameMeasurement:
        bench.hand.go_to(frame)
        mosaic = replace(
            photographed(bench, CameraExposure(seconds, 8, 100)), saturation=(16_383.0,) * 4
        )
        return measure_frame(mosaic, FrameContext(BW, frame_number=frame, memory=memory))

    before = judged(2, 1 / 15, RollMemory())
    over = judged(2, 1 / 4, RollMemory())
    assert "base-saturated" in _codes(over)
    after = judged(2, 1 / 15, RollMemory.from_bytes(over.memory.to_bytes()))
    assert before.base_ev is not None
    assert after.base_ev is not None
    shift = math.log2((16_383 - 512) / (14_800 - 512))
    assert after.base_ev - before.base_ev == pytest.approx(shift, abs=0.01)
