"""The bar code on the film's edge: which side faces the lens, and the number in it."""

from __future__ import annotations

import numpy as np
import pytest
import zxingcpp
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.sensor import SensorConfig

from tests.measure.on_bench import photographed
from tether.film import FILM_FORMATS, FilmProcess
from tether.measure.film.edge_code import EdgeCode, edge_findings, read_edge
from tether.measure.framing.position import find_framing
from tether.measure.survey import Survey, halved, survey
from tether.settings import FramingSettings

FORM = FILM_FORMATS["135"]

EDGE = zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.DXFilmEdge)


def seen(*mishaps: str, process: FilmProcess, printed: bool = True, frame: int = 4) -> Survey:
    """Photograph a frame with the film's edges in view."""
    sensor = SensorConfig(width=1536, height=1024)
    bench = CopyStand(
        BenchConfig(process=process, framing="wide", seed=3, sensor=sensor, edge_print=printed)
    )
    bench.hand.go_to(frame)
    for code in mishaps:
        bench.hand.mishap(code)
    return survey(photographed(bench, CameraExposure(1 / 15, 8.0, 100.0)))


def read(picture: Survey, process: FilmProcess) -> EdgeCode | None:
    """Look for the code as a frame's measurement does."""
    framing = find_framing(picture, FORM, process.is_negative, FramingSettings())
    assert framing is not None
    return read_edge(picture, framing, FORM, process.is_negative)


@pytest.mark.parametrize("process", list(FilmProcess))
def test_the_right_side_and_the_wrong_one_are_told_apart(process: FilmProcess) -> None:
    right = read(seen(process=process), process)
    assert right is not None
    assert not right.base_side
    assert edge_findings(right) == []
    wrong = read(seen("wrong-side", process=process), process)
    assert wrong is not None
    assert [f.code for f in edge_findings(wrong)] == ["wrong-side"]


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


def test_the_number_is_the_one_that_zxing_reads() -> None:
    """The two codes of frame 4 say 4 and 4A; the film's numbers are invented (33 and 7)."""
    process = FilmProcess.BW_NEGATIVE
    picture = seen("wrong-side", process=process)
    code = read(picture, process)
    assert code is not None
    assert code.bits is not None
    # zxing-cpp reads the same edge as it lies, from the base side.
    part = np.clip(picture.main[-picture.main.shape[0] // 8 :] * 3, 0, 1)
    grey = np.kron((255 * part).astype(np.uint8), np.ones((3, 3), np.uint8))
    found = zxingcpp.read_barcodes(grey, formats=EDGE)
    assert code.bits.text in {one.text for one in found}
    # The codes begin 4.5 mm after each half frame's start, 31 modules of 0.41 mm long.
    expected = {4.0: -14.5, 4.5: 4.5}[code.bits.frame] + 31 * 0.41 / 2
    assert code.at_mm == pytest.approx(expected, abs=0.3)
    assert code.film_mm == pytest.approx(4 * 38 + 14.5 - 31 * 0.41 / 2, abs=0.3)


@pytest.mark.parametrize("process", list(FilmProcess))
def test_mirrored_the_number_is_the_same(process: FilmProcess) -> None:
    right, wrong = (read(seen(*m, process=process), process) for m in ((), ("wrong-side",)))
    for code in (right, wrong):
        assert code is not None
        assert code.bits is not None
        assert code.bits.film == "33-7"
        assert code.film_mm == pytest.approx(4 * 38 + 14.5 - 31 * 0.41 / 2, abs=0.4)


def test_codes_that_disagree_are_not_read() -> None:
    process = FilmProcess.BW_NEGATIVE
    picture = seen(process=process)
    code = read(picture, process)
    assert code is not None
    assert code.bits is not None
    # The other code of the same edge becomes the one of another frame.
    other = seen(process=process, frame=9)
    half = picture.main.shape[1] // 2
    if code.at_mm > 0:  # emulsion toward the lens: numbers grow to the left
        picture.signal[:, :, half:] = other.signal[:, :, half:]
    else:
        picture.signal[:, :, :half] = other.signal[:, :, :half]
    mixed = read(Survey(picture.signal, picture.step, picture.channels), process)
    assert mixed is not None
    assert mixed.bits is None


@pytest.mark.parametrize("process", list(FilmProcess))
def test_film_without_print_claims_nothing(process: FilmProcess) -> None:
    assert read(seen(process=process, printed=False), process) is None


def test_film_without_perforations_or_outline_is_not_searched() -> None:
    picture = seen(process=FilmProcess.BW_NEGATIVE)
    assert read_edge(picture, None, FORM, True) is None
    framing = find_framing(picture, FORM, True, FramingSettings())
    assert read_edge(picture, framing, FILM_FORMATS["120-6x6"], True) is None
    small = Survey(halved(picture.signal), picture.step * 2, picture.channels)
    coarse = read_edge(small, framing, FORM, True)
    assert coarse is None or not coarse.base_side
