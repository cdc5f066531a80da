"""How near to saturation a picture is: every saturated photosite, headroom, histogram, shadows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tether.measure.levels import FloatArray, sites_of, stops
from tether.measure.shapes import Quad
from tether.measure.survey import Survey
from tether.raw import Mosaic

_TILES = 16
"""Rows of tiles in one band: few enough for their sum to fit a byte, and for the band to stay in
the processor's cache."""


@dataclass(frozen=True, slots=True)
class SaturationMap:
    """Saturated photosites of a mosaic.

    Attributes
    ----------
    columns
        Saturated photosites per band of rows, row of the tile and column of the mosaic; shape
        (bands, tile rows, width), uint8.
    band_rows
        Rows of the mosaic in one band.
    pattern, channels, height
        As in the mosaic.
    """

    columns: NDArray[np.uint8]
    band_rows: int
    pattern: NDArray[np.intp]
    channels: tuple[str, ...]
    height: int

    def shares(self) -> dict[str, float]:
        """Return the share of each channel's photosites, in the whole visible mosaic, 0..1."""
        width = self.columns.shape[2]
        totals = self.columns.sum(axis=0, dtype=np.int64)
        shares = {}
        for index, name in enumerate(self.channels):
            places = sites_of(self.pattern, index)
            tile_y, tile_x = self.pattern.shape
            hit = sum(int(totals[y, x::tile_x].sum()) for y, x in places)
            sites = sum(
                len(range(y, self.height, tile_y)) * len(range(x, width, tile_x)) for y, x in places
            )
            shares[name] = hit / sites if sites else 0.0
        return shares

    def shares_within(self, area: Quad) -> dict[str, float]:
        """Return the share of each channel's saturated photosites inside a quadrangle, 0..1.

        The quadrangle's slanted sides are followed in steps of one band of rows.
        """
        tile_y, tile_x = self.pattern.shape
        width = self.columns.shape[2]
        places = [sites_of(self.pattern, index) for index in range(len(self.channels))]
        occupied = np.asarray(self.columns.any(axis=(1, 2)))
        hit = np.zeros(len(self.channels), np.int64)
        tiles = 0
        tops = np.arange(self.columns.shape[0]) * self.band_rows
        lengths = np.minimum(self.band_rows, self.height - tops)
        lefts, rights = area.spans(tops + lengths / 2)
        for band in range(self.columns.shape[0]):
            rows = int(lengths[band])
            first = max(0, round(float(lefts[band]) / tile_x) * tile_x)
            last = min(width, round(float(rights[band]) / tile_x) * tile_x) // tile_x * tile_x
            if last <= first:
                continue
            tiles += (rows // tile_y) * ((last - first) // tile_x)
            if not occupied[band]:
                continue
            part = self.columns[band, :, first:last]
            for index, sites in enumerate(places):
                hit[index] += sum(int(part[y, x::tile_x].sum(dtype=np.int64)) for y, x in sites)
        return {
            name: min(1.0, float(hit[i] / (tiles * len(places[i])))) if tiles and places[i] else 0.0
            for i, name in enumerate(self.channels)
        }


def saturation_map(mosaic: Mosaic) -> SaturationMap:
    """Count every photosite at or above its channel's saturation (none is sampled).

    Works for any repeating tile, in any phase. The greatest value of each band of rows is looked
    up first; where that lies below saturation, the band holds no saturated photosite.
    """
    height, width = mosaic.shape
    tile_y, tile_x = mosaic.pattern.shape
    levels = np.clip(np.ceil(np.asarray(mosaic.saturation)), 0, 65535).astype(np.uint16)
    lowest = levels[np.unique(mosaic.pattern)].min()
    limit = np.tile(levels[mosaic.pattern], (1, width // tile_x + 1))[:, :width]
    rows = _TILES * tile_y
    bands = -(-height // rows)
    columns = np.zeros((bands, tile_y, width), np.uint8)
    hit = np.empty((_TILES, tile_y, width), bool)
    for band in range(bands):
        part = mosaic.data[band * rows : (band + 1) * rows]
        if part.max() < lowest:
            continue
        tiles = part.shape[0] // tile_y
        whole = part[: tiles * tile_y].reshape(tiles, tile_y, width)
        np.greater_equal(whole, limit, out=hit[:tiles])
        np.add.reduce(hit[:tiles].view(np.uint8), axis=0, dtype=np.uint8, out=columns[band])
        rest = part[tiles * tile_y :]  # the last rows, which fill no tile
        columns[band, : rest.shape[0]] += rest >= limit[: rest.shape[0]]
    return SaturationMap(columns, rows, mosaic.pattern, mosaic.channels, height)


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


#: Histogram bins: quarter stops from this many stops below saturation up to saturation.
LOWEST_EV = -10.0
BIN_EV = 0.25
_HIGH_PERCENTILE = 99.9
_MOST_VALUES = 40_000
"""Values of a channel that a percentile or a histogram is taken of, evenly spread over the view."""


def headroom(picture: Survey, where: NDArray[np.bool_] | None = None) -> dict[str, float]:
    """Return how far each channel stays below saturation, in stops, positive below.

    Taken at the 99.9th percentile of the survey's photosites (0.0 where that is saturated);
    ``where``, shape (height, width), limits it to a part of the survey.
    """
    values = sampled(picture.signal, where)
    if not values.size:
        return dict.fromkeys(picture.channels, -float(stops(0.0)))
    high = stops(np.percentile(values, _HIGH_PERCENTILE, axis=1, method="nearest"))
    return {
        name: -min(float(ev), 0.0) + 0.0 for name, ev in zip(picture.channels, high, strict=True)
    }


def sampled(planes: FloatArray, where: NDArray[np.bool_] | None = None) -> FloatArray:
    """Return at most about 40,000 values of each plane, or of a part of it, evenly spread.

    ``planes`` has the shape (n, height, width), the result (n, values).
    """
    flat = planes.reshape(planes.shape[0], -1)
    if where is None:
        return np.asarray(flat[:, :: max(1, flat.shape[1] // _MOST_VALUES)])
    places = np.flatnonzero(where)
    return np.asarray(flat[:, places[:: max(1, places.size // _MOST_VALUES)]])


def histogram(picture: Survey, where: NDArray[np.bool_] | None = None) -> dict[str, list[int]]:
    """Count the survey's photosites per channel in quarter stops up to saturation.

    The first bin begins `LOWEST_EV` stops below saturation and takes everything below it too;
    the last ends at saturation and takes what is saturated.
    """
    values = sampled(picture.signal, where)
    return {
        name: ev_histogram(of_one) for name, of_one in zip(picture.channels, values, strict=True)
    }


def ev_histogram(x: FloatArray) -> list[int]:
    """Count signals in quarter stops from `LOWEST_EV` to saturation; lower ones go to the first."""
    bins = round(-LOWEST_EV / BIN_EV)
    index = np.clip((stops(x.ravel()) - LOWEST_EV) / BIN_EV, 0, bins - 1).astype(np.intp)
    return [int(n) for n in np.bincount(index, minlength=bins)]
