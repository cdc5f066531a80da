"""Four-sided areas and what lies inside them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.draw import polygon2mask

from tether.measure.shapes import Quad


def _turned(degrees: float, width: float, height: float, at: tuple[float, float]) -> Quad:
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    half = [(-width / 2, -height / 2), (width / 2, -height / 2), (width / 2, height / 2)]
    half.append((-width / 2, height / 2))
    return Quad(tuple((at[0] + x * c - y * s, at[1] + x * s + y * c) for x, y in half))


@given(st.floats(-10, 10), st.floats(20, 120), st.floats(20, 90))
def test_the_mask_is_scikit_images_polygon(degrees: float, width: float, height: float) -> None:
    quad = _turned(degrees, width, height, (75.3, 60.7))
    # scikit-image looks at the pixels' corners where ours looks at their middles.
    theirs = polygon2mask((120, 150), [(y - 0.5, x - 0.5) for x, y in quad.corners])
    assert np.count_nonzero(quad.mask((120, 150)) != theirs) <= 8


def test_sizes_centre_and_scaling() -> None:
    quad = _turned(5.0, 360, 240, (200, 150))
    assert (quad.width, quad.height) == pytest.approx((360, 240))
    assert quad.centre == pytest.approx((200, 150))
    assert quad.scaled(0.5).width == pytest.approx(180)
    assert quad.shrunk(0.1).width == pytest.approx(288)
    assert quad.grown(10).width == pytest.approx(380, abs=0.5)
    assert quad.grown(10).height == pytest.approx(260, abs=0.5)


def test_rows_outside_have_no_span() -> None:
    quad = Quad(((10, 20), (50, 20), (50, 40), (10, 40)))
    assert quad.span(19.5) == (0.0, 0.0)
    assert quad.span(30) == (10.0, 50.0)
    assert not quad.mask((15, 60)).any()
