"""Sharpness: of the grain in a raw file, and of a live-view picture.

Grain is everywhere on a film, and its strength follows from density alone: over a given aperture
the variance of density is proportional to density (Selwyn's law for the aperture; the share of
density is that of randomly overlapping grains). So the variance between neighbouring photosites,
over density, is nearly the same number in every part of every frame of a roll that is in focus,
whatever the pictures show. A lens out of focus takes the finest structure first, and the number
falls toward nothing. Fine detail of the picture can only raise it: the figure errs toward sharp.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tether.measure.levels import FloatArray, row_medians
from tether.raw import Mosaic
from tether.settings import FocusSettings

Region = tuple[slice, slice]
"""Rows and columns of a mosaic, in photosites; steps are not used."""

GRID = (4, 6)
"""Rows and columns of the grid of cells."""

_CROP = 192
"""Photosites along each side of a cell that are looked at: enough for a steady figure."""
_MAD = 1.4826
"""Standard deviation over median absolute deviation of a normal distribution."""
_FOG = 0.08
"""Density of fog: what the lightest part of a film has above its clear support (from memory)."""
_PATCH = 32
"""Photosites along each side of a patch, over which light and density are taken as even."""
_EVEN = 0.15
"""Largest difference of a patch's mean and median, as a share, that passes for even."""
FEWEST_CELLS = 6
"""Cells that have to tell before anything is said of a frame."""
_FEWEST_PATCHES = 4
_LOW = 20
"""Percentile of a cell's patches that stands for it: detail of the picture only ever adds."""


@dataclass(frozen=True, slots=True)
class Sharpness:
    """How sharp a frame is.

    Attributes
    ----------
    grid
        Variance of the finest structure, relative to the light squared and per unit of density,
        in each cell; shape `GRID`, from 0; NaN where the cell cannot tell.
    noise
        What was taken off for photon and read noise, same shape and unit.
    overall
        The figure of the frame: low among the cells with the least noise, so that picture detail
        counts little; NaN when fewer than six can tell.
    plain_grid
        Fine variance over that at four photosites, same shape: about 1 where grain rules, low
        where detail of the picture does.
    """

    grid: NDArray[np.float32]
    noise: NDArray[np.float32]
    overall: float
    plain_grid: NDArray[np.float32]

    @property
    def plain(self) -> float:
        """Middle of ``plain_grid``; NaN where nothing is known."""
        measured = self.plain_grid[np.isfinite(self.plain_grid)]
        return float(np.median(measured)) if measured.size else float("nan")

    def as_array(self) -> NDArray[np.float32]:
        """Return all of it as one row of numbers, to be kept with the roll."""
        parts = (self.grid.ravel(), self.noise.ravel(), self.plain_grid.ravel(), [self.overall])
        return np.concatenate(parts).astype(np.float32)

    @classmethod
    def from_array(cls, row: NDArray[np.float32]) -> Sharpness:
        """Rebuild from `as_array`; a row of another length, from elsewhere, tells nothing."""
        if row.size != 3 * GRID[0] * GRID[1] + 1:
            nothing = np.full(GRID, np.nan, np.float32)
            return cls(nothing, nothing, float("nan"), nothing)
        grid, noise, plain = np.asarray(row[:-1], np.float32).reshape(3, *GRID)
        return cls(grid, noise, float(row[-1]), plain)


def measure_sharpness(
    mosaic: Mosaic,
    region: Region | None = None,
    clear: float | None = None,
    settings: FocusSettings | None = None,
) -> Sharpness:
    """Measure how sharp each part of a frame is, by its grain.

    Parameters
    ----------
    mosaic
        The frame.
    region
        The picture; None leaves a tenth out all round.
    clear
        Signal in green, relative to saturation, of the lightest thing that belongs to the film;
        None takes the lightest that is not saturated anywhere in the file.

    Returns
    -------
    The fine variance is that of differences of diagonally neighbouring green photosites, taken
    from their median absolute deviation, which edges hardly move.
    """
    rows, columns = region if region is not None else _middle(mosaic.shape)
    tile = mosaic.pattern.shape[0]
    green = _green(mosaic)
    black, saturation = (
        float(np.mean([v[c] for c in green])) for v in (mosaic.black, mosaic.saturation)
    )
    alike: dict[tuple[int, int], dict[tuple[int, int], NDArray[np.uint16]]] = {}
    for r, top, bottom in _spans(rows, GRID[0], tile):
        for c, left, right in _spans(columns, GRID[1], tile):
            block = mosaic.data[top:bottom, left:right]
            if min(block.shape) >= 2 * _PATCH:
                alike.setdefault(_whole_patches(block, tile), {})[r, c] = block
    cells: dict[tuple[int, int], NDArray[np.float64]] = {}
    for (height, width), places in alike.items():
        # Cells of one size go together: few long calls leave other threads their turn.
        blocks = np.stack([block[:height, :width] for block in places.values()])
        patches = _patches(blocks, mosaic.pattern, green, (black, saturation))
        cells |= dict(zip(places, patches, strict=True))
    if clear is None:
        clear = _lightest(mosaic, green, black, saturation)
    return _figures(cells, clear, mosaic.iso or 100.0, settings or FocusSettings())


