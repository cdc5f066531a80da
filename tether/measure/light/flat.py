"""The open gate as a flat field: a grid of its light, spread over a picture, and its age."""

from __future__ import annotations

from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from tether.findings import Finding
from tether.measure.film.dust import Spots, find_spots
from tether.measure.levels import FLOOR, FloatArray
from tether.measure.light.open_gate import uneven_percent
from tether.measure.roll.memory import OpenGate
from tether.measure.survey import Survey, survey
from tether.raw import Mosaic
from tether.settings import LightSettings

_MASKED = 0.5
"""Share of the median light below which a cell lies behind the gate's mask."""
_AROUND = 4
"""Cells to each side from which the light over a spot is taken."""


def flat_of(mosaic: Mosaic, taken_at: str = "", picture: Survey | None = None) -> OpenGate:
    """Return the open gate's light on a small grid, for keeping with the roll.

    Parameters
    ----------
    mosaic
        The open gate: lamp on, no film.
    taken_at
        When it was taken, ISO 8601 with its offset from UTC.
    picture
        Its survey where there is one already.
    """
    picture = picture or survey(mosaic)
    exposure = (mosaic.exposure_seconds, mosaic.iso, mosaic.f_number)
    grid = np.stack([_without_mask(plane) for plane in grid_of(picture.signal)])
    grid = without_spots(grid, find_spots(mosaic))
    return OpenGate(
        picture.channels, grid.astype(np.float32), exposure, taken_at, uneven_percent(picture)
    )


def _without_mask(grid: FloatArray) -> FloatArray:
    """Carry the light on over cells behind the gate's mask, so that its edge does not show.

    From the last two lit cells of a row or column the light goes on in a straight line.
    """
    lit = grid > _MASKED * np.median(grid)
    out = grid.astype(np.float64)
    for axis in (1, 0):
        lines, shown = (out, lit) if axis == 1 else (out.T, lit.T)
        for line, of_line in zip(lines, shown, strict=True):
            inside = np.flatnonzero(of_line)
            if inside.size < 2:
                continue
            place = np.arange(line.size)
            for end, step in ((inside[0], 1), (inside[-1], -1)):
                slope = line[end + step] - line[end]
                outside = place < end if step == 1 else place > end
                line[outside] = line[end] - slope * np.abs(place[outside] - end)
        lit = lit | (lit.any(axis=axis, keepdims=True) & (lit.sum(axis=axis, keepdims=True) >= 2))
    return np.asarray(np.maximum(out, FLOOR), np.float32)


def without_spots(grid: FloatArray, spots: Spots) -> FloatArray:
    """Carry the light on over cells with dust in them: it will be gone, or elsewhere.

    Those cells, and the ones around them, get the median of the clear cells near them. ``spots``
    are those of `tether.measure.film.dust.find_spots`.
    """
    rows, columns = grid.shape[1:]
    marked = np.zeros((rows, columns), np.bool_)
    for row, column, _ in spots:
        r, c = int(row * rows), int(column * columns)
        marked[max(0, r - 1) : r + 2, max(0, c - 1) : c + 2] = True
    out = grid.copy()
    for r, c in np.argwhere(marked):
        near = np.s_[max(0, r - _AROUND) : r + _AROUND + 1, max(0, c - _AROUND) : c + _AROUND + 1]
        clear = ~marked[near]
        if clear.any():
            out[:, r, c] = np.median(grid[:, near[0], near[1]][:, clear], axis=1)
    return out


def grid_of(signal: FloatArray, rows: int = 32, columns: int = 48) -> FloatArray:
    """Return the medians of the cells of a grid, shape (channels, rows, columns)."""
    height, width = signal.shape[1:]
    rows, columns = min(rows, height), min(columns, width)
    high, wide = height // rows, width // columns
    top, left = (height - high * rows) // 2, (width - wide * columns) // 2
    part = signal[:, top : top + high * rows, left : left + wide * columns]
    cells = part.reshape(signal.shape[0], rows, high, columns, wide)
    return np.asarray(np.median(cells, axis=(2, 4)), np.float32)


