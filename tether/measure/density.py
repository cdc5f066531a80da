"""Density over the open gate (ISO 5-1), and a step tablet found in the view and read back."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tether.measure.levels import FLOOR, FULL, FloatArray
from tether.measure.light.flat import spread
from tether.measure.roll.memory import OpenGate
from tether.measure.survey import Survey

_MOST_PLACES = 40_000
"""Places of a picture that the range of its densities is taken of."""


def density(
    frame: ArrayLike, open_gate: ArrayLike, dark: float = 0.0, ratio: float = 1.0
) -> NDArray[np.float32]:
    """Return the density of what lies in the gate.

    Parameters
    ----------
    frame, open_gate
        Signals relative to saturation of the same channel, any shapes that go together.
    dark
        Signal with the lamp off (stray light), taken off both.
    ratio
        How many times the frame's exposure is that of the open gate.

    Returns
    -------
    ``D = -log10 T`` with ``T = (frame - dark) / (open gate - dark) / ratio`` (ISO 5-1). Signals
    are kept above 2**-16, so the result never exceeds what the sensor could tell.
    """
    top = np.maximum(np.asarray(frame, np.float32) - np.float32(dark), np.float32(FLOOR))
    light = np.maximum(np.asarray(open_gate, np.float32) - np.float32(dark), np.float32(FLOOR))
    return np.asarray(np.log10(light * np.float32(ratio)) - np.log10(top), np.float32)


def density_report(
    picture: Survey,
    gate: OpenGate,
    where: NDArray[np.bool_] | None,
    base: Mapping[str, float] | None,
    base_place: NDArray[np.bool_] | None = None,
    ratio: float = 1.0,
) -> dict[str, dict[str, float | None]]:
    """Return base and the range of densities in the picture, per channel.

    Parameters
    ----------
    picture
        Survey of the frame.
    gate
        The open gate, with the channels of the picture.
    where
        The picture, shape (height, width); None takes everything.
    base
        Signal of the base per channel, None where it is not known.
    base_place
        Where that was measured, shape (height, width); None takes the open gate's median.
    ratio
        How many times the frame's exposure is that of the open gate.

    Returns
    -------
    Per channel ``base`` (base plus fog; None where not known) and ``p1``, ``p50``, ``p99``, the
    densities that 1, 50 and 99 per cent of the picture stay below, of about 40,000 places. Each is
    None where it lies on clipped photosites, which only tell that there is less density than they
    seem to have; all are where the open gate is clipped.
    """
    every = max(1, round((picture.main.size / _MOST_PLACES) ** 0.5))
    if where is not None and not where[::every, ::every].any():
        every = 1
    lattice = np.s_[::every, ::every]
    light = spread(gate.grid, picture.shape, every)
    seen = picture.signal[:, ::every, ::every]
    chosen = None if where is None else where[lattice]
    at_base = None if base_place is None or not base_place[lattice].any() else base_place[lattice]
    report: dict[str, dict[str, float | None]] = {}
    for index, name in enumerate(picture.channels):
        values, lights = (
            plane.ravel() if chosen is None else plane[chosen]
            for plane in (seen[index], light[index])
        )
        full = bool(gate.grid[index].max() >= FULL)
        densities = density(values, lights, ratio=ratio)
        densities[values >= FULL] = -np.inf  # less than anything that was measured
        of_base = None
        if base is not None and base.get(name, FULL) < FULL and not full:
            beside = light[index] if at_base is None else light[index][at_base]
            of_base = float(density(base[name], float(np.median(beside)), ratio=ratio))
        parts = np.percentile(densities, (1, 50, 99), method="nearest")
        p1, p50, p99 = (None if full or np.isinf(v) else float(v) for v in parts)
        report[name] = {"base": of_base, "p1": p1, "p50": p50, "p99": p99}
    return report


def density_planes(
    frame: Survey,
    open_gate: Survey,
    ratio: float = 1.0,
    dark: Survey | None = None,
    dark_ratios: tuple[float, float] = (1.0, 1.0),
) -> FloatArray:
    """Return the density at each pixel of a survey, shape (channels, height, width).

    Parameters
    ----------
    frame, open_gate
        Surveys of the film and of the light without it, of one kind of sensor.
    ratio
        How many times the frame's exposure is that of the open gate.
    dark
        Survey of a frame with the lamp off, None for none: what it shows is taken off both.
    dark_ratios
        How many times the exposures of the frame and of the open gate are that of ``dark``.

    Raises
    ------
    ValueError
        When the surveys differ in size or channels.
    """
    for other in (open_gate, dark):
        if other is not None and (
            other.channels != frame.channels or other.signal.shape != frame.signal.shape
        ):
            raise ValueError("the pictures come from different sensors")
    film, light = frame.signal, open_gate.signal
    if dark is not None:
        film = film - dark.signal * np.float32(dark_ratios[0])
        light = light - dark.signal * np.float32(dark_ratios[1])
    return density(film, light, ratio=ratio)


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


_COVERED = 0.15
"""Share of a row or column that is denser than clear film where the tablet lies."""
_UNEVEN = 0.4
"""Largest spread of density within the middle one of the steps, in steps."""
_RISING = 0.9
"""Share of the steps that have to be denser than the one before."""
_SMALLEST = 4
"""Pixels along each side of a step, inside its margin, at the least."""


@dataclass(frozen=True, slots=True)
class Placed:
    """A tablet that was found.

    Attributes
    ----------
    rows, columns
        How its steps lie, as the raw picture shows them.
    boxes
        The inner part of each step in pixels of the plane, thinnest step first.
    """

    rows: int
    columns: int
    boxes: tuple[Box, ...]


def find_tablet(plane: FloatArray, lit: NDArray[np.bool_], steps: int) -> Placed | None:
    """Find the steps of a tablet that lies upright in the view.

    Parameters
    ----------
    plane
        Density, shape (h, w), of one channel.
    lit
        Which pixels the open gate lights, same shape.
    steps
        Steps on the tablet, at least three. They may lie in one row or in several of equal
        length, and begin in any corner.

    Returns
    -------
    None where no arrangement gives steps that are even in themselves and grow denser in order.
    """
    best: tuple[float, Placed] | None = None
    for area, rows, columns in _arrangements(plane, lit, steps):
        boxes = tablet_boxes(area, rows, columns)
        if any(min(r - left, b - top) < _SMALLEST for left, top, r, b in boxes):
            continue
        read = np.array(read_steps(plane, boxes)).reshape(rows, columns)
        spread = float(np.median([_spread(plane, box) for box in boxes]))
        order = _order(read)
        if order is None or spread > _UNEVEN * STEP_DENSITY:
            continue
        if best is None or spread < best[0]:
            best = (spread, Placed(rows, columns, tuple(boxes[i] for i in order)))
    return best[1] if best else None


def _arrangements(
    plane: FloatArray, lit: NDArray[np.bool_], steps: int
) -> Iterator[tuple[Box, int, int]]:
    """Yield where the tablet may lie, and in how many rows and columns.

    In a single row the thinnest step is as clear as what surrounds it: there the row goes on by
    one step at either end.
    """
    seen = plane[lit]
    if not seen.size:
        return
    denser = lit & (plane > float(np.percentile(seen, 2)) + STEP_DENSITY / 2)
    top, bottom = _longest(denser.mean(axis=1) > _COVERED)
    left, right = _longest(denser.mean(axis=0) > _COVERED)
    if bottom <= top or right <= left:
        return
    height, width = plane.shape
    for rows in (n for n in range(1, steps + 1) if steps % n == 0):
        columns = steps // rows
        across = round((right - left) / (columns - 1)) if rows == 1 else 0
        down = round((bottom - top) / (rows - 1)) if columns == 1 else 0
        areas = [
            (left, top, right, bottom),
            (max(0, left - across), max(0, top - down), right, bottom),
            (left, top, min(width, right + across), min(height, bottom + down)),
        ]
        for area in dict.fromkeys(areas):
            yield area, rows, columns


def _longest(covered: NDArray[np.bool_]) -> tuple[int, int]:
    """Return the start and end of the longest run of True; dust and borders make short ones."""
    ends = np.flatnonzero(np.diff(np.concatenate([[0], covered.astype(np.int8), [0]])))
    if not ends.size:
        return 0, 0
    starts, stops = ends[::2], ends[1::2]
    longest = int(np.argmax(stops - starts))
    return int(starts[longest]), int(stops[longest])


def _order(read: NDArray[np.float64]) -> list[int] | None:
    """Return the order of the steps from thin to dense, as indices of rows read one by one.

    Rows or columns follow each other, from any corner. None where the densities rise in none.
    """
    index = np.arange(read.size).reshape(read.shape)
    best: tuple[float, list[int]] | None = None
    for turned in (index, index.T):
        for down in (1, -1):
            for right in (1, -1):
                order = turned[::down, ::right].ravel()
                apart = np.diff(read.ravel()[order])
                rising = float(np.mean(apart > 0))
                # Noise may turn two dense steps about; what falls by more is no next step.
                if apart.min() < -STEP_DENSITY / 2:
                    continue
                if rising >= _RISING and (best is None or rising > best[0]):
                    best = (rising, [int(i) for i in order])
    return best[1] if best else None


def _spread(plane: FloatArray, box: Box) -> float:
    """Return how far nine tenths of a step's pixels keep to its middle, in density."""
    left, top, right, bottom = box
    part = plane[top:bottom, left:right]
    return float(np.percentile(np.abs(part - np.median(part)), 90))