def _figures(
    cells: dict[tuple[int, int], NDArray[np.float64]],
    clear: float,
    iso: float,
    settings: FocusSettings,
) -> Sharpness:
    """Turn (signal, fine and coarse variance relative to its square) of patches into figures."""
    grid, noise, plain = (np.full(GRID, np.nan) for _ in range(3))
    for place, (level, fine, coarse) in cells.items():
        with np.errstate(invalid="ignore", divide="ignore"):
            density = np.log10(clear / level)
            usable = (level > settings.darkest_signal) & (density > settings.least_density)
        if np.count_nonzero(usable) < _FEWEST_PATCHES:
            continue
        shot = 1 / (level[usable] * settings.electrons * min(1.0, 100 / iso))
        rest = np.maximum(fine[usable] - shot, 0)
        steps = density[usable] + _FOG
        grid[place] = np.percentile(rest / steps, _LOW)
        noise[place] = np.median(shot / steps)
        plain[place] = np.median(rest / np.maximum(coarse[usable], 1e-12))
    overall = float("nan")
    if np.count_nonzero(np.isfinite(grid)) >= FEWEST_CELLS:
        quiet = noise <= np.nanmedian(noise)
        overall = float(np.percentile(grid[quiet], 35))
    return Sharpness(
        grid.astype(np.float32),
        noise.astype(np.float32),
        overall,
        plain.astype(np.float32),
    )


