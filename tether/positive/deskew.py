"""Turn a picture by a small angle: a shear along its rows, then one along its columns.

A turn by ``t`` is nearly a shear of the rows, each by ``-tan t`` times its height, and then one of
the columns, each by ``sin t`` times its place (two-pass image rotation). Each row is moved by one
amount, so that it is a sum of a few shifted copies of itself, many times faster than to look up
each pixel. What it leaves is a difference of ``t ** 2`` between the scales along and down: 0.03 %
at a degree.
`size_for` chooses the size by which the corners still come to lie in the corners.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

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
