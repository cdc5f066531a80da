"""The bar code on the film's edge: which side faces the lens; read by zxing-cpp."""

from __future__ import annotations

import sys

import numpy as np
import pytest

from mocks.bench import Bench, BenchConfig
from mocks.exposure import Exposure
from mocks.sensor import SensorConfig
from tests.measure.on_bench import photographed
from tether.film import FILM_FORMATS, FilmProcess
from tether.measure.edge import EdgeCode, edge_remarks, read_edge
from tether.measure.framing import find_framing
from tether.measure.survey import Survey, halved, survey
from tether.settings import Framing

FORM = FILM_FORMATS["135"]


def seen(*mishaps: str, process: FilmProcess, printed: bool = True) -> Survey:
    """Photograph frame 4 with the film's edges in view."""
    sensor = SensorConfig(width=1536, height=1024)
    bench = Bench(
        BenchConfig(process=process, framing="wide", seed=3, sensor=sensor, edge_print=printed)
    )
    bench.hand.go_to(4)
    for code in mishaps:
        bench.hand.mishap(code)
    return survey(photographed(bench, Exposure(1 / 15, 8.0, 100.0)))


def read(picture: Survey, process: FilmProcess) -> EdgeCode | None:
    """Look for the code as a frame's measurement does."""
    framing = find_framing(picture, FORM, process.is_negative, Framing())
    assert framing is not None
    return read_edge(picture, framing, FORM, process.is_negative)


@pytest.mark.parametrize("process", list(FilmProcess))
def test_the_right_side_and_the_wrong_one_are_told_apart(process: FilmProcess) -> None:
    right = read(seen(process=process), process)
    assert right is not None
    assert not right.base_side
    assert edge_remarks(right) == []
    wrong = read(seen("wrong-side", process=process), process)
    assert wrong is not None
    assert [f.code for f in edge_remarks(wrong)] == ["wrong-side"]


def test_upside_down_is_not_the_wrong_side() -> None:
    process = FilmProcess.BW_NEGATIVE
    picture = seen(process=process)
    turned = Survey(picture.signal[:, ::-1, ::-1].copy(), picture.step, picture.channels)
    code = read(turned, process)
    assert code is not None
    assert not code.base_side


def test_a_quarter_turn_is_not_the_wrong_side() -> None:
    process = FilmProcess.BW_NEGATIVE
    picture = seen(process=process)
    for times, mirrored in ((1, False), (3, False), (1, True)):
        signal = np.rot90(picture.signal, times, axes=(1, 2))
        signal = signal[:, :, ::-1] if mirrored else signal
        code = read(Survey(signal.copy(), picture.step, picture.channels), process)
        assert code is not None
        assert code.base_side == mirrored


def test_zxing_reads_the_frame_that_the_bench_printed() -> None:
    """The two codes of frame 4 say 4 and 4A; the film's numbers are invented (33 and 7)."""
    process = FilmProcess.BW_NEGATIVE
    code = read(seen(process=process), process)
    assert code is not None
    assert code.text.startswith("33-7/4")
    assert code.frame in (4.0, 4.5)
    # The codes begin 4.5 mm after each half frame's start, 31 modules of 0.41 mm long.
    expected = {4.0: -14.5, 4.5: 4.5}[code.frame] + 31 * 0.41 / 2
    assert code.at_mm == pytest.approx(expected, abs=0.3)


def test_without_zxing_the_side_is_still_known(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "zxingcpp", None)
    process = FilmProcess.BW_NEGATIVE
    code = read(seen("wrong-side", process=process), process)
    assert code is not None
    assert code.base_side
    assert code.frame is None


@pytest.mark.parametrize("process", list(FilmProcess))
def test_film_without_print_claims_nothing(process: FilmProcess) -> None:
    assert read(seen(process=process, printed=False), process) is None


def test_film_without_perforations_or_outline_is_not_searched() -> None:
    picture = seen(process=FilmProcess.BW_NEGATIVE)
    assert read_edge(picture, None, FORM, True) is None
    framing = find_framing(picture, FORM, True, Framing())
    assert read_edge(picture, framing, FILM_FORMATS["120-6x6"], True) is None
    small = Survey(halved(picture.signal), picture.step * 2, picture.channels)
    coarse = read_edge(small, framing, FORM, True)
    assert coarse is None or not coarse.base_side
