"""A step tablet read back: how far measured densities keep to the known ones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

STEPS = 21
STEP_DENSITY = 0.15
"""Steps of common sensitometric tablets (common practice, no published source)."""

_MARGIN = 0.2
"""Share of a patch left out along each border: stray light from its neighbours."""

Box = tuple[int, int, int, int]
"""Left, top, right and bottom, in pixels of the plane."""


@dataclass(frozen=True, slots=True)
class TabletReport:
    """Measured against known densities.

    Attributes
    ----------
    read, known
        Densities, one a step.
    slope, offset
        Straight line through them: ``read = slope * known + offset``. Stray light and glare bend
        the dense end down and make the slope less than 1.
    largest_error
        Greatest distance of a step from its known density after the offset is taken off (the
        tablet's clear film is not part of what is tested).
    monotonic
        Whether every step reads denser than the one before.
    dense_from
        Index of the first step from which on reading and truth part by more than 0.1; None when
        all agree. Beyond it the bench cannot measure.
    """

    read: tuple[float, ...]
    known: tuple[float, ...]
    slope: float
    offset: float
    largest_error: float
    monotonic: bool
    dense_from: int | None

    @property
    def spacing(self) -> float:
        """Mean distance of neighbouring steps, as measured."""
        return (self.read[-1] - self.read[0]) / (len(self.read) - 1)

    @property
    def reads_true_to(self) -> float:
        """Known density up to which reading and truth agree within a tenth."""
        last = len(self.known) if self.dense_from is None else self.dense_from
        return self.known[max(last - 1, 0)]

    @property
    def density_range(self) -> float:
        """Densest minus thinnest step as measured."""
        return max(self.read) - min(self.read)


def tablet_boxes(area: Box, rows: int = 3, columns: int = 7) -> list[Box]:
    """Return the inner part of each patch of a tablet that fills an area, in reading order."""
    left, top, right, bottom = area
    width, height = right - left, bottom - top
    return [
        (
            left + round(width * (c + _MARGIN) / columns),
            top + round(height * (r + _MARGIN) / rows),
            left + round(width * (c + 1 - _MARGIN) / columns),
            top + round(height * (r + 1 - _MARGIN) / rows),
        )
        for r in range(rows)
        for c in range(columns)
    ]


def read_steps(density: NDArray[np.floating], boxes: Sequence[Box]) -> tuple[float, ...]:
    """Return the median density in each box of a plane of densities, shape (h, w)."""
    return tuple(
        float(np.median(density[top:bottom, left:right])) for left, top, right, bottom in boxes
    )


def tablet_report(read: Sequence[float], known: Sequence[float] | None = None) -> TabletReport:
    """Compare measured densities with known ones.

    Parameters
    ----------
    read
        Measured density a step, thinnest first.
    known
        Their true densities; None takes steps of 0.15 from 0.05.

    Raises
    ------
    ValueError
        For fewer than three steps, or lists of different lengths.
    """
    if known is None:
        known = [0.05 + STEP_DENSITY * step for step in range(len(read))]
    if len(read) < 3 or len(read) != len(known):
        raise ValueError("a tablet has at least three steps, each with its known density")
    x, y = np.asarray(known, np.float64), np.asarray(read, np.float64)
    slope, offset = (float(v) for v in np.polyfit(x, y, 1))
    # The thin third sets the offset: it is the least touched by glare and noise.
    error = y - x - np.median((y - x)[: max(1, len(y) // 3)])
    parted = np.flatnonzero(np.abs(error) > 0.1)
    return TabletReport(
        tuple(float(v) for v in y),
        tuple(float(v) for v in x),
        slope,
        offset,
        float(np.abs(error).max()),
        all(after > before for before, after in pairwise(y)),
        int(parted[0]) if parted.size else None,
    )
