"""How a print lies: mirrored, turned, and written straight into its place."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

from tether.positive.geometry import canvas, placed, upright


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
    flat = placed(None, 1, (shape[0], shape[1]))
    np.testing.assert_array_equal(upright(picture, flat, mirrored=mirrored, turn=turn), wanted)
