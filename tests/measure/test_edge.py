"""The bar code on the film's edge: which side faces the lens, and the number in it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import zxingcpp
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.sensor import SensorConfig

from tests.measure.on_bench import photographed
from tether.film import FILM_FORMATS, FilmProcess
from tether.measure.film.edge_code import EdgeCode, edge_findings, read_edge
from tether.measure.framing.position import Framing, find_framing
from tether.measure.shapes import Quad
from tether.measure.survey import Survey, halved, survey
from tether.settings import FramingSettings

FORM = FILM_FORMATS["135"]

EDGE = zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.DXFilmEdge)
LENGTH = 31 * 0.4525
MIDDLES = {"33-7/4": -14.5 + LENGTH / 2, "33-7/4A": 5.1 + LENGTH / 2}
"""Where the codes of frame 4 lie on the bench, millimetres from the picture's middle."""
PHOTOGRAPHS = json.loads(Path(__file__).with_name("edge_photographs.json").read_text())[
    "photographs"
]
"""Tracks of real film, measured from photographs; the file says which."""
SCALE = 20


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


def lower_edge(clock: Sequence[float], data: Sequence[float], clear: float) -> Survey:
    """Lay two tracks, light per mille of white for 0.1 mm each, on the lower edge of plain film."""
    plane = np.full((36 * SCALE, 42 * SCALE), clear / 1000, np.float32)
    middle, edge = plane.shape[1] // 2, 18 * SCALE + 35 * SCALE // 2
    for track, first, last in ((clock, 2.2, 1.05), (data, 1.05, 0.0)):
        row = np.repeat(np.asarray(track) / 1000, SCALE // 10)
        rows = slice(edge - round(first * SCALE), edge - round(last * SCALE))
        plane[rows, middle - row.size // 2 :][:, : row.size] = row
    plane[edge:] = 0.75
    return Survey(np.stack([plane] * 4), 1, ("R", "G1", "B", "G2"))


def read_plain(picture: Survey, *, mirrored: bool = False, down: bool = False) -> EdgeCode | None:
    """Look for the code in plain film, as if a picture of 24 x 36 mm had been found on it."""
    signal = picture.signal[:, :, ::-1] if mirrored else picture.signal
    signal = signal[:, ::-1, ::-1] if down else signal
    quad = Quad.whole(36 * SCALE, 24 * SCALE)
    quad = Quad(tuple((x + 3 * SCALE, y + 6 * SCALE) for x, y in quad.corners))
    sides = ("left", "top", "right", "bottom")
    framing = Framing(
        quad, sides, 0.0, SCALE, False, dict.fromkeys(sides, 0.0), 0.6, -2.0, (0.0, 0.0), True
    )
    return read_edge(Survey(signal.copy(), 1, picture.channels), framing, FORM, True)


@pytest.mark.parametrize("down", [False, True])
@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("name", list(PHOTOGRAPHS))
def test_photographs_of_real_film_are_read(name: str, mirrored: bool, down: bool) -> None:
    """The answers are those that zxing-cpp states beside its photographs.

    One has the code with a frame number and shows the base side, the other the older code without
    and shows the emulsion side.
    """
    photograph = PHOTOGRAPHS[name]
    film = lower_edge(photograph["clock"], photograph["data"], photograph["clear"])
    code = read_plain(film, mirrored=mirrored, down=down)
    assert code is not None
    assert code.base_side == ((name == "1.jpg") != mirrored)
    assert code.bits is not None
    assert code.bits.text == photograph["answer"]


def test_the_other_edge_of_real_film_is_no_code() -> None:
    bars = PHOTOGRAPHS["1.jpg"]["other_edge"]
    assert read_plain(lower_edge(bars, bars, 270)) is None


@pytest.mark.parametrize("module_mm", [0.405, 0.44, 0.475])
@pytest.mark.parametrize("text", ["96-3/7A", "10-3"])
def test_codes_that_zxing_writes_are_read_at_every_size(text: str, module_mm: float) -> None:
    written = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.DXFilmEdge).to_image(scale=1)
    tracks = np.where(np.array(written)[:, 1:-1] < 128, 60, 250)
    place = np.arange(0.05, tracks.shape[1] * module_mm, 0.1) / module_mm
    stretched = tracks[:, np.minimum(place.astype(int), tracks.shape[1] - 1)]
    code = read_plain(lower_edge(stretched[0], stretched[-1], 250))
    assert code is not None
    assert code.base_side
    assert code.bits is not None
    assert code.bits.text == text
    assert (code.film_mm is None) == (text == "10-3"), "without a frame number no place is claimed"


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
    assert code.at_mm == pytest.approx(MIDDLES[code.bits.text], abs=0.3)


@pytest.mark.parametrize("process", list(FilmProcess))
def test_mirrored_the_number_is_the_same(process: FilmProcess) -> None:
    right, wrong = (read(seen(*m, process=process), process) for m in ((), ("wrong-side",)))
    for code in (right, wrong):
        assert code is not None
        assert code.bits is not None
        assert code.at_mm == pytest.approx(MIDDLES[code.bits.text], abs=0.4)
        # The middle of frame 4 lies 14.5 mm after the beginning of its code.
        assert code.film_mm == pytest.approx(4 * 38 + 14.5 - LENGTH / 2, abs=0.4)


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
