"""How a print lies: mirrored, turned, and written straight into its place."""

from __future__ import annotations

import math

import numpy as np
import pytest
from PIL import Image

from tether.positive.geometry import canvas, size_for, straightened


@pytest.mark.parametrize("shape", [(5, 8), (5, 8, 3)])
@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_a_print_written_in_place_is_the_one_that_pillow_turns(
    shape: tuple[int, ...], mirrored: bool, turn: int
) -> None:
    picture = np.arange(np.prod(shape), dtype=np.uint16).reshape(shape)
    whole, view = canvas(shape, mirrored=mirrored, turn=turn)
    assert view.shape == shape
    view[:] = picture
    # Pillow as the reference: it mirrors, then turns anticlockwise by what it is given.
    channels = []
    for plane in np.atleast_3d(picture).transpose(2, 0, 1):
        image = Image.fromarray(plane.astype(np.int32))
        if mirrored:
            image = image.transpose(Image.Transpose.FLIP_LEFT_RIGHT)
        channels.append(np.asarray(image.rotate(-turn, expand=True)))
    wanted = np.stack(channels, axis=2).reshape(whole.shape)
    np.testing.assert_array_equal(whole, wanted)


@pytest.mark.parametrize("shape", [(90, 140), (90, 140, 3)])
@pytest.mark.parametrize("degrees", [-1.3, 0.4, 3.0])
def test_straightening_agrees_with_another_rotation(shape: tuple[int, ...], degrees: float) -> None:
    """Against SciPy's spline interpolation of the exact rotation, on a smooth picture."""
    ndimage = pytest.importorskip("scipy.ndimage", reason="SciPy is not installed")
    rng = np.random.default_rng(4)
    smooth = [ndimage.gaussian_filter(rng.random(shape[:2]), 4.0) for _ in range(3)]
    picture = np.stack(smooth, axis=2)[..., : math.prod(shape[2:])].reshape(shape)
    picture = ((picture - picture.min()) / np.ptp(picture) * 60_000).astype(np.uint16)
    sides, centre = (50.0, 80.0), (71.3, 44.8)
    size = size_for(sides, degrees)
    got = straightened(picture, degrees, size, centre)
    assert got.shape == (*size, *shape[2:])
    turn = math.radians(degrees)
    # The same rectangle, sampled as often: pixel centres are half a pixel from the corner.
    v = (np.arange(size[0]) + 0.5) / size[0] * sides[0] - sides[0] / 2
    u = (np.arange(size[1]) + 0.5) / size[1] * sides[1] - sides[1] / 2
    at_y = centre[1] + math.sin(turn) * u[None] + math.cos(turn) * v[:, None] - 0.5
    at_x = centre[0] + math.cos(turn) * u[None] - math.sin(turn) * v[:, None] - 0.5
    for plane, seen in zip(np.atleast_3d(picture).T, np.atleast_3d(got).T, strict=True):
        wanted = ndimage.map_coordinates(plane.T.astype(float), [at_y, at_x], order=3)
        assert np.abs(seen.T - wanted).max() < 0.012 * np.ptp(wanted)


def test_what_lies_outside_the_picture_is_black_and_the_rest_stays() -> None:
    picture = np.full((20, 30), 40_000, np.uint16)
    got = straightened(picture, 0.5, (40, 50), (15.0, 10.0))
    assert got.shape == (40, 50)
    assert (got[:8] == 0).all()
    assert (got[:, :8] == 0).all()
    assert (got[14:26, 14:36] == 40_000).all()


def test_full_white_and_black_stay_what_they_are() -> None:
    checks = (np.indices((40, 60)).sum(axis=0) // 7 % 2 * 65_535).astype(np.uint16)
    got = straightened(checks, 1.0, (30, 50), (30.0, 20.0))
    assert (got.min(), got.max()) == (0, 65_535), "what the filter overshoots is cut, not wrapped"
