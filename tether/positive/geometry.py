"""Straight, cropped, the right way round: where the picture lies, and how it is turned."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tether.facts import Corners
from tether.positive.deskew import size_for, straightened

STRAIGHT_DEGREES = 0.15
"""Turn up to which a picture is cropped and not turned: the eye does not see it, and turning
costs sharpness (common practice, no published source)."""


@dataclass(frozen=True, slots=True)
class Placement:
    """What part of a picture is printed.

    Attributes
    ----------
    rows, columns
        The part that has to be read, in pixels.
    degrees
        By how much the film is turned clockwise in it; 0 for less than `STRAIGHT_DEGREES`.
    size
        (height, width) of the print before any quarter turn.
    centre
        Middle of the print within the part, (x, y).
    """

    rows: slice
    columns: slice
    degrees: float
    size: tuple[int, int]
    centre: tuple[float, float]


def placed(outline: Corners | None, step: int, shape: tuple[int, int]) -> Placement:
    """Work out what is printed of a picture.

    Parameters
    ----------
    outline
        In photosites; None for all.
    step
        Photosites along a pixel.
    shape
        (height, width) of the picture in pixels.
    """
    height, width = shape
    whole = Placement(slice(0, height), slice(0, width), 0.0, shape, (width / 2, height / 2))
    if outline is None:
        return whole
    corners = np.asarray(outline, np.float64) / step
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = corners
    degrees = math.degrees(math.atan2(by - ay + cy - dy, bx - ax + cx - dx))
    if abs(degrees) <= STRAIGHT_DEGREES:
        left, right = max(ax, dx, 0.0), min(bx, cx, float(width))
        top, bottom = max(ay, by, 0.0), min(cy, dy, float(height))
        rows = slice(math.ceil(top), math.floor(bottom))
        columns = slice(math.ceil(left), math.floor(right))
        size = (rows.stop - rows.start, columns.stop - columns.start)
        if min(size) < 8:
            return whole
        return Placement(rows, columns, 0.0, size, (size[1] / 2, size[0] / 2))
    # Some more is read than is printed: for the filter, and for how far the straightening shears.
    more = 4 + math.ceil(max(shape) * math.radians(degrees) ** 2)
    low = np.maximum(np.floor(corners.min(axis=0)) - more, 0).astype(int)
    high = np.minimum(np.ceil(corners.max(axis=0)) + more, (width, height)).astype(int)
    sides = (
        (math.dist((ax, ay), (dx, dy)) + math.dist((bx, by), (cx, cy))) / 2,
        (math.dist((ax, ay), (bx, by)) + math.dist((dx, dy), (cx, cy))) / 2,
    )
    size = size_for(sides, degrees)
    if min(size) < 8 or (high - low).min() < 8:
        return whole
    middle = corners.mean(axis=0) - low
    return Placement(
        slice(int(low[1]), int(high[1])),
        slice(int(low[0]), int(high[0])),
        degrees,
        size,
        (float(middle[0]), float(middle[1])),
    )


def canvas(
    shape: tuple[int, ...], *, mirrored: bool, turn: int
) -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
    """Return an empty print, and a view of it that is written to as the raw file lies.

    Spares a pass over the whole picture: what is written in the second is in its place in the
    first. ``shape`` is that of the view, (h, w) or (h, w, 3); the others as in `upright`.
    """
    quarter = (turn // 90) % 4
    size = shape if quarter % 2 == 0 else (shape[1], shape[0], *shape[2:])
    whole = np.empty(size, np.uint16)
    view = np.rot90(whole, quarter)
    return whole, view[:, ::-1] if mirrored else view


def upright(
    picture: NDArray[np.uint16], place: Placement, *, mirrored: bool, turn: int
) -> NDArray[np.uint16]:
    """Straighten what was read turned, and bring it into the print's own position.

    Parameters
    ----------
    picture
        The part that `Placement` asked for, shape (h, w) or (h, w, 3), mirrored already.
    mirrored
        Whether it is.
    turn
        Quarter turns in degrees clockwise, after that.
    """
    (x, y), degrees = place.centre, place.degrees
    if mirrored:
        x, degrees = picture.shape[1] - x, -degrees
    out = straightened(picture, degrees, place.size, (x, y))
    return np.ascontiguousarray(np.rot90(out, -(turn // 90) % 4))
