"""The dark end of a transparency: how much of the picture lies in the sensor's noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tether.measure.levels import sites_of
from tether.raw.mosaic import Mosaic

_ROWS = 96


@dataclass(frozen=True, slots=True)
class Shadows:
    """What the sensor makes of the darkest parts.

    Attributes
    ----------
    floor_ev
        Noise floor in stops from saturation: the signal that equals its own noise.
    lost
        Share of the picture's green photosites below twice the floor, 0..1.
    """

    floor_ev: float
    lost: float


def shadows(mosaic: Mosaic, rows: tuple[int, int], columns: tuple[int, int]) -> Shadows | None:
    """Measure the noise floor and what lies below it within a rectangle of photosites.

    The noise is that of neighbouring green photosites in the darkest hundredth of the rectangle
    (median absolute deviation of their differences, over the square root of two): in the dark it
    is the sensor's read noise (EMVA 1288: temporal dark noise). None where the rectangle is
    empty.
    """
    green = next((i for i, name in enumerate(mosaic.channels) if name.startswith("G")), 0)
    places = sites_of(mosaic.pattern, green)
    if not places:
        return None
    tile_y, tile_x = mosaic.pattern.shape
    y, x = places[0]
    top, left = rows[0] // tile_y * tile_y + y, columns[0] // tile_x * tile_x + x
    every = tile_y * max(1, (rows[1] - rows[0]) // (tile_y * _ROWS))
    part = mosaic.data[top : rows[1] : every, left : columns[1] : tile_x].astype(np.float32)
    if part.shape[0] < 8 or part.shape[1] < 16:
        return None
    part -= np.float32(mosaic.black[green])
    span = mosaic.saturation[green] - mosaic.black[green]
    pairs = part[:, : part.shape[1] // 2 * 2].reshape(part.shape[0], -1, 2)
    mean: NDArray[np.float32] = pairs.mean(axis=2)
    apart = np.abs(pairs[:, :, 0] - pairs[:, :, 1])
    dark = mean <= np.percentile(mean, 1.0)
    noise = max(1.4826 * float(np.median(apart[dark])) / np.sqrt(2), 0.3)
    return Shadows(float(np.log2(noise / span)), float(np.mean(mean < 2 * noise)))
