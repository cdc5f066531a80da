"""Which of the borders that were seen are the edges of the frame."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from tether.film import FilmFormat
from tether.measure.borders import Line

SIDES = ("left", "top", "right", "bottom")
_SIGN = {"left": -1.0, "right": 1.0, "top": 1.0, "bottom": -1.0}
_ASPECT_TOLERANCE = 0.035
_PARALLEL_DEGREES = 0.8
_INSIDE_MM = 0.6


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to name the borders.

    Attributes
    ----------
    sides
        The frame's edges, by side; at least one of each direction.
    scale
        Pixels per millimetre.
    horizontal
        Whether the film's length runs along the rows.
    gap
        Whether the edge of the neighbouring frame was recognised in the view as well.
    degrees
        Turn of the frame, positive clockwise on the screen.
    score
        How much of what was seen it explains.
    """

    sides: dict[str, Line]
    scale: float
    horizontal: bool
    gap: bool
    degrees: float
    score: float

    def size(self, film: FilmFormat) -> tuple[float, float]:
        """Size of the picture in pixels, (across the columns, across the rows)."""
        along, across = film.picture_along * self.scale, film.picture_across * self.scale
        return (along, across) if self.horizontal else (across, along)


def best_reading(
    lines: Mapping[str, tuple[Line, ...]],
    shape: tuple[int, int],
    film: FilmFormat,
    scale: float | None,
    dark: bool = False,
) -> Reading | None:
    """Return the reading that explains most, None where none fits the format.

    ``shape`` is (height, width) of the picture in which the lines were found, ``scale`` its
    pixels per millimetre where that is known from earlier frames. ``dark`` says that the rebate is
    as dark as the gate's mask, so that the mask's edges are among the borders.
    """
    readings = _readings(lines, shape, film, scale, dark)
    return max(readings, key=lambda reading: reading.score, default=None)


def _readings(
    lines: Mapping[str, tuple[Line, ...]],
    shape: tuple[int, int],
    film: FilmFormat,
    known: float | None,
    dark: bool,
) -> Iterator[Reading]:
    height, width = shape
    choices = [(*lines.get(side, ()), None) for side in SIDES]
    for chosen in itertools.product(*choices):
        sides = {s: line for s, line in zip(SIDES, chosen, strict=True) if line is not None}
        if not ({"left", "right"} & set(sides) and {"top", "bottom"} & set(sides)):
            continue
        turns = [_SIGN[s] * line.degrees for s, line in sides.items()]
        if max(turns) - min(turns) > _PARALLEL_DEGREES:
            continue
        weights = [line.support for line in sides.values()]
        degrees = float(np.average(turns, weights=weights))
        for horizontal in (True, False):
            size_x, size_y = film.picture_along, film.picture_across
            if not horizontal:
                size_x, size_y = size_y, size_x
            fitted = _scale(sides, (width, height), (size_x, size_y), known)
            if fitted is None:
                continue
            scale, misfit = fitted
            if not _plausible(scale, (width, height), (size_x, size_y)):
                continue
            gap = _neighbour(lines, sides, (width, height), film, scale, horizontal)
            score = sum(weights) - _unexplained(
                lines, sides, (width, height), (size_x, size_y), scale, dark
            )
            score += 0.4 * gap - 5.0 * misfit
            # A picture is photographed with its longer side along the sensor's longer side, its
            # edges do not end in the middle of the view unseen, and the frame of which more is
            # in view is the one meant.
            score += 0.5 * ((size_x > size_y) == (width > height))
            score -= 0.4 * _hidden(sides, (width, height), (size_x, size_y), scale)
            score += 1.5 * _seen_share(sides, (width, height), (size_x, size_y), scale)
            yield Reading(sides, scale, horizontal, gap > 0, degrees, score)


