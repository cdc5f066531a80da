"""The light's pattern against the open gate's, and drifts as a roll on the bench shows them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure

from tests.measure.on_bench import SensorConfig, photographed
from tether.film import FILM_FORMATS, FilmProcess
from tether.measure.frame import FrameContext, FrameMeasurement, measure_frame
from tether.measure.light.flat import flat_of, gate_uneven
from tether.measure.roll.comparison import compare_with_roll, records_with_frame
from tether.measure.roll.drift import LEVEL, SHARPNESS, FrameRecord, Rows, with_row
from tether.measure.roll.memory import KnownBase, OpenGate, RollMemory, Trace
from tether.settings import LightSettings

SMALL = SensorConfig(width=1152, height=768)
AT = CameraExposure(1 / 20, 8.0, 100.0)


def bench_with(**config: Any) -> CopyStand:
    return CopyStand(BenchConfig(seed=5, sensor=SMALL, **config))


def gate_of(bench: CopyStand) -> OpenGate:
    bench.hand.remove_film()
    return flat_of(photographed(bench, CameraExposure(1 / 40, 8.0, 100.0)))


def measured(bench: CopyStand, frame: int, memory: RollMemory) -> FrameMeasurement:
    bench.hand.go_to(frame)
    context = FrameContext(
        FilmProcess.BW_NEGATIVE, FILM_FORMATS["135"], frame, ("1/20", 1 / 20), memory=memory,
        order=frame,
    )  # fmt: skip
    return measure_frame(photographed(bench, AT), context)


def codes(shot: FrameMeasurement) -> set[str]:
    return {finding.code for finding in shot.findings}


@pytest.mark.parametrize("framing", ["rebate", "wide"])
def test_a_lamp_that_was_moved_since_the_open_gate(framing: str) -> None:
    bench = bench_with(framing=framing)
    good = measured(bench, 2, RollMemory().with_open_gate(gate_of(bench)))
    memory = good.memory
    assert "light-moved" not in codes(good) | codes(measured(bench, 3, memory))
    bench.hand.mishap("lamp-uneven")
    (finding,) = [f for f in measured(bench, 3, memory).findings if f.code == "light-moved"]
    assert finding.severity == "look"
    # The mishap's light rises by a fifth from the middle to the right edge and falls as much to
    # the left: 0.58 stops between the view's edges, less between the picture's.
    assert finding.value is not None
    assert 0.3 < finding.value < 0.6
    assert "brighter at the right than at the left" in finding.text
    # Tested again, the open gate knows of it.
    after = memory.with_open_gate(gate_of(bench))
    assert "light-moved" not in codes(measured(bench, 3, after))


def test_a_frame_over_an_uneven_open_gate_is_kept_with_a_note() -> None:
    bench = bench_with()
    even = gate_of(bench)
    bench.hand.mishap("lamp-uneven")
    gate = gate_of(bench)
    shot = measured(bench, 3, RollMemory().with_open_gate(gate))
    (note,) = shot.findings
    assert (note.code, note.severity, shot.verdict) == ("gate-uneven", "note", "keep")
    # Over the sensor the mishap's light goes from 0.8 to 1.2 of its mean
    # (mocks/tether_simulator/imaging.py).
    assert note.value == pytest.approx(100 * (1 - 0.8 / 1.2), abs=6)
    assert "headroom" in note.text
    assert gate_uneven(even) == []
    assert gate_uneven(gate, LightSettings(uneven_percent=50)) == []
    # Of every frame of the roll, until the gate is photographed again.
    assert "gate-uneven" in codes(measured(bench, 4, shot.memory))
    assert "gate-uneven" not in codes(measured(bench, 4, shot.memory.with_open_gate(even)))


def test_without_an_open_gate_or_a_rebate_nothing_is_said() -> None:
    bench = bench_with()
    gate = gate_of(bench)
    bench.hand.mishap("lamp-uneven")
    assert "light-moved" not in codes(measured(bench, 3, RollMemory()))
    other = replace(gate, channels=("Y",), grid=gate.grid[:1])
    assert "light-moved" not in codes(measured(bench, 3, RollMemory(open_gate=other)))
    tight = bench_with(framing="tight")
    memory = RollMemory(open_gate=gate_of(tight))
    tight.hand.mishap("lamp-uneven")
    assert "light-moved" not in codes(measured(tight, 3, memory))


@pytest.mark.parametrize(
    ("mishap", "code"), [("lamp-fades", "light-drift"), ("lamp-yellows", "lamp-colour-drift")]
)
def test_a_lamp_that_creeps_away_is_told_on_the_roll(mishap: str, code: str) -> None:
    bench = bench_with()
    memory = RollMemory()
    for frame in range(1, 12):
        if frame == 4:
            bench.hand.mishap(mishap)
        shot = measured(bench, frame, memory)
        memory = shot.memory
        if code in codes(shot):
            break
    (finding,) = [f for f in shot.findings if f.code == code]
    assert frame in (6, 7)  # the third or fourth that is darker or warmer
    assert "since frame 1" in finding.text


def test_a_fall_of_sharpness_too_slow_for_the_last_frames_shows_over_the_roll() -> None:
    bench = bench_with()
    now = measured(bench, 3, RollMemory()).sharpness
    assert now is not None
    made: Rows | None = None
    for n in range(30):
        sharp = now.overall * 2 ** ((30 - n) / 32)
        made = with_row(made, FrameRecord(n + 1, 100 + n, (1 / 20, 100.0, 8.0), sharpness=sharp))
    assert made is not None
    assert "focus-drift" in codes(measured(bench, 3, RollMemory(records=made)))
    assert "focus-drift" not in codes(measured(bench, 3, RollMemory(records=made[-11:])))


def test_a_base_that_is_only_guessed_makes_no_sharpness_fall() -> None:
    # Its density would be, and with it what grain is told by, as each picture guesses it.
    bench = bench_with(framing="tight")
    shot = measured(bench, 3, RollMemory())
    assert shot.base is not None
    assert shot.base.source == "picture"
    assert shot.memory.records is not None
    assert np.isnan(shot.memory.records[-1, SHARPNESS])
    known = KnownBase(shot.base.signal, (1 / 20, 100.0, 8.0))
    again = measured(bench, 3, RollMemory(base=known)).memory.records
    assert again is not None
    assert again[-1, SHARPNESS] > 0


def test_what_blur_takes_is_counted_though_detail_rules_it() -> None:
    bench = bench_with()
    now = measured(bench, 3, RollMemory()).sharpness
    assert now is not None
    made: Rows | None = None
    for n in range(4):
        made = with_row(
            made, FrameRecord(n + 1, 100 + n, (1 / 20, 100.0, 8.0), sharpness=now.overall)
        )
    detailed = replace(now, plain_grid=np.full((4, 6), 0.02, np.float32))
    context = FrameContext(FilmProcess.BW_NEGATIVE, FILM_FORMATS["135"], 3, ("1/20", 1 / 20),
                           memory=RollMemory(records=made), order=9)  # fmt: skip
    for share, kept in ((1.5, False), (0.5, True)):
        seen = replace(detailed, overall=share * now.overall)
        last = records_with_frame(None, seen, (1 / 20, 100.0, 8.0), context)[-1, SHARPNESS]
        assert np.isfinite(last) == kept


def test_what_lies_on_a_picture_photographed_again_is_not_called_dust_on_the_lens() -> None:
    spots = np.array([[0.3, 0.4, 0.5]], np.float32)
    frames = tuple(Trace(n, spots=spots) for n in range(1, 5))
    context = FrameContext(FilmProcess.BW_NEGATIVE, FILM_FORMATS["135"], 5, ("1/20", 1 / 20),
                           memory=RollMemory(frames), order=5)  # fmt: skip
    rows = with_row(None, FrameRecord(5, 5, (1 / 20, 100.0, 8.0)))
    for repeated, said in ((False, ["dust-not-on-film"]), (True, [])):
        found = compare_with_roll(
            Trace(5, spots=spots), (800, 1200), context, rows, repeated=repeated
        )
        assert [f.code for f in found] == said


def test_a_frame_that_must_be_shot_again_says_nothing_about_the_light() -> None:
    bench = bench_with()
    memory = RollMemory()
    for frame in range(1, 6):
        memory = measured(bench, frame, memory).memory
    bench.hand.mishap("lamp-bright")
    shot = measured(bench, 6, memory)
    assert shot.verdict == "reshoot"
    assert shot.memory.records is not None
    assert np.isnan(shot.memory.records[-1, LEVEL:]).all()
