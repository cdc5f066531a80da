"""Parts of a take at any size, against LibRaw's own interpolation and against the whole print."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import rawpy

from tests.positive.photographed import photograph, renderings_of
from tests.positive.sensors import SIX, with_sensor
from tether.film import FilmProcess
from tether.positive.linear import stepped, tile_weights
from tether.positive.printing import is_grey, print_frame
from tether.raw import Mosaic, open_mosaic
from tether.settings import PositiveSettings


@pytest.fixture(scope="module")
def bayer(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return photograph(tmp_path_factory.mktemp("film"), FilmProcess.COLOUR_NEGATIVE, 1)[0].path


def test_at_full_size_it_is_libraws_bilinear_interpolation(bayer: Path) -> None:
    mosaic = open_mosaic(bayer)
    with rawpy.imread(str(bayer)) as raw:
        reference = raw.postprocess(
            demosaic_algorithm=rawpy.DemosaicAlgorithm.LINEAR, gamma=(1, 1), no_auto_bright=True,
            output_color=rawpy.ColorSpace.raw, output_bps=16, user_wb=[1.0] * 4, user_flip=0,
            adjust_maximum_thr=0.0,
        ) / 65535  # fmt: skip
    rows, columns = slice(101, 180), slice(50, 151)
    part = stepped(mosaic, 1, grey=False).band(rows, columns)
    assert np.abs(np.moveaxis(part, 0, -1) - reference[rows, columns]).max() < 3e-4


@pytest.mark.parametrize("tile", [None, SIX], ids=["no colours", "6 x 6"])
def test_other_sensors_keep_what_their_photosites_saw(
    bayer: Path, tmp_path: Path, tile: np.ndarray | None
) -> None:
    mosaic = open_mosaic(with_sensor(bayer, tmp_path / "other.dng", tile))
    rows, columns = slice(61, 90), slice(70, 103)
    part = stepped(mosaic, 1, grey=False).band(rows, columns)
    signal = (mosaic.data[rows, columns] - mosaic.black[0]) / (
        mosaic.saturation[0] - mosaic.black[0]
    )
    if tile is None:
        assert np.allclose(part[0], 4 * signal, atol=1e-5)
    else:
        y, x = np.mgrid[rows, columns]
        own = np.take_along_axis(part, mosaic.pattern[y % 6, x % 6][None], axis=0)[0]
        assert np.allclose(own, signal, atol=1e-5)
        assert np.abs(part - part.mean(axis=0)).max() < 0.5, "no place was left without a colour"


@pytest.mark.parametrize("step", [2, 4, 8])
def test_smaller_sizes_are_means_of_larger_ones(step: int) -> None:
    tile = np.array([[0, 1], [3, 2]])
    light = np.array([0.1, 0.4, 0.7, 0.5])
    data = np.round(100 + 1000 * light[np.tile(tile, (32, 48))]).astype(np.uint16)
    mosaic = Mosaic(data, tile, ("R", "G1", "B", "G2"), (100.0,) * 4, (1100.0,) * 4)
    part = stepped(mosaic, step, grey=False)
    assert part.step == step
    assert part.shape == (64 // step, 96 // step)
    band = part.band(slice(1, 3), slice(2, 9))
    assert np.allclose(band, np.array([0.1, 0.45, 0.7])[:, None, None], atol=1e-3)


@pytest.mark.parametrize("process", FilmProcess)
def test_a_part_is_printed_as_in_the_whole(tmp_path: Path, process: FilmProcess) -> None:
    shots = photograph(tmp_path, process, frames=1)
    (rendering,) = renderings_of(shots, process, PositiveSettings())
    mosaic = open_mosaic(shots[0].path)
    linear = stepped(mosaic, 2, grey=is_grey(rendering))
    whole_look = replace(rendering, outline=None, mirrored=False)
    weights = tile_weights(mosaic)
    whole = print_frame(linear, whole_look, weights)
    rows, columns = slice(40, 45), slice(30, 190)
    part = print_frame(linear, whole_look, weights, None, (rows, columns))
    assert np.array_equal(part, whole[rows, columns])
