"""Which part of a mosaic is picture, and what of it counts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tether.measure.context import FrameContext
from tether.measure.exposure.base import Base
from tether.measure.shapes import Quad
from tether.measure.survey import Survey
from tether.raw.mosaic import Mosaic

MARGIN = 0.08
"""Share of width and height left out all round where the frame's edges are not known."""
FALLOFF_EV = 0.25
"""How much lighter than at the rebate the light may be in the middle of the picture."""


def middle_area(mosaic: Mosaic, context: FrameContext) -> Quad:
    """Return where the picture should be: the format's size in the middle, or most of the view."""
    height, width = mosaic.shape
    scale, form = context.memory.scale, context.film_format
    if scale is None:
        return Quad.whole(width, height).shrunk(MARGIN)
    long, short = sorted((form.picture_along, form.picture_across), reverse=True)
    wide, high = (long, short) if width >= height else (short, long)
    half_x = min(wide * scale, width) * (0.5 - MARGIN / 2)
    half_y = min(high * scale, height) * (0.5 - MARGIN / 2)
    x, y = width / 2, height / 2
    return Quad(
        ((x - half_x, y - half_y), (x + half_x, y - half_y),
         (x + half_x, y + half_y), (x - half_x, y + half_y))
    )  # fmt: skip


def picture_mask(picture: Survey, area: Quad, base: Base | None) -> NDArray[np.bool_]:
    """Return which pixels of the survey are picture: inside, and no lighter than film can be."""
    inside = area.scaled(1 / picture.step).mask(picture.shape)
    if base is not None and base.source != "picture" and not base.clipped:
        for index, name in enumerate(picture.channels):
            limit = base.signal.get(name, 1.0) * 2 ** (2 * FALLOFF_EV)
            if limit < 1.0:
                inside &= picture.signal[index] <= limit
    if not inside.any():
        inside = area.scaled(1 / picture.step).mask(picture.shape)
    return inside


def without_bare_light(shares: dict[str, float], base: Base | None) -> dict[str, float]:
    """Leave out what saturates in a negative although its base cannot.

    The base is the lightest thing that belongs to a negative. Where it lies well under
    saturation, what is saturated within the picture is light through a scratch or a hole.
    """
    if base is None or base.clipped:
        return shares
    reach = 2**FALLOFF_EV
    return {
        name: 0.0 if base.signal.get(name, 1.0) * reach < 1.0 else share
        for name, share in shares.items()
    }


def upright_box(area: Quad, shape: tuple[int, int]) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return the rows and columns of the largest upright rectangle within an outline and view."""
    a, b, c, d = area.corners
    left, right = max(a[0], d[0], 0), min(b[0], c[0], shape[1])
    top, bottom = max(a[1], b[1], 0), min(c[1], d[1], shape[0])
    if right - left < 64 or bottom - top < 64:
        return (0, shape[0]), (0, shape[1])
    return (int(top), int(bottom)), (int(left), int(right))
