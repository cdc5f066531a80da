"""Find the straight border between two kinds of area, as a vote of many scan lines."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

BoolArray = NDArray[np.bool_]

_STEEPEST = 4.0
_SLOPES = np.tan(np.radians(np.arange(-_STEEPEST, _STEEPEST + 0.01, 0.5)))
_REACH = 1.5


@dataclass(frozen=True, slots=True)
class Line:
    """A border ``at + slope * (t - middle)`` over the scan lines t.

    Attributes
    ----------
    at
        Place along the scan direction at the middle scan line, in pixels from the picture's edge.
    slope
        Change of the place per scan line.
    middle
        Index of the middle scan line.
    support
        Share of all scan lines that see the border there, 0..1.
    """

    at: float
    slope: float
    middle: float
    support: float

    @property
    def degrees(self) -> float:
        """Slant against the picture's own edge."""
        return math.degrees(math.atan(self.slope))


def steps_into(outside: BoolArray, inside: BoolArray) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return (scan line, place) of every step from ``outside`` to ``inside``.

    Both arrays have the shape (scan lines, places); a step is two places outside followed by
    three inside.
    """
    step = outside[:, :-4] & outside[:, 1:-3] & inside[:, 2:-2] & inside[:, 3:-1] & inside[:, 4:]
    lines, places = np.nonzero(step)
    return lines, places + 2


def borders(
    points: tuple[NDArray[np.intp], NDArray[np.intp]],
    scan_lines: int,
    reach: tuple[float, float],
    least: float,
    most: int = 3,
) -> tuple[Line, ...]:
    """Return the straight lines that most scan lines agree on, best supported first.

    Parameters
    ----------
    points
        (scan line, place) of the steps.
    scan_lines
        How many scan lines there are.
    reach
        Lowest and highest place that a line may have at the middle scan line.
    least
        Share of the scan lines that must agree.
    most
        How many lines are returned at most.

    A coarse vote over slopes up to 4 degrees, then three rounds of least squares on the points
    within 1.5 pixels; the points of a line are taken out before the next one is sought.
    """
    t, place = points
    found: list[Line] = []
    while len(found) < most:
        line = _border(t, place, scan_lines, reach, least)
        if line is None:
            break
        found.append(line)
        rest = np.abs(place - line.slope * (t - line.middle) - line.at) > 2 * _REACH
        t, place = t[rest], place[rest]
    return tuple(found)


def _border(
    t: NDArray[np.intp],
    place: NDArray[np.intp],
    scan_lines: int,
    reach: tuple[float, float],
    least: float,
) -> Line | None:
    middle = (scan_lines - 1) / 2
    if t.size < max(6, least * scan_lines):
        return None
    best = (0, 0.0, 0.0)
    for slope in _SLOPES:
        at = place - slope * (t - middle)
        kept = (at >= reach[0]) & (at <= reach[1])
        if np.count_nonzero(kept) <= best[0]:
            continue
        votes = np.bincount(at[kept].astype(np.intp) + 1, minlength=4)
        joined = votes[:-2] + votes[1:-1] + votes[2:]
        peak = int(np.argmax(joined))
        if joined[peak] > best[0]:
            best = (int(joined[peak]), float(slope), peak + 0.5)
    if best[0] < 0.5 * least * scan_lines:
        return None
    _, slope, at0 = best
    near = np.abs(place - slope * (t - middle) - at0) <= 2 * _REACH
    for _ in range(3):
        if np.count_nonzero(near) < 6 or np.ptp(t[near]) < 0.2 * scan_lines:
            return None
        slope, at0 = np.polyfit(t[near] - middle, place[near], 1)
        near = np.abs(place - slope * (t - middle) - at0) <= _REACH
    support = np.unique(t[near]).size / scan_lines
    if support < least or abs(slope) > math.tan(math.radians(_STEEPEST + 0.5)):
        return None
    return Line(float(at0), float(slope), middle, support)
