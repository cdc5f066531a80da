"""Headroom to saturation, and the histogram of a picture."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tether.measure.levels import FloatArray, stops
from tether.measure.survey import Survey

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
    result = {}
    for name, values in zip(picture.channels, sampled(picture.signal, where), strict=True):
        result[name] = -min(float(stops(percentile(values, _HIGH_PERCENTILE))), 0.0) + 0.0
    return result


def sampled(planes: FloatArray, where: NDArray[np.bool_] | None = None) -> FloatArray:
    """Return at most about 40,000 values of each plane, or of a part of it, evenly spread.

    ``planes`` has the shape (n, height, width), the result (n, values).
    """
    flat = planes.reshape(planes.shape[0], -1)
    if where is None:
        return np.asarray(flat[:, :: max(1, flat.shape[1] // _MOST_VALUES)])
    places = np.flatnonzero(where)
    return np.asarray(flat[:, places[:: max(1, places.size // _MOST_VALUES)]])


def percentile(values: FloatArray, share: float) -> float:
    """Return a percentile (0..100) of a flat array, 0.0 for an empty one; the nearest value."""
    if values.size == 0:
        return 0.0
    place = min(values.size - 1, round(share / 100 * (values.size - 1)))
    return float(np.partition(values, place)[place])


def percentiles(values: FloatArray, shares: Sequence[float]) -> list[float]:
    """Return several percentiles as `percentile` does, from one sorting."""
    if values.size == 0:
        return [0.0] * len(shares)
    ordered = np.sort(values)
    return [
        float(ordered[min(values.size - 1, round(share / 100 * (values.size - 1)))])
        for share in shares
    ]


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
