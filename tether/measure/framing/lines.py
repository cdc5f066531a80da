"""Long straight borders in a small picture: where picture and rebate meet."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from tether.measure.levels import FloatArray, row_medians

_BLOCKS = 24
_CENTRAL = 0.64
_STEP_DEGREES = 0.25
_KEPT = 6
_BLACK_EV = 2.0
"""What glare, noise and print may add to a transparency's black rebate, stops."""
_LEAST_LIT = 0.3
"""Share of a border's length along which a transparency's picture has to be light at the least."""
_REACH = 6
"""Pixels to each side of a border within which it is placed exactly."""


@dataclass(frozen=True, slots=True)
class Line:
    """A border that runs down a picture: ``x = at + slope * (y - middle)``, in pixels.

    Attributes
    ----------
    at
        Place at the picture's middle row.
    slope
        Tangent of its angle to the picture's columns.
    hit
        Share of its length, 0..1, along which the contrast is seen.
    outside, inside
        Levels right beyond it and right before it, in stops.
    """

    at: float
    slope: float
    hit: float
    outside: float
    inside: float


def find_lines(
    stops: FloatArray,
    contrast: float,
    largest_degrees: float,
    span: tuple[float, float] | None = None,
) -> list[Line]:
    """Find borders with an even strip of another level to their right.

    A border counts where, for most of the picture's central rows, what lies to its right is
    lighter than what lies to its left (darker, for a negative ``contrast``), nowhere the other
    way round, and the strip to the right is even along the border. All angles are tried at once
    on the means of short blocks of rows.

    Parameters
    ----------
    stops
        Picture in stops, shape (h, w).
    contrast
        Smallest step across the border, in stops.
    largest_degrees
        Largest angle to the columns.
    span
        First and last column that light reaches; what lies beyond counts neither way.

    Returns
    -------
    At most six lines, the clearest first.
    """
    height, width = stops.shape
    if height < _BLOCKS * 2 or width < 32:
        return []
    low, high = span or (0, width)
    rows = max(1, int(height * _CENTRAL) // _BLOCKS)
    top = (height - rows * _BLOCKS) // 2
    blocks = stops[top : top + rows * _BLOCKS].reshape(_BLOCKS, rows, width).mean(axis=1)
    before, beyond = _strips(blocks)
    step = beyond - before
    # Beside a transparency it is black all along, and the picture is light in some places only.
    black = beyond < float(np.percentile(blocks[:, ::4], 2)) + _BLACK_EV
    votes = (step > contrast) - 2.0 * (step < -contrast)
    if contrast < 0:
        votes = (black & (step < contrast)) - 2.0 * ~black
    asked = (np.abs(step) > abs(contrast)) | ~black
    # Of the angles under which a border is seen along its whole length, the sharpest is right.
    sharp = np.zeros_like(blocks)
    sharp[:, 1:] = np.clip(np.diff(blocks, axis=1) * np.sign(contrast), 0, 1.5)
    tries = math.ceil(largest_degrees / _STEP_DEGREES)
    slopes = np.tan(np.radians(np.arange(-tries, tries + 1) * _STEP_DEGREES))
    middle = top + rows * (np.arange(_BLOCKS) + 0.5) - height / 2
    shift = np.rint(slopes[:, None] * middle[None, :]).astype(np.intp)
    first, last = max(3, math.ceil(low + 3)), min(width, math.ceil(high)) - 3
    last = max(first, last)
    for plane in (votes, sharp, asked):
        plane[:, :first] = plane[:, last:] = 0
    reach = int(np.abs(shift).max())
    score = _along(votes.astype(np.float32), shift, reach)
    clear = _along(sharp, shift, reach)
    # A tilted border may run out of the gate: what is left of it counts.
    length = np.maximum(_blocks_inside(shift, first, last, width), np.float32(0.4 * _BLOCKS))
    if contrast < 0:
        told = _along(asked.astype(np.float32), shift, reach)
        length = np.maximum(np.minimum(length, told), np.float32(_LEAST_LIT * _BLOCKS))
    score /= length
    both = score + np.float32(0.5) * clear / length
    both[score < 0.25] = -1
    best = both.argmax(axis=0)
    columns, each = np.arange(width), np.arange(_BLOCKS)[:, None]
    strength = both[best, columns]
    # What lies beyond each border, block by block, at its best angle.
    place = columns + shift[best].T
    seen = (place >= first) & (place < last)
    place = np.clip(place, 0, width - 1)
    along = beyond[each, place]
    even = np.abs(np.diff(along, axis=0)) < 0.1
    if contrast < 0:
        even = (black[each, place] & (np.abs(along - np.median(along, axis=0)) < 0.5))[1:]
    count = np.count_nonzero(seen[1:], axis=0)
    good = np.count_nonzero(even & seen[1:], axis=0) >= 0.75 * count
    good &= (strength >= 0) & (np.count_nonzero(seen, axis=0) >= 0.4 * _BLOCKS)
    borders: list[Line] = []
    free = np.ones(width, bool)
    for column in np.argsort(-strength)[: 12 * _KEPT].tolist():
        if len(borders) == _KEPT:
            break
        if not (free[column] and good[column]):
            continue
        free[max(0, column - 4) : column + 5] = False
        chosen, inside = int(best[column]), seen[:, column]
        inner = before[each[:, 0], place[:, column]]
        borders.append(
            Line(
                float(column),
                float(slopes[chosen]),
                float(score[chosen, column]),
                float(np.median(along[inside, column])),
                float(np.median(inner[inside])),
            )
        )
    return borders


def _along(blocks: FloatArray, shift: NDArray[np.intp], reach: int) -> FloatArray:
    """Return the sums along slanted lines that begin at each column, shape (slopes, columns).

    ``shift`` is the columns by which each slope moves each block, shape (slopes, blocks);
    ``reach`` their greatest amount. Beyond the ends there is nothing to add.
    """
    width = blocks.shape[1]
    padded = np.pad(blocks, ((0, 0), (reach, reach)))
    total = np.zeros((shift.shape[0], width), np.float32)
    for block, moved in zip(
        sliding_window_view(padded, width, axis=1), (shift + reach).T, strict=True
    ):
        total += block[moved]
    return total


def _blocks_inside(shift: NDArray[np.intp], first: int, last: int, width: int) -> FloatArray:
    """Return how many blocks of each slanted line lie from column ``first`` to before ``last``.

    ``shift`` as in `_along`; shape (slopes, columns).
    """
    slopes = np.arange(shift.shape[0])[:, None] * (width + 1)
    enter, leave = (
        np.bincount(
            (slopes + np.clip(end - shift, 0, width)).ravel(), minlength=slopes.size * (width + 1)
        )
        for end in (first, last)
    )
    inside = np.cumsum((enter - leave).reshape(slopes.size, width + 1), axis=1)
    return inside[:, :width].astype(np.float32)


def _strips(blocks: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the means of three columns before and after a border that begins at each column.

    The border's own column is left out, for it seldom falls between two columns. Both are zero
    within three columns of an end.
    """
    width = blocks.shape[1]
    side = (blocks[:, :-2] + blocks[:, 1:-1] + blocks[:, 2:]) / 3
    before, beyond = np.zeros_like(blocks), np.zeros_like(blocks)
    before[:, 3 : width - 3] = side[:, : width - 6]
    beyond[:, 3 : width - 3] = side[:, 4:]
    return before, beyond


def refined(
    signal: FloatArray, line: Line, contrast: float, rows: tuple[float, float]
) -> Line | None:
    """Place a line to a fraction of a pixel; see `_placed`.

    Where a narrow rebate ends within reach its lightest place counts, and nothing beyond it. (One
    that is dark goes over into the gate's mask without an end.)
    """
    placed = _placed(signal, line, contrast, rows)
    if placed is None and contrast > 0:
        return _placed(signal, line, contrast, rows, narrow=True)
    return placed


def _placed(
    signal: FloatArray,
    line: Line,
    contrast: float,
    rows: tuple[float, float],
    *,
    narrow: bool = False,
) -> Line | None:
    """Place a line to a fraction of a pixel: where each row crosses half the step's height.

    Parameters
    ----------
    signal
        Linear picture, shape (h, w), in which ``line`` is known to a few pixels.
    contrast
        As in `find_lines`.
    rows
        First and last row to use.
    narrow
        Whether the strip beyond may end within six pixels.

    Returns
    -------
    The line, or None where too few rows show a step.
    """
    height, width = signal.shape
    first, last = max(0, math.ceil(rows[0])), min(height, math.floor(rows[1]))
    y = np.arange(first, last)
    if y.size < 16:
        return None
    guess = line.at + line.slope * (y - height / 2)
    base = np.rint(guess).astype(np.intp)
    reach = np.arange(-_REACH, _REACH + 1)
    index = base[:, None] + reach[None, :]
    usable = (index[:, 0] >= 0) & (index[:, -1] < width)
    y, base, index = y[usable], base[usable], index[usable]
    if y.size < 16:
        return None
    near = np.take_along_axis(signal[first:last][usable], index, axis=1)
    # Outer strip right after the border's own width, inner strip before it.
    low, high = row_medians(near[:, :3]), row_medians(near[:, -3:])
    if narrow:
        peak = near[:, _REACH - 1 :].argmax(axis=1)
        high = np.take_along_axis(near, peak[:, None] + _REACH - 1, axis=1)[:, 0]
    ratio = np.abs(np.log2(np.maximum(high, 1e-5) / np.maximum(low, 1e-5)))
    rising = (high > low) == (contrast > 0)
    half = (low + high) / 2
    above = (near > half[:, None]) if contrast > 0 else (near < half[:, None])
    if narrow:
        above |= np.arange(near.shape[1]) >= peak[:, None] + _REACH - 1
    # The last pixel on the inner side, looking from the outside in.
    inner = near.shape[1] - 1 - np.argmin(above[:, ::-1], axis=1)
    good = rising & (ratio > abs(contrast)) & (inner < near.shape[1] - 1) & (inner > 0)
    if np.count_nonzero(good) < max(12, 0.1 * good.size):
        return None
    y, inner, base = y[good], inner[good], base[good]
    near, half = near[good], half[good]
    each = np.arange(y.size)
    a, b = near[each, inner], near[each, inner + 1]
    fraction = np.clip((half - a) / np.where(a == b, 1.0, b - a), 0, 1)
    # Pixel i covers i..i+1, so a crossing between centres i and i+1 lies at i + 0.5 + fraction.
    x = base + reach[inner] + 0.5 + fraction
    t = y + 0.5 - height / 2
    keep = np.ones(x.size, bool)
    slope, at = line.slope, line.at
    for _ in range(4):
        if np.count_nonzero(keep) < 12:
            return None
        slope, at = _straight(t[keep], x[keep])
        rest = x - (at + slope * t)
        spread = max(1.4826 * float(np.median(np.abs(rest[keep]))), 0.1)
        keep = np.abs(rest) < 2.5 * spread
    if spread > 1.5:
        return None
    return replace(line, at=float(at), slope=float(slope))


def _straight(t: NDArray[np.float64], x: NDArray[np.float64]) -> tuple[float, float]:
    """Return slope and height at 0 of the straight line through points (least squares)."""
    middle = t.mean()
    off = t - middle
    slope = float(off @ x) / max(float(off @ off), 1e-9)
    return slope, float(x.mean() - slope * middle)
