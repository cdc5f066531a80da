"""Every saturated photosite is counted, in every channel, phase and shape of mosaic."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.measure.on_bench import NAMES, TILES
from tether.measure.exposure.saturation import saturation_map
from tether.measure.shapes import Quad
from tether.raw import Mosaic

# The X-Trans tile as LibRaw's documentation prints it for its 6 x 6 colour filter array.
XTRANS = np.array(
    [
        [1, 1, 0, 1, 1, 2], [1, 1, 2, 1, 1, 0], [2, 0, 1, 0, 2, 1],
        [1, 1, 2, 1, 1, 0], [1, 1, 0, 1, 1, 2], [0, 2, 1, 2, 0, 1],
    ]
)  # fmt: skip


def _mosaic(data: np.ndarray, pattern: np.ndarray, levels: tuple[float, ...]) -> Mosaic:
    names = NAMES if pattern.max() == 3 else ("R", "G", "B")[: int(pattern.max()) + 1]
    return Mosaic(data, pattern, names, (0.0,) * len(names), levels)


def _counted(mosaic: Mosaic, inside: np.ndarray) -> dict[str, float]:
    """The plain way: look at every photosite."""
    height, width = mosaic.shape
    tile_y, tile_x = mosaic.pattern.shape
    channel = np.tile(mosaic.pattern, (height // tile_y + 1, width // tile_x + 1))
    channel = channel[:height, :width]
    shares = {}
    for index, name in enumerate(mosaic.channels):
        of = (channel == index) & inside
        hit = mosaic.data[of] >= mosaic.saturation[index]
        shares[name] = float(hit.mean()) if hit.size else 0.0
    return shares


@settings(max_examples=40)
@given(
    seed=st.integers(0, 10_000),
    phase=st.sampled_from([*TILES, "xtrans", "none"]),
    height=st.integers(20, 150),
    width=st.integers(20, 150),
)
def test_counts_equal_those_of_the_plain_way(
    seed: int, phase: str, height: int, width: int
) -> None:
    rng = np.random.default_rng(seed)
    pattern = {"xtrans": XTRANS, "none": np.zeros((1, 1), int)}.get(phase)
    pattern = np.array(TILES[phase]) if pattern is None else pattern
    count = int(pattern.max()) + 1
    levels = tuple(float(v) for v in rng.integers(200, 255, count))
    mosaic = _mosaic(rng.integers(0, 256, (height, width)).astype(np.uint16), pattern, levels)
    expected = _counted(mosaic, np.ones((height, width), bool))
    assert saturation_map(mosaic).shares() == pytest.approx(expected)


def test_a_level_between_two_values_counts_what_reaches_it() -> None:
    data = np.full((32, 32), 100, np.uint16)
    data[0, 0] = 101
    mosaic = _mosaic(data, np.zeros((1, 1), int), (100.5,))
    assert saturation_map(mosaic).shares()["R"] == pytest.approx(1 / 1024)


@pytest.mark.parametrize("phase", TILES)
def test_only_what_lies_inside_the_outline_counts(phase: str) -> None:
    data = np.zeros((320, 480), np.uint16)
    data[:32] = 1000  # perforations and bare light beside the picture
    data[100:110, 200:260] = 1000  # in the picture
    mosaic = _mosaic(data, np.array(TILES[phase]), (900.0,) * 4)
    inside = np.zeros(data.shape, bool)
    inside[64:288, 40:440] = True
    outline = Quad(((40, 64), (440, 64), (440, 288), (40, 288)))
    found = saturation_map(mosaic).shares_within(outline)
    assert found == pytest.approx(_counted(mosaic, inside), rel=1e-6)
    assert all(share > 0 for share in found.values())


def test_a_slanted_outline_is_followed() -> None:
    rng = np.random.default_rng(5)
    data = (rng.random((640, 960)) < 0.3).astype(np.uint16) * 1000
    data[:200] = 0
    mosaic = _mosaic(data, np.array(TILES["RGGB"]), (900.0,) * 4)
    outline = Quad(((120.0, 60.0), (860.0, 90.0), (840.0, 600.0), (100.0, 570.0)))
    expected = _counted(mosaic, outline.mask(data.shape))
    found = saturation_map(mosaic).shares_within(outline)
    assert found == pytest.approx(expected, rel=0.02)
