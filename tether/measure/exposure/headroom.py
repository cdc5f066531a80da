"""Headroom to saturation, and the histogram of a picture."""

from __future__ import annotations

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
