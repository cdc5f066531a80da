"""Sharpness from grain: how much of the finest structure is left in each part of a frame.

Grain is dense and, in focus, has nearly as much strength at the sensor's finest detail as at
eight times its size. A lens out of focus takes the finest first, so the ratio of the two falls
whatever the picture shows, however it is exposed. Pictures weaken the ratio less than defocus
does, because their edges are sparse and the middle of the distribution hardly sees them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tether.measure.verdict import Finding, Severity
from tether.raw.mosaic import Mosaic
from tether.settings import Focus

Region = tuple[slice, slice]
"""Rows and columns of a mosaic, in photosites; steps are not used."""

GRID = (4, 6)
"""Rows and columns of the grid of cells."""

_CROP = 224
"""Photosites along each side of a cell that are looked at: enough for a steady figure."""
_COARSE = 8
"""Photosites along the coarser structure that the finest is compared with."""
_MAD = 1.4826
"""Standard deviation over median absolute deviation of a normal distribution."""


@dataclass(frozen=True, slots=True)
class Sharpness:
    """How sharp a frame is.

    Attributes
    ----------
    grid
        Ratio of fine to coarse variance of each cell, shape `GRID`, 0 to about 1 (white grain);
        NaN where the cell cannot tell: too dark, saturated, or without grain.
    overall
        The ratio in the sharpest fifth of the cells; NaN when fewer than six can tell.
    """

    grid: NDArray[np.float32] = field(compare=False)
    overall: float

    def as_array(self) -> NDArray[np.float32]:
        """Return grid and overall as one row, to be kept with the roll."""
        return np.append(self.grid.ravel(), np.float32(self.overall)).astype(np.float32)

    @classmethod
    def from_array(cls, row: NDArray[np.float32]) -> Sharpness:
        """Rebuild from `as_array`."""
        return cls(np.asarray(row[:-1], np.float32).reshape(GRID), float(row[-1]))


def measure_sharpness(mosaic: Mosaic, region: Region | None = None) -> Sharpness:
    """Measure how sharp each part of a frame is, by its grain.

    Parameters
    ----------
    mosaic
        The frame.
    region
        The picture; None leaves a tenth out all round.

    Returns
    -------
    A ratio for each cell. The fine variance is that of differences of diagonally neighbouring
    green photosites, less the most that photon and read noise can be; the coarse one that of
    second differences of means over about 8 photosites. Both are scaled so that white grain
    gives 1, and both are taken from median absolute deviations, which edges hardly move.
    """
    rows, columns = region if region is not None else _middle(mosaic.shape)
    tile = mosaic.pattern.shape[0]
    green = _green(mosaic)
    black, saturation = (
        float(np.mean([v[c] for c in green])) for v in (mosaic.black, mosaic.saturation)
    )
    raw = np.full((*GRID, 3), np.nan)
    for r, top, bottom in _spans(rows, GRID[0], tile):
        for c, left, right in _spans(columns, GRID[1], tile):
            block = mosaic.data[top:bottom, left:right]
            if min(block.shape) >= 6 * _COARSE:
                raw[r, c] = _cell(block, mosaic.pattern, green, black, saturation - black)
    return _ratios(raw, mosaic.iso or 100.0)


def _ratios(raw: NDArray[np.float64], iso: float) -> Sharpness:
    """Turn (level, fine, coarse) of the cells into ratios."""
    level, fine, coarse = raw[..., 0], raw[..., 1], raw[..., 2]
    settings = Focus()
    with np.errstate(invalid="ignore", divide="ignore"):
        inside = (level > settings.darkest_signal) & (level < 0.97)
        if not inside.any():
            return Sharpness(np.full(GRID, np.nan, np.float32), float("nan"))
        # The lightest cells may be clear film, which has no grain to go by.
        inside &= level < np.nanmax(level) * 10**-settings.least_density
        gain = 1 / (settings.fewest_electrons * 100 / iso)
        most = np.nanmin(fine / level) if np.isfinite(fine).any() else gain
        noise = level * min(gain, float(most))
        ratio = np.maximum(fine - noise, 0) / np.maximum(coarse, 1e-12)
    grid = np.where(inside, ratio, np.nan).astype(np.float32)
    known = grid[np.isfinite(grid)]
    overall = float(np.percentile(known, 80)) if known.size >= 6 else float("nan")
    return Sharpness(grid, overall)


def _cell(
    block: NDArray[np.uint16],
    pattern: NDArray[np.intp],
    green: frozenset[int],
    black: float,
    span: float,
) -> tuple[float, float, float]:
    """Return mean signal, fine and coarse variance of a block that starts with a whole tile."""
    size = pattern.shape[0]
    if size == 1:
        # Without a mosaic every photosite may be compared with its neighbours.
        pattern, size, green = np.zeros((2, 2), np.intp), 2, frozenset({0})
    height, width = (n // size * size for n in block.shape)
    x = block[:height, :width].astype(np.float32)
    sites = {
        (r, c): x[r::size, c::size]
        for r in range(size)
        for c in range(size)
        if int(pattern[r, c]) in green
    }
    deviations = []
    for (r, c), plane in sites.items():
        for step in (1, -1):
            other = sites.get((r + 1, c + step))
            if other is not None:
                deviations.append(_spread(plane - other))
    if size == 2 and len(sites) == 2:
        # The other diagonal of a Bayer tile lies across the tiles' border.
        (_, first), (_, second) = sorted(sites.items())
        if (0, 0) in sites:
            deviations.append(_spread(second[:-1, 1:] * 1.0 - first[1:, 1:]))
        else:
            deviations.append(_spread(first[1:, :-1] - second[:-1, 1:]))
    fine = float(np.mean(np.square(deviations))) / 2
    tiles = sum(sites.values()) / np.float32(len(sites))
    each = max(1, round(_COARSE / size))
    h, w = (n // each for n in tiles.shape)
    means = tiles[: h * each, : w * each].reshape(h, each, w, each).mean(axis=(1, 3))
    spreads = (_spread(np.diff(means, 2, axis=0)), _spread(np.diff(means, 2, axis=1)))
    coarse = float(np.mean(np.square(spreads))) * len(sites) * each**2 / 6
    level = float(means.mean()) - black
    scale = max(level, 1e-3) ** 2
    # Relative to the level, so that exposure falls out.
    return level / span, fine / scale * (level / span) ** 2, coarse / scale * (level / span) ** 2


def _spread(values: NDArray[np.float32]) -> float:
    flat = values.ravel()
    return _MAD * float(np.median(np.abs(flat - np.median(flat))))


def _green(mosaic: Mosaic) -> frozenset[int]:
    named = {i for i, name in enumerate(mosaic.channels) if name.startswith("G")}
    return frozenset(named or range(len(mosaic.channels)))


def _middle(shape: tuple[int, int]) -> Region:
    height, width = shape
    return slice(height // 10, height - height // 10), slice(width // 10, width - width // 10)


def _spans(part: slice, count: int, tile: int) -> list[tuple[int, int, int]]:
    """Return (index, start, stop) of what is looked at in each of ``count`` equal parts."""
    start, stop = int(part.start or 0), int(part.stop)
    size = (stop - start) / count
    spans = []
    for index in range(count):
        middle = start + size * (index + 0.5)
        half = min(size, _CROP) / 2
        first = int(middle - half) // tile * tile
        spans.append((index, max(first, 0), int(middle + half)))
    return spans
