"""What raw values mean: signal, stops, and where the sensor really stops."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tether.raw import Mosaic

FloatArray = NDArray[np.float32]

FLOOR = 2.0**-16
"""Smallest signal that is told apart from none; keeps logarithms finite (a 16-bit step)."""

FULL = 0.985
"""Signal from which a median or a mean counts as saturated: clipped photosites have part in it."""

_SMALLEST_NOISE = 0.0012
_NOISE_ELSEWHERE = (0.002, 0.1)
_NEAR_THE_TOP = 0.8
_LEAST_TOP = 0.05
_SAME_LEVEL = 1.01
_PILE_SHARE = 5e-4
_SAMPLED_ROWS = 80
_RUN = 16


def stops(signal: ArrayLike, reference: float = 1.0) -> FloatArray:
    """Return how many stops a signal lies above a reference: ``EV = log2(x1 / x2)``.

    Signals below `FLOOR` count as `FLOOR`.
    """
    safe = np.maximum(np.asarray(signal, np.float32), np.float32(FLOOR * reference))
    return np.asarray(np.log2(safe) - np.float32(np.log2(reference)), np.float32)


def sites_of(pattern: NDArray[np.intp], channel: int) -> tuple[tuple[int, int], ...]:
    """Return the places (row, column) of one channel in the repeating tile."""
    return tuple((int(y), int(x)) for y, x in np.argwhere(pattern == channel))


def main_channels(channels: tuple[str, ...]) -> list[int]:
    """Return the indices of the green channels, or of the only one there is."""
    return [i for i, name in enumerate(channels) if name.startswith("G")] or [0]


def with_known_saturation(mosaic: Mosaic, levels: tuple[float, ...]) -> Mosaic:
    """Return the mosaic with the levels that earlier files of the camera showed, where lower.

    Levels that do not belong to this kind of file (another number of channels, at or below black)
    are left out.
    """
    if len(levels) != len(mosaic.channels):
        return mosaic
    lower = tuple(
        min(stated, known) if known > black else stated
        for stated, known, black in zip(mosaic.saturation, levels, mosaic.black, strict=True)
    )
    return mosaic if lower == mosaic.saturation else replace(mosaic, saturation=lower)


def with_observed_saturation(mosaic: Mosaic) -> Mosaic:
    """Return the mosaic with the saturation that its own values show, where that is lower.

    A file may state the format's maximum as its white level although the photosites stop
    below it. What gives this away is noise: it grows with the signal until the sensor
    saturates, and collapses there (EMVA 1288 defines saturation by that maximum of the
    variance). The level is lowered for a channel when its highest values lie together more
    closely than photon noise lets them (0.12 per cent, the noise of 700,000 electrons, more than
    a photosite of these cameras holds), while the same file is noisy below them as photons and
    grain are (0.2 to 10 per cent between neighbours), and when they lie where a converter ends:
    at a power of two or up to a fifth below it. A file without any noise is taken at its word.
    """
    piles = [_pile_up(mosaic, c) for c in range(len(mosaic.channels))]
    if not any(piles):
        return mosaic
    # A channel that only touches the level stops there too: one converter serves them all.
    common = float(np.median([level for level in piles if level]))
    lowered = tuple(
        min(stated, seen or (common if _reaches(mosaic, c, common) else stated))
        for c, (stated, seen) in enumerate(zip(mosaic.saturation, piles, strict=True))
    )
    return replace(mosaic, saturation=lowered)


def _reaches(mosaic: Mosaic, channel: int, level: float) -> bool:
    """Whether a channel's highest sampled value is at a level, and not beyond it."""
    tile_y, tile_x = mosaic.pattern.shape
    tops = [
        int(mosaic.data[y :: 8 * tile_y, x::tile_x].max())
        for y, x in sites_of(mosaic.pattern, channel)
    ]
    return bool(tops) and level <= max(tops) <= level * _SAME_LEVEL


def _pile_up(mosaic: Mosaic, channel: int) -> float | None:
    """Return the level at which one channel's values pile up below what the file states."""
    places = sites_of(mosaic.pattern, channel)
    if not places:
        return None
    tile_y, tile_x = mosaic.pattern.shape
    y, x = places[0]
    every = tile_y * max(1, mosaic.data.shape[0] // (tile_y * _SAMPLED_ROWS))
    sample = mosaic.data[y::every, x::tile_x]
    black, stated = mosaic.black[channel], mosaic.saturation[channel]
    top = float(sample.max())
    if top >= stated - 1 or top < black + _LEAST_TOP * (stated - black):
        return None
    span = top - black
    high = sample[sample >= top - 0.004 * span].astype(np.float32)
    middle = float(np.median(high))
    spread = 1.4826 * float(np.median(np.abs(high - middle)))
    # A spike: nearly all of the highest values within a few of its own spreads.
    together = (
        high.size >= _PILE_SHARE * sample.size
        and spread <= _SMALLEST_NOISE * span / 1.5
        and np.mean(high >= middle - 4 * max(spread, 1.0)) >= 0.9
    )
    if not together or middle < _NEAR_THE_TOP * 2 ** np.ceil(np.log2(middle + 1)):
        return None
    below = _relative_noise(sample, black, black + 0.15 * span, middle - 0.02 * span)
    if not _NOISE_ELSEWHERE[0] <= below <= _NOISE_ELSEWHERE[1]:
        return None
    return middle - 3 * max(spread, 0.5)


def _relative_noise(sample: NDArray[np.uint16], black: float, low: float, high: float) -> float:
    """Return the noise of neighbours between two raw levels, relative to their signal."""
    usable = sample[:, : sample.shape[1] // (2 * _RUN) * 2 * _RUN].astype(np.float32)
    pairs = usable.reshape(-1, _RUN, 2)
    mean = pairs.mean(axis=(1, 2))
    # Only runs that lie between the levels as a whole: others mix night and bare light.
    chosen = (pairs.min(axis=(1, 2)) > low) & (pairs.max(axis=(1, 2)) < high)
    if np.count_nonzero(chosen) < 20:
        return 0.0
    apart = np.median(np.abs(pairs[chosen, :, 0] - pairs[chosen, :, 1]), axis=1)
    # The quieter runs: edges and detail are no noise.
    return float(np.percentile(1.4826 / np.sqrt(2) * apart / (mean[chosen] - black), 25))


def row_medians(rows: NDArray[Any]) -> NDArray[Any]:
    """Return ``numpy.median(rows, axis=1)`` of rows without NaN, in a third of its time.

    NumPy partitions by three places; here by one, and the lower middle is the greatest below it.
    """
    half = rows.shape[1] // 2
    apart = np.partition(rows, half, axis=1)
    upper = apart[:, half]
    if rows.shape[1] % 2:
        return upper
    lower = apart[:, :half].max(axis=1)
    return np.asarray((lower + upper) / rows.dtype.type(2))
