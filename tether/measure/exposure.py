"""Exposure at the sensor: saturation, headroom, film base and how much to change."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tether.film import FilmProcess

#: Histogram bins: quarter stops from this many stops below saturation up to saturation.
LOWEST_EV = -10.0
BIN_EV = 0.25


def channel_planes(
    data: NDArray[np.uint16], pattern: NDArray[np.intp], channel: int
) -> list[NDArray[np.uint16]]:
    """Return views of the photosites of one channel, one view a place of the repeating tile."""
    rows, columns = pattern.shape
    return [
        data[r::rows, c::columns]
        for r in range(rows)
        for c in range(columns)
        if pattern[r, c] == channel
    ]


def saturated_share(
    data: NDArray[np.uint16], pattern: NDArray[np.intp], channel: int, level: float
) -> float:
    """Return the share (0..1) of a channel's photosites at or above ``level``; all are counted."""
    planes = channel_planes(data, pattern, channel)
    total = sum(p.size for p in planes)
    return sum(int(np.count_nonzero(p >= level)) for p in planes) / total if total else 0.0


def signal(values: NDArray[np.uint16], black: float, saturation: float) -> NDArray[np.float32]:
    """Return ``(raw - black) / (saturation - black)``, linear, 0..1 up to saturation."""
    return (values.astype(np.float32) - black) / np.float32(saturation - black)


def stops_below(x: float) -> float:
    """Return ``log2 x`` for a signal x relative to saturation; -inf for no signal."""
    return float(np.log2(x)) if x > 0 else -np.inf


def ev_histogram(x: NDArray[np.float32]) -> list[int]:
    """Count signals in quarter stops from `LOWEST_EV` to saturation; lower ones go to the first."""
    ev = np.log2(np.maximum(x, 2.0**LOWEST_EV))
    bins = round(-LOWEST_EV / BIN_EV)
    index = np.clip(((ev - LOWEST_EV) / BIN_EV).astype(np.intp), 0, bins - 1)
    return np.bincount(index.ravel(), minlength=bins).tolist()


def nearest_exposure(
    shutters: Sequence[tuple[str, float]], seconds: float, ev: float
) -> tuple[str, float] | None:
    """Return the (label, seconds) on a camera's list nearest to a change of ``ev`` stops.

    Distance is measured in stops. None when the list is empty.
    """
    wanted = seconds * 2.0**ev
    return min(shutters, key=lambda s: abs(np.log2(s[1] / wanted)), default=None)


def is_base_limited(process: FilmProcess) -> bool:
    """Whether the base, and not the picture's highlights, decides the exposure."""
    return process.is_negative
