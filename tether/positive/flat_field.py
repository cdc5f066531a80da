"""The flat field: how unevenly the light falls, taken from a picture of the empty gate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tether.measure.light.flat import along_axis, flat_of
from tether.raw import Mosaic

FloatArray = NDArray[np.float32]

_DARK = 0.25
"""Share of the brightest light below which nothing is divided by."""
_FULL = 0.98


@dataclass(frozen=True, slots=True)
class FlatField:
    """Light over the view relative to its brightest part, for red, green and blue.

    ``grid`` has shape (3, rows, columns), 0..1, and covers the whole view; ``neutral`` is the
    light's own red, green and blue as the sensor sees it, green = 1, None where it saturates.
    """

    grid: FloatArray
    neutral: tuple[float, float, float] | None = None

    def stops_under(self, rows: int, columns: int) -> list[list[float]]:
        """Return in coarse cells how many stops green light lies under its brightest part."""
        bands = np.array_split(self.grid[1], min(rows, self.grid.shape[1]), axis=0)
        cells = np.array(
            [
                [np.median(c) for c in np.array_split(band, min(columns, band.shape[1]), axis=1)]
                for band in bands
            ]
        )
        stops = np.log2(cells.max() / np.maximum(cells, 1e-6))
        return [[round(float(v), 3) for v in row] for row in stops]

    def wide(self, width: int) -> FloatArray:
        """Return the grid with ``width`` columns, shape (3, rows, width)."""
        return along_axis(self.grid, 2, width)


def rows_of(wide: FloatArray, top: int, bottom: int, height: int) -> FloatArray:
    """Return the light on rows ``top`` to ``bottom`` of a picture of that height.

    ``wide`` is what `FlatField.wide` gave; the result has shape (3, bottom - top, width).
    """
    return along_axis(wide, 1, height, slice(top, bottom))


def flat_field(mosaic: Mosaic) -> FlatField:
    """Return the flat field of a picture of the empty gate with the light on."""
    gate = flat_of(mosaic)
    return from_grid(gate.channels, gate.grid)


def from_grid(channels: tuple[str, ...], grid: FloatArray) -> FlatField:
    """Return the flat field of a picture of the empty gate that is known as medians of cells.

    ``grid`` has shape (channels, rows, columns), signal relative to saturation, without the gate's
    mask (see `tether.measure.light.flat.flat_of`).
    """
    planes = []
    for letter in "RGB":
        alike = [i for i, name in enumerate(channels) if name[0] in (letter, "Y")]
        planes.append(grid[alike].mean(axis=0) if alike else grid[0])
    colours = np.stack(planes)
    top = np.percentile(colours, 99, axis=(1, 2))
    relative = (colours / np.maximum(top, 1e-6)[:, None, None]).astype(np.float32)
    r, g, b = (float(v) for v in top)
    neutral = (r / g, 1.0, b / g) if g > 0 and max(r, g, b) < _FULL and min(r, b) > 0 else None
    return FlatField(np.maximum(relative, np.float32(_DARK)), neutral)