def _scale(
    sides: Mapping[str, Line],
    view: tuple[int, int],
    size: tuple[float, float],
    known: float | None,
) -> tuple[float, float] | None:
    """Return the scale in which all the distances fit and by how much they differ, 0..1.

    None where they do not fit.
    """
    found = [] if known is None else [known]
    for (a, b), length, millimetres in zip(
        (("left", "right"), ("top", "bottom")), view, size, strict=True
    ):
        if a in sides and b in sides:
            found.append((length - sides[a].at - sides[b].at) / millimetres)
    if not found or min(found) <= 0 or max(found) / min(found) - 1 > _ASPECT_TOLERANCE:
        return None
    own = found[1:] if known is not None and len(found) > 1 else found
    return float(np.mean(own)), max(found) / min(found) - 1


def _plausible(scale: float, view: tuple[int, int], size: tuple[float, float]) -> bool:
    """Whether the picture fills a sensible part of the view in this scale."""
    shares = [millimetres * scale / length for millimetres, length in zip(size, view, strict=True)]
    return min(shares) > 0.3 and max(shares) < 1.35 and max(shares) > 0.5


def _span(
    sides: Mapping[str, Line], pair: tuple[str, str], length: float, extent: float
) -> tuple[float, float]:
    """Return where the frame begins and ends in one direction, in pixels."""
    first, second = sides.get(pair[0]), sides.get(pair[1])
    low = first.at if first else None
    high = length - second.at if second else None
    if low is None:
        assert high is not None
        low = high - extent
    return (low, low + extent if high is None else high)


def _unexplained(
    lines: Mapping[str, tuple[Line, ...]],
    sides: Mapping[str, Line],
    view: tuple[int, int],
    size: tuple[float, float],
    scale: float,
    dark: bool,
) -> float:
    """Add up the support of borders that would run through the middle of the picture."""
    total = 0.0
    for pair, length, millimetres in zip(
        (("left", "right"), ("top", "bottom")), view, size, strict=True
    ):
        low, high = _span(sides, pair, length, millimetres * scale)
        for side in pair:
            seen = lines.get(side, ())
            # What lies outermost may be the edge of the gate's mask where the rebate is dark.
            outermost = min((line.at for line in seen), default=0.0) if dark else -1.0
            for line in seen:
                if line.at == outermost:
                    continue
                at = line.at if side in ("left", "top") else length - line.at
                if low + _INSIDE_MM * scale < at < high - _INSIDE_MM * scale:
                    total += 0.8 * max(0.0, line.support - 0.4)
    return total


def _neighbour(
    lines: Mapping[str, tuple[Line, ...]],
    sides: Mapping[str, Line],
    view: tuple[int, int],
    film: FilmFormat,
    scale: float,
    horizontal: bool,
) -> float:
    """Return the support of the next frame's edge, a gap away from one of this frame's edges."""
    gap = (film.pitch - film.picture_along) * scale
    pair, length = (("left", "right"), view[0]) if horizontal else (("top", "bottom"), view[1])
    best = 0.0
    for mine, other in (pair, pair[::-1]):
        if mine not in sides:
            continue
        edge = sides[mine].at
        for line in lines.get(other, ()):
            apart = edge - (length - line.at)
            # Cameras leave gaps of their own: half the standard gap to twice as much.
            if 0.5 * gap < apart < 2.0 * gap:
                best = max(best, line.support)
    return best


def _hidden(
    sides: Mapping[str, Line], view: tuple[int, int], size: tuple[float, float], scale: float
) -> int:
    """Count the sides that should be well inside the view but were not seen."""
    hidden = 0
    for pair, length, millimetres in zip(
        (("left", "right"), ("top", "bottom")), view, size, strict=True
    ):
        low, high = _span(sides, pair, length, millimetres * scale)
        hidden += pair[0] not in sides and low > _INSIDE_MM * scale
        hidden += pair[1] not in sides and high < length - _INSIDE_MM * scale
    return hidden


def _seen_share(
    sides: Mapping[str, Line], view: tuple[int, int], size: tuple[float, float], scale: float
) -> float:
    share = 1.0
    for pair, length, millimetres in zip(
        (("left", "right"), ("top", "bottom")), view, size, strict=True
    ):
        low, high = _span(sides, pair, length, millimetres * scale)
        share *= max(0.0, min(high, length) - max(low, 0.0)) / max(high - low, 1.0)
    return share
