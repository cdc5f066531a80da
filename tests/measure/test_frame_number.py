"""The number on the film's edge against the one that should follow."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure

from tests.measure.on_bench import SensorConfig, photographed
from tether.film import FILM_FORMATS, FilmProcess
from tether.findings import Finding, Severity
from tether.measure.film.edge_code import EdgeBits, EdgeCode, FilmPlace, number_findings
from tether.measure.frame import FrameContext, FrameMeasurement, measure_frame
from tether.measure.roll.memory import RollMemory

PITCH = 38.0


def code(frame: float, at_mm: float = -8.0, film: str = "33-7") -> EdgeCode:
    return EdgeCode(False, at_mm, EdgeBits(film, frame % 64))


def places(*numbers: tuple[int, float], film: str = "33-7") -> list[FilmPlace]:
    return [FilmPlace(frame, film, 38.0 * edge + 8.0) for frame, edge in numbers]


def said(found: list[Finding]) -> tuple[float | None, str]:
    (finding,) = found
    assert finding.code == "frame-number"
    assert finding.severity is Severity.LOOK
    return finding.value, finding.text


@given(st.integers(0, 63), st.integers(3, 12), st.sampled_from([1, -1]), st.booleans())
def test_a_roll_may_begin_anywhere_and_run_either_way(
    first: int, count: int, way: int, other_half: bool
) -> None:
    before = places(*((n, (first + way * n) % 64) for n in range(1, count + 1)))
    # The other of the two codes may be the one that is read: 19 mm further on.
    now = code(first + way * (count + 1) + 0.5 * other_half, -8.0 + 19.0 * other_half)
    assert number_findings(now, count + 1, before, PITCH) == []


def test_a_frame_left_out() -> None:
    before = places(*((n, n) for n in range(1, 15)))
    value, text = said(number_findings(code(16), 15, before, PITCH))
    assert value == 1
    assert text == "The film's edge shows 16 where 15 should follow: 1 frame was skipped."
    value, text = said(number_findings(code(16.5, 11.0), 15, before, PITCH))
    assert "shows 16A where 15A should follow" in text
    # Begun at 00, which the code writes as 63 on this film, or at any other number.
    before = places((1, 63), (2, 0), (3, 1))
    value, text = said(number_findings(code(4), 4, before, PITCH))
    assert "shows 4 where 2 should follow: 2 frames were skipped." in text


def test_a_frame_shot_twice() -> None:
    before = places(*((n, n) for n in range(1, 15)))
    value, text = said(number_findings(code(14), 15, before, PITCH))
    assert value == -1
    assert "the film is 1 frame back" in text


def test_a_roll_that_runs_backward() -> None:
    before = places((1, 36), (2, 35), (3, 34))
    assert number_findings(code(33), 4, before, PITCH) == []
    value, text = said(number_findings(code(32), 4, before, PITCH))
    assert value == 1
    assert "shows 32 where 33 should follow" in text


def test_it_is_said_once() -> None:
    before = places((1, 1), (2, 2), (3, 3), (4, 5))
    for frame in (5, 6, 7):
        assert number_findings(code(frame + 1), frame, before, PITCH) == []
        before += places((frame, frame + 1))
    assert number_findings(code(10), 8, before, PITCH) != []


@pytest.mark.parametrize(
    "now",
    [
        None,
        EdgeCode(False, -8.0),
        code(16, film="45-7"),
        code(15, -8.0 - 19.0),  # half-way between two frames
        code(15, -8.0 - 3.0),  # slipped a little
    ],
)
def test_what_is_not_plain_says_nothing(now: EdgeCode | None) -> None:
    before = places(*((n, n) for n in range(1, 15)))
    assert number_findings(now, 15, before, PITCH) == []


def test_few_or_odd_numbers_establish_nothing() -> None:
    assert number_findings(code(9), 3, places((1, 1), (2, 2)), PITCH) == []
    assert number_findings(code(9), 5, places((1, 3), (2, 9), (3, 1), (4, 4)), PITCH) == []
    assert number_findings(code(9), None, places((1, 1), (2, 2), (3, 3)), PITCH) == []


@given(st.floats(-0.012, 0.012))
def test_cameras_that_wind_unevenly(stretch: float) -> None:
    # Frames of real cameras lie up to half a millimetre off 38 mm apart (from memory).
    before = [FilmPlace(n, "33-7", 38.0 * n * (1 + stretch)) for n in range(1, 13)]
    mm = 38.0 * 13 * (1 + stretch)
    number = round(mm / 19) / 2
    now = EdgeCode(False, 38.0 * number - mm, EdgeBits("33-7", number))
    assert number_findings(now, 13, before, PITCH) == []


def test_half_frames_count_by_halves() -> None:
    before = [FilmPlace(n, "33-7", 19.0 * n) for n in range(1, 7)]
    right = EdgeCode(False, 0.0, EdgeBits("33-7", 3.5))
    assert number_findings(right, 7, before, 19.0) == []
    value, text = said(
        number_findings(EdgeCode(False, 0.0, EdgeBits("33-7", 4.0)), 7, before, 19.0)
    )
    assert value == 1
    assert "shows 4 where 3A should follow" in text


def shot(bench: CopyStand, position: int, frame: int, memory: RollMemory) -> FrameMeasurement:
    bench.hand.go_to(position)
    context = FrameContext(
        FilmProcess.BW_NEGATIVE, FILM_FORMATS["135"], frame, ("1/15", 1 / 15), memory=memory
    )
    return measure_frame(photographed(bench, CameraExposure(1 / 15, 8.0, 100.0)), context)


def test_a_frame_left_out_on_the_bench() -> None:
    sensor = SensorConfig(width=1536, height=1024)
    bench = CopyStand(BenchConfig(framing="wide", seed=3, sensor=sensor, edge_print=True))
    memory = RollMemory()
    # The first picture of this roll lies at number 4.
    for position in (4, 5, 6, 7):
        one = shot(bench, position, position - 3, memory)
        assert [f.code for f in one.findings if f.severity is not Severity.NOTE] == []
        memory = RollMemory.from_bytes(one.memory.to_bytes())
    # The outline of frame 5 is not seen, and nothing is read without one.
    known = [t for t in memory.frames if t.film]
    assert [(t.frame, t.film) for t in known] == [(n, "33-7") for n in (1, 3, 4)]
    assert np.ptp([t.film_mm - 38 * t.frame for t in known]) < 0.6
    left_out = shot(bench, 10, 5, memory).findings
    assert [f.code for f in left_out if f.severity is not Severity.NOTE] == ["frame-number"]
    assert "frame-number" not in [f.code for f in shot(bench, 8, 5, memory).findings]
