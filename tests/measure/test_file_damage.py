"""A file that lost a part is told from one that is dark."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure

from tests.measure.on_bench import photographed
from tether.film import FILM_FORMATS, FilmProcess
from tether.measure.film.blank import lost_share
from tether.measure.frame import FrameContext, measure_frame
from tether.measure.roll.memory import RollMemory
from tether.raw import Mosaic

SECTOR = 256
"""Photosites of two bytes in 512 bytes, the smallest part of a card or a disk."""


@pytest.fixture(scope="module")
def frame() -> Mosaic:
    bench = CopyStand(BenchConfig(process=FilmProcess.BW_NEGATIVE, seed=5))
    bench.hand.go_to(1)
    return photographed(bench, CameraExposure(1 / 15, 8.0, 100.0))


def with_hole(mosaic: Mosaic, first: int, count: int, value: int = 0) -> Mosaic:
    """Lose so many photosites from one on, in the order in which a file holds them."""
    data = mosaic.data.copy().reshape(-1)
    data[first : first + count] = value
    return replace(mosaic, data=data.reshape(mosaic.data.shape))


@pytest.mark.parametrize("seed", range(6))
def test_a_lost_sector_is_found_wherever_it_lies(frame: Mosaic, seed: int) -> None:
    rng = np.random.default_rng(seed)
    height, width = frame.data.shape
    row, column = rng.integers(20, height - 20), rng.integers(0, width - SECTOR)
    lost = lost_share(with_hole(frame, int(row * width + column), SECTOR))
    assert lost == pytest.approx(SECTOR / frame.data.size)


def test_how_much_is_lost_is_said(frame: Mosaic) -> None:
    size = frame.data.size
    assert lost_share(with_hole(frame, size // 2, size // 5)) == pytest.approx(0.2, abs=1e-3)
    assert lost_share(with_hole(frame, 0, size)) == 1.0


def test_what_is_dark_or_empty_at_the_border_is_whole(frame: Mosaic) -> None:
    assert lost_share(frame) == 0.0
    width = frame.data.shape[1]
    assert lost_share(with_hole(frame, 0, 8 * width)) == 0.0, "rows that a camera leaves empty"
    # Where the file states no black level, zeros may be what was dark.
    assert lost_share(replace(with_hole(frame, 9000, 90_000), black=(0.0,) * 4)) == 0.0
    # The noise of a dark file goes down to zero, but not in a run.
    rng = np.random.default_rng(1)
    dark = np.clip(rng.normal(6.0, 5.0, frame.data.shape), 0, None).astype(np.uint16)
    assert np.mean(dark == 0) > 0.1
    assert lost_share(replace(frame, data=dark, black=(6.0,) * 4)) == 0.0
    for width in (16, 140):  # too narrow for a run
        small = np.zeros((64, width), np.uint16)
        assert lost_share(replace(frame, data=small)) == 0.0
    # Full is not lost, and has its own finding.
    assert lost_share(with_hole(frame, 9000, 90_000, value=16_383)) == 0.0


def test_of_a_damaged_file_nothing_else_is_said_or_learnt(frame: Mosaic) -> None:
    context = FrameContext(
        FilmProcess.BW_NEGATIVE, FILM_FORMATS["135"], 1, ("1/15", 1 / 15), memory=RollMemory()
    )
    assert measure_frame(frame, context).findings == ()
    size = frame.data.size
    measured = measure_frame(with_hole(frame, size * 7 // 10, size * 3 // 10), context)
    (finding,) = measured.findings
    assert (finding.code, finding.severity.value) == ("file-damaged", "reshoot")
    assert finding.value == pytest.approx(30.0, abs=0.1)
    assert "30 % of the picture is empty" in finding.text
    assert "change the card" in finding.action
    assert measured.memory == context.memory
