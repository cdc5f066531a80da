"""Straight, cropped, the right way round: where the picture lies, and how it is turned."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tether.facts import Corners

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


def of_part(rows: slice, columns: slice) -> Placement:
    """Return what prints a part of a picture as it lies."""
    size = (rows.stop - rows.start, columns.stop - columns.start)
    return Placement(rows, columns, 0.0, size, (size[1] / 2, size[0] / 2))


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
    whole = of_part(slice(0, height), slice(0, width))
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
        flat = of_part(rows, columns)
        return flat if min(flat.size) >= 8 else whole
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


Shorts = NDArray[np.uint16]

#: Taps before the pixel and after it that a value is made of.
BEFORE, AFTER = 1, 2

#: The free constant of cubic convolution (R. Keys, 1981): -0.5 follows curves best, -1 keeps grain
#: best; between them by common practice.
_KEYS = -0.75

_BAND = 64
_TOP = 65535


def size_for(size: tuple[float, float], degrees: float) -> tuple[int, int]:
    """Return the (height, width) in which a turned rectangle of that size is whole."""
    turn = math.radians(degrees)
    cosine, sine = math.cos(turn), math.sin(turn)
    return round(size[0] * cosine), round(size[1] * cosine / (1 - sine * math.tan(turn)))


def straightened(
    picture: Shorts, degrees: float, size: tuple[int, int], centre: tuple[float, float]
) -> Shorts:
    """Return the upright rectangle around a point of a picture in which things lie turned.

    Parameters
    ----------
    picture
        Shape (h, w) or (h, w, 3).
    degrees
        By how much they are turned clockwise, up to a few degrees.
    size
        (height, width) of the result.
    centre
        Its middle in the picture, (x, y) with (0, 0) at the outer corner of the first pixel.

    Returns
    -------
    What lies outside the picture is 0.
    """
    turn = math.radians(degrees)
    (height, width), (x, y) = size, centre
    columns = np.arange(width) + 0.5
    # The row of the picture at which each column of the result begins.
    down = y - height / 2 + math.sin(turn) * (columns - width / 2)
    first = math.floor(down.min()) - BEFORE
    row_shear = _RowShear(picture, width, x, y, math.tan(turn))
    column_shear = _ColumnShear(down - first, math.prod(picture.shape[2:]))
    spare = math.floor(down.max()) - math.floor(down.min()) + BEFORE + AFTER
    rows = np.empty((spare + _BAND, row_shear.length), np.float32)
    out = np.empty((height, row_shear.length), np.uint16)
    for top in range(0, height, _BAND):
        bottom = min(top + _BAND, height)
        if top:  # what the last band read beyond its end, this one begins with
            rows[:spare] = rows[_BAND:]
        for row in range(spare if top else 0, spare + bottom - top):
            row_shear.row(first + top + row, rows[row])
        column_shear.band(rows, out[top:bottom])
    return out.reshape(height, width, *picture.shape[2:])


def _weights(part: NDArray[np.floating]) -> NDArray[np.float32]:
    """Return the weights of four neighbours at places between them, shape (4, n)."""
    t, a = part, _KEYS
    weights = [
        a * t * (1 - t) ** 2,
        (a + 2) * t**3 - (a + 3) * t**2 + 1,
        (a + 2) * (1 - t) ** 3 - (a + 3) * (1 - t) ** 2 + 1,
        a * (1 - t) * t**2,
    ]
    return np.asarray(weights, np.float32)


class _RowShear:
    """A shear of a picture's rows, so that what is turned comes to be upright."""

    def __init__(self, picture: Shorts, width: int, x: float, y: float, slope: float) -> None:
        self._channels = math.prod(picture.shape[2:])
        self._flat = picture.reshape(picture.shape[0], -1)
        # The pixel of each row of the picture at which the result begins.
        first = x - width / 2 - slope * (np.arange(picture.shape[0]) + 0.5 - y)
        self._whole = np.floor(first).astype(int)
        self._weights = _weights(first - self._whole)
        self.length = width * self._channels
        self._row = np.zeros(self.length + (BEFORE + AFTER) * self._channels, np.float32)
        self._term = np.empty(self.length, np.float32)

    def row(self, number: int, out: NDArray[np.float32]) -> None:
        """Write a row, moved, into ``out``; zeros where the picture has no such row."""
        if not 0 <= number < self._flat.shape[0]:
            out[:] = 0
            return
        start = (int(self._whole[number]) - BEFORE) * self._channels
        source, row = self._flat[number], self._row
        low, high = max(0, start), max(0, min(source.size, start + row.size))
        if high - low < row.size:
            row[:] = 0
        row[low - start : high - start] = source[low:high]
        weights = self._weights[:, number]
        np.multiply(row[: self.length], weights[0], out=out)
        for tap in (1, 2, 3):
            at = tap * self._channels
            np.multiply(row[at : at + self.length], weights[tap], out=self._term)
            out += self._term


class _ColumnShear:
    """A shear of the columns of a band of rows; those that move alike are moved together."""

    def __init__(self, first: NDArray[np.floating], channels: int) -> None:
        whole = np.floor(first).astype(int)
        self._weights = np.repeat(_weights(first - whole), channels, axis=1)
        edges = [0, *(np.flatnonzero(np.diff(whole)) + 1).tolist(), whole.size]
        self._blocks = [
            (int(whole[a]) - BEFORE, slice(a * channels, b * channels)) for a, b in pairwise(edges)
        ]

    def band(self, rows: NDArray[np.float32], out: Shorts) -> None:
        """Write as many rows as ``out`` has from those that its first one begins at."""
        height = out.shape[0]
        for at, where in self._blocks:
            weights = self._weights[:, where]
            total = rows[at : at + height, where] * weights[0]
            for tap in (1, 2, 3):
                total += rows[at + tap : at + tap + height, where] * weights[tap]
            out[:, where] = _rounded(total)


def _rounded(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Bring values into range and to where cutting their fraction rounds them; in place."""
    np.clip(values, 0, _TOP, out=values)
    values += np.float32(0.5)
    return values