def _whole_patches(block: NDArray[np.uint16], tile: int) -> tuple[int, int]:
    """Return the rows and columns of a block that whole patches fill."""
    size, each = _patch_size(tile)
    height, width = (n // size // each * each * size for n in block.shape)
    return height, width


def _patch_size(tile: int) -> tuple[int, int]:
    """Return the photosites of a side of the tile that is compared, and such tiles in a patch."""
    size = max(tile, 2)
    return size, max(8, _PATCH // size)


def _patches(
    blocks: NDArray[np.uint16],
    pattern: NDArray[np.intp],
    green: frozenset[int],
    levels: tuple[float, float],
) -> NDArray[np.float64]:
    """Return signal and relative variances of the patches of blocks, shape (n, 3, patches).

    Parameters
    ----------
    blocks
        Shape (n, height, width); each starts with a whole tile and is filled by whole patches.
    pattern, green, levels
        The mosaic's tile, which of its channels are green, and their black and saturation.

    Patches in which something is saturated are NaN.
    """
    size, each = _patch_size(pattern.shape[0])
    if pattern.shape[0] == 1:
        # Without a mosaic every photosite may be compared with its neighbours.
        pattern, green = np.zeros((2, 2), np.intp), frozenset({0})
    count = len(blocks)
    x = blocks.astype(np.float32)
    sites = {
        (r, c): x[:, r::size, c::size]
        for r in range(size)
        for c in range(size)
        if int(pattern[r, c]) in green
    }
    bumps = [bump for place in sites if (bump := _bump(sites, place, size)) is not None]
    if not bumps:  # one green photosite a tile, as on a four-colour sensor: it has no near one
        height, width = (n // size // each for n in blocks.shape[1:])
        return np.full((count, 3, height * width), np.nan)
    # White grain of variance 1 has one of 1 + 4 / 16 here.
    fine = np.mean([_variance(_parts(bump, each)) for bump in bumps], axis=0) / 1.25
    tiles = np.asarray(sum(sites.values()) / np.float32(len(sites)), np.float32)
    part = _parts(tiles, each)
    black, saturation = levels
    light = np.asarray(part.mean(axis=(1, 2)), np.float64) - black
    light[(light <= 0) | (part.max(axis=(1, 2)) >= saturation - 1)] = np.nan
    join = 2 if size == 2 else 1
    means = _joined(part, join)
    # Half lamp and half night is no even patch: its mean says nothing about its grain.
    middle = row_medians(means.reshape(len(part), -1)) - black
    light[np.abs(middle - light) > _EVEN * light] = np.nan
    bends = [_variance(np.diff(means, 2, axis=axis)) for axis in (1, 2)]
    # Scaled so that white grain has as much of it as of the fine variance.
    coarse = np.mean(bends, axis=0) * len(sites) * join**2 / 6
    figures = np.stack([light / (saturation - black), fine / light**2, coarse / light**2])
    return figures.reshape(3, count, -1).swapaxes(0, 1)


def _bump(
    sites: dict[tuple[int, int], NDArray[np.float32]], place: tuple[int, int], size: int
) -> NDArray[np.float32] | None:
    """Return what a site of the tile has above the mean of its four diagonal neighbours.

    Shape of the planes in ``sites`` (n, tile rows, tile columns); None where one of the neighbours
    is not among them. At the rim the nearest tile stands for the one that is not there.
    """
    around: list[NDArray[np.float32]] = []
    for down in (-1, 1):
        for right in (-1, 1):
            (dy, row), (dx, column) = divmod(place[0] + down, size), divmod(place[1] + right, size)
            plane = sites.get((row, column))
            if plane is None:
                return None
            around.append(_moved(_moved(plane, dy, 1), dx, 2))
    total = around[0] + around[1]
    total += around[2]
    total += around[3]
    total *= np.float32(-0.25)
    total += sites[place]
    return total


def _moved(planes: NDArray[np.float32], by: int, axis: int) -> NDArray[np.float32]:
    """Return at each place along an axis what lies ``by`` (-1, 0 or 1) places on."""
    if by == 0:
        return planes
    size = planes.shape[axis]
    return planes.take(np.clip(np.arange(size) + by, 0, size - 1), axis=axis)


def _joined(parts: NDArray[np.float32], join: int) -> NDArray[np.float32]:
    """Return the means of ``join`` x ``join`` pixels (1 or 2) of each part."""
    if join == 1:
        return parts
    rows = parts[:, ::2] + parts[:, 1::2]
    return np.asarray((rows[:, :, ::2] + rows[:, :, 1::2]) * np.float32(0.25))


def _parts(planes: NDArray[np.float32], size: int) -> NDArray[np.float32]:
    """Cut planes of shape (n, h, w) into squares, shape (squares, size, size)."""
    count, h, w = planes.shape[0], planes.shape[1] // size, planes.shape[2] // size
    return planes.reshape(count, h, size, w, size).swapaxes(2, 3).reshape(-1, size, size)


def _variance(parts: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return the variance of each part by its median absolute deviation from its median."""
    flat = parts.reshape(len(parts), -1)
    off = flat - row_medians(flat)[:, None]
    variance: NDArray[np.float64] = (
        _MAD * row_medians(np.abs(off, out=off)).astype(np.float64)
    ) ** 2
    return variance


def _lightest(mosaic: Mosaic, green: frozenset[int], black: float, saturation: float) -> float:
    """Return the signal of the lightest green light that is not saturated."""
    size = mosaic.pattern.shape[0]
    r, c = np.argwhere(np.isin(mosaic.pattern, list(green)))[0]
    step = size * max(1, min(mosaic.shape) // (size * 256))
    seen = mosaic.data[int(r) :: step, int(c) :: step].astype(np.float32)
    seen = (seen - black) / (saturation - black)
    below = seen[seen < 0.98]
    return float(np.percentile(below, 99.5)) if below.size else 1.0


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


PLACES: dict[str, tuple[float, float]] = {
    "middle": (0.5, 0.5),
    "upper left": (0.2, 0.2),
    "upper right": (0.8, 0.2),
    "lower left": (0.2, 0.8),
    "lower right": (0.8, 0.8),
}
"""Where sharpness is measured: centres in shares of width and height. The corners lie inside the
picture, clear of rebate and gate (common practice, no published source)."""

_SHARE = 0.2
"""Width and height of each place as a share of the picture's."""

_DARKEST = 1e-4
"""Mean light below which there is nothing to measure."""


def live_sharpness(light: FloatArray) -> dict[str, float]:
    """Return the sharpness of each of `PLACES`, 0 and up, no unit.

    Parameters
    ----------
    light
        Linear light, shape (height, width), any scale: twice the light gives the same figure.

    Returns
    -------
    The root of the mean square of differences between pixels two apart, over both directions,
    relative to the mean light (the root of Brenner's gradient, J. F. Brenner et al., J.
    Histochem. Cytochem. 24 (1976); from memory). 0 where it is dark or the picture too small.
    """
    height, width = light.shape
    across, down = max(4, round(width * _SHARE)), max(4, round(height * _SHARE))
    found = {}
    for name, (x, y) in PLACES.items():
        left, top = round(x * width - across / 2), round(y * height - down / 2)
        part = light[max(top, 0) : top + down, max(left, 0) : left + across]
        found[name] = _gradient(part.astype(np.float64))
    return found


def _gradient(part: NDArray[np.float64]) -> float:
    if min(part.shape) < 4:
        return 0.0
    mean = float(part.mean())
    if mean < _DARKEST:
        return 0.0
    across = float(np.mean((part[:, 2:] - part[:, :-2]) ** 2))
    down = float(np.mean((part[2:] - part[:-2]) ** 2))
    return math.sqrt(across + down) / mean