def spread(grid: FloatArray, shape: tuple[int, int], every: int = 1) -> FloatArray:
    """Return a grid of (channels, rows, columns) at a picture's pixels, linear between cells.

    ``shape`` is the picture's (height, width); of its rows and columns every ``every``-th is taken.
    """
    wanted = slice(None, None, every)
    return along_axis(along_axis(grid, 1, shape[0], wanted), 2, shape[1], wanted)


def along_axis(grid: FloatArray, axis: int, size: int, wanted: slice | None = None) -> FloatArray:
    """Return a grid at the pixels of one axis, ``size`` of them in all, linear between cells."""
    wanted = wanted or slice(None)
    low, high, part = _between(grid.shape[axis], size)
    first = np.take(grid, low[wanted], axis=axis)
    share = part[wanted].reshape([-1 if a == axis else 1 for a in range(3)])
    return np.asarray(first + (np.take(grid, high[wanted], axis=axis) - first) * share, np.float32)


def spread_at(grid: FloatArray, shape: tuple[int, int], places: NDArray[np.intp]) -> FloatArray:
    """Return what `spread` has at some pixels, given by their index in the flattened picture.

    Shape (channels, places). Takes a share of the time where few pixels are wanted.
    """
    rows, columns = np.divmod(places, shape[1])
    (top, bottom, down), (left, right, across) = (
        tuple(part[at] for part in _between(cells, size))
        for cells, size, at in zip(grid.shape[1:], shape, (rows, columns), strict=True)
    )
    upper = grid[:, top, left] + (grid[:, top, right] - grid[:, top, left]) * across
    lower = grid[:, bottom, left] + (grid[:, bottom, right] - grid[:, bottom, left]) * across
    return np.asarray(upper + (lower - upper) * down, np.float32)


def _between(
    cells: int, size: int
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float32]]:
    """Return for each pixel along an axis the cells it lies between, and how far from the first."""
    at = np.clip((np.arange(size) + 0.5) / size * cells - 0.5, 0, cells - 1)
    low = np.minimum(at.astype(np.intp), max(cells - 2, 0))
    return low, np.minimum(low + 1, cells - 1), (at - low).astype(np.float32)


def gate_uneven(gate: OpenGate | None, settings: LightSettings | None = None) -> list[Finding]:
    """Say ``gate-uneven`` of a frame whose open gate is more uneven than the light may be.

    A flat field divides the light's pattern out of positives. It does not give the dark side the
    light that it lacks: photon noise relative to the signal goes with ``1 / sqrt(light)``.
    """
    settings = settings or LightSettings()
    if gate is None or gate.uneven_percent <= settings.uneven_percent:
        return []
    percent = gate.uneven_percent
    return [Finding.of("gate-uneven", round(percent, 1), percent=percent)]


def age_hours(taken_at: str, now: datetime) -> float | None:
    """Return how old an open gate is in hours; None when its time (ISO 8601) is not known.

    A time without an offset is taken in the zone of ``now``.
    """
    try:
        taken = datetime.fromisoformat(taken_at)
    except ValueError:
        return None
    if taken.tzinfo is None:
        taken = taken.replace(tzinfo=now.tzinfo)
    elif now.tzinfo is None:
        now = now.replace(tzinfo=taken.tzinfo)
    return (now - taken).total_seconds() / 3600


def judge_flat(
    taken_at: str, now: datetime, settings: LightSettings | None = None
) -> list[Finding]:
    """Say ``flat-stale`` when an open gate is too old to tell of today's light."""
    settings = settings or LightSettings()
    age = age_hours(taken_at, now)
    if age is None or age <= settings.flat_hours:
        return []
    return [Finding.of("flat-stale", round(age, 1), hours=age)]
