"""The search for a frame's outline: borders on each side, and which of them go together."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product
from statistics import fmean, median

import numpy as np

from tether.film import FilmFormat
from tether.measure.framing.lines import Line, find_lines
from tether.measure.levels import FloatArray
from tether.settings import FramingSettings

SIDES = ("left", "top", "right", "bottom")
"""The sides of a frame, as the raw picture shows them."""
PAIRS = (("left", "right"), ("top", "bottom"))
"""Opposite sides: first those that lie apart along x."""
OPPOSITE = (("left", "right", 0, -1), ("right", "left", 0, 1), ("top", "bottom", 1, -1),
            ("bottom", "top", 1, 1))  # fmt: skip
"""A side, the one opposite, the axis along which they lie apart, and which way the side lies."""

CONTRAST = {True: 0.12, False: -0.12}
"""Least step across a border in stops, for a rebate that is lighter than the picture or not."""
_ANGLES_APART = math.radians(2.0)
_OTHER_SCALE = 0.04
"""Share from which on another scale than the roll's is another one."""
_MOVED = 1.2
"""What speaks against four borders at another scale than the roll's, in borders."""
_TO_PERFORATIONS_MM = 2.1
_PERFORATED = (0.2, 0.7)
"""Least and greatest share of perforations along their row (1.98 mm of each 4.75 mm)."""
_PERFORATION_EV = 0.3
"""How much lighter than base bare light is at least, in stops, where neither is saturated."""
_USUAL_SPREAD_EV = 0.35
"""Largest difference between the rebates of two sides that falloff and lamp usually make, stops."""
_BLACK_EV = 1.0
"""How much lighter than the rebate beside it a transparency's picture is at the least, stops."""
_HELD = 1.2
"""What speaks against an outline that a band of rebate seems to cross, in borders."""
_BAND_MM = 0.5
"""Narrowest band of rebate that tells two frames, mm."""
_BLACK_SPREAD = 2.0
"""How many times that of light rebate the spread of black rebate may be: noise has part in it."""
_GATE_PIXELS = 4.0
"""Distance from what light reaches within which a border may be the gate's, pixels."""
_MASKED = 0.4
"""What speaks against each border that may be the gate's, in borders."""
_SAME_PROPORTION = 0.02
"""Difference from the format's proportions at which four borders are its own, logarithm."""
_NEAREST = 0.3
"""Share of the view that lies before a border at the least: the picture takes a third of it."""
_LEAST_FILLED = 0.35
"""Share of what is seen through the gate that the picture takes at least."""


@dataclass(frozen=True)
class Search:
    """Everything that the search for a frame's outline is made with, in pixels of ``coarse``."""

    coarse: FloatArray
    form: FilmFormat
    lighter: bool
    settings: FramingSettings
    bounds: tuple[float, float, float, float]

    @cached_property
    def lightest(self) -> float:
        """How light the lightest parts of the view are, in stops from saturation."""
        return float(np.percentile(self.coarse[::4, ::4], 99.5 if self.lighter else 99))


@dataclass(frozen=True, slots=True)
class Outline:
    """A set of borders that go together."""

    lines: dict[str, Line]
    scale: float
    turned: bool
    score: float


def find_borders(search: Search) -> dict[str, list[Line]]:
    """Look for the border on each side; places are along x for left and right, y for the rest."""
    borders = {}
    left, top, right, bottom = search.bounds
    for side in SIDES:
        view = facing(search.coarse, side)
        size = view.shape[1]
        first, last = (left, right) if side in PAIRS[0] else (top, bottom)
        if side in _FIRST:
            first, last = size - last, size - first
        if not search.lighter:
            # Black rebate goes over into the gate's mask, so that its end cannot be told from it.
            first, last = 0.0, float(size)
        lines = find_lines(
            view, CONTRAST[search.lighter], search.settings.largest_degrees, (first, last)
        )
        least = max(first + 8, _NEAREST * size)
        borders[side] = [line_facing(o, side, size) for o in lines if least < o.at]
    return borders


_FIRST = ("left", "top")


def facing(picture: FloatArray, side: str) -> FloatArray:
    """Return a picture turned so that one of its sides lies at the right."""
    view = picture if side in PAIRS[0] else picture.T
    return view[:, ::-1] if side in _FIRST else view


def line_facing(line: Line, side: str, size: int) -> Line:
    """Return a line as it lies in a picture that `facing` has turned, ``size`` wide; or back."""
    return replace(line, at=size - line.at, slope=-line.slope) if side in _FIRST else line


def size_of(form: FilmFormat, turned: bool) -> tuple[float, float]:
    """Return width and height of a picture, mm; ``turned`` where the film runs up and down."""
    along, across = form.picture_along, form.picture_across
    return (across, along) if turned else (along, across)


def assemble(
    sides: dict[str, list[Line]], search: Search, known_scale: float | None
) -> Outline | None:
    """Return the clearest set of borders that has the format's proportions, None for none.

    ``known_scale`` is in pixels of the search per millimetre, None where not known.
    """
    best: Outline | None = None
    options = [[*sides[side], None] for side in SIDES]
    form = search.form
    for chosen in product(*options):
        lines = {side: line for side, line in zip(SIDES, chosen, strict=True) if line}
        if len(lines) < 2 or (best and sum(o.hit for o in lines.values()) + 0.3 < best.score):
            continue
        for turned in (False, True):
            outline = _fits(lines, size_of(form, turned), turned, search, known_scale)
            if outline is None or (best and outline.score <= best.score):
                continue
            if len(lines) < len(SIDES) and not _film_beyond(outline, search):
                continue
            if _holds_rebate(outline, search):
                outline = replace(outline, score=outline.score - _HELD)
            if best is None or outline.score > best.score:
                best = outline
    return best


def _fits(
    lines: dict[str, Line],
    size_mm: tuple[float, float],
    turned: bool,
    search: Search,
    known_scale: float | None,
) -> Outline | None:
    """Return the outline if these borders can be those of one picture of this size."""
    scales = _scales(lines, size_mm, known_scale)
    if scales is None:
        return None
    settings, all_four = search.settings, len(lines) == len(SIDES)
    scale, levels = fmean(scales), [line.outside for line in lines.values()]
    # Four borders outweigh what is known: the camera may have been moved meanwhile.
    moved = known_scale is not None and any(abs(s / known_scale - 1) > _OTHER_SCALE for s in scales)
    if not all_four and (moved or (search.lighter and _is_films_edge(lines))):
        return None
    angles = [clockwise(side, line) for side, line in lines.items()]
    stretched = abs(math.log(scales[0] / scales[-1]))
    twisted, uneven = max(angles) - min(angles), max(levels) - min(levels)
    if (
        stretched > settings.proportion_tolerance
        or twisted > _ANGLES_APART
        or uneven > settings.rebate_spread_ev * (1 if search.lighter else _BLACK_SPREAD)
        or _is_small(size_mm, scale, search)
        or not _is_base_level(median(levels), search)
        or (
            (masked := _at_the_gate(lines, search))
            and not (all_four and stretched < _SAME_PROPORTION)
        )
    ):
        return None
    score = sum(line.hit for line in lines.values())
    score -= 4 * stretched + 4 * twisted + _MOVED * moved
    score -= 0.3 * uneven + _MASKED * masked
    if search.lighter:
        score -= 1.5 * max(0.0, uneven - _USUAL_SPREAD_EV)
    if score < settings.least_score * len(lines) / len(SIDES):
        return None
    if not all_four:
        score -= _doubt(lines, size_mm, scale, search)
    return Outline(lines, scale, turned, score)


def _at_the_gate(lines: dict[str, Line], search: Search) -> int:
    """Return how many of a transparency's borders may be the edge of the gate's mask.

    It may be where the picture ends, or the picture may go on behind it: only a whole outline of
    the right proportions tells. A mount's edge is the picture's.
    """
    if search.lighter or search.form.mounted:
        return 0
    limits = dict(zip(SIDES, search.bounds, strict=True))
    return sum(abs(line.at - limits[side]) < _GATE_PIXELS for side, line in lines.items())


def _scales(
    lines: dict[str, Line], size_mm: tuple[float, float], known_scale: float | None
) -> list[float] | None:
    """Return pixels per millimetre by each pair of opposite borders, as known without a pair.

    None where a pair lies the wrong way round, a direction shows no border, or nothing tells.
    """
    scales = []
    for (first, second), length in zip(PAIRS, size_mm, strict=True):
        if first in lines and second in lines:
            scales.append((lines[second].at - lines[first].at) / length)
        elif first not in lines and second not in lines:
            return None
    if not scales:
        return None if known_scale is None else [known_scale]
    return scales if min(scales) > 0 else None


def _is_small(size_mm: tuple[float, float], scale: float, search: Search) -> bool:
    """Whether the outline is too small a part of the view to be the picture."""
    height, width = search.coarse.shape
    left, top, right, bottom = search.bounds
    wide, high = size_mm[0] * scale, size_mm[1] * scale
    through_gate = (right - left) * (bottom - top)
    return max(wide / width, high / height) < 0.33 or wide * high < _LEAST_FILLED * through_gate


def _is_base_level(level: float, search: Search) -> bool:
    """Whether a level can be that of the rebate beside the view's lightest parts."""
    return level >= search.lightest - 3.5 if search.lighter else level <= search.lightest - 3.0


def _film_beyond(outline: Outline, search: Search) -> bool:
    """Whether what lies beyond the long borders can be the film's own edge.

    Beyond the picture of perforated film come perforations, 2 mm away in their midst (ISO 491 and
    ISO 1754: picture of 24 mm on film of 35 mm); beyond that of other film its edge and bare light.
    A horizon, or a wall, in a thin negative has neither. Not asked where it is out of view, or
    where base lies so near to saturation that bare light cannot stand out.
    """
    form = search.form
    pair = PAIRS[0] if outline.turned else PAIRS[1]
    away = (
        _TO_PERFORATIONS_MM if form.perforated else (form.film_width - form.picture_across) / 2 + 1
    )
    low, high = _PERFORATED if form.perforated else (0.8, 1.0)
    left, top, right, bottom = search.bounds
    for side in pair:
        line = outline.lines.get(side)
        if line is None or (search.lighter and line.outside > -_PERFORATION_EV - 0.1):
            continue
        upright = side in PAIRS[0]
        view = search.coarse if upright else search.coarse.T
        step = away * outline.scale * (-1 if side in ("left", "top") else 1)
        y = np.arange(0.15 * view.shape[0], 0.85 * view.shape[0]).astype(np.intp)
        x = line.at + step + line.slope * (y - view.shape[0] / 2)
        near, far = (left, right) if upright else (top, bottom)
        inside = (x > near + 1) & (x < far - 1)
        if np.count_nonzero(inside) < 0.5 * y.size:
            continue
        seen = view[y[inside], x[inside].astype(np.intp)]
        share = float(np.mean(seen > line.outside + (_PERFORATION_EV if search.lighter else 2.0)))
        if not low <= share <= high:
            return False
    return True


def _holds_rebate(outline: Outline, search: Search) -> bool:
    """Whether a band of a transparency's black rebate runs through an outline from side to side.

    Then it is that of two frames, or of perforations and light beside the film. A black part of a
    picture mostly has light on one side of it only, or does not run from side to side.
    """
    if search.lighter:
        return False
    left, top, right, bottom = search.bounds
    for pair, (low, high) in zip(PAIRS, ((top, bottom), (left, right)), strict=True):
        view = search.coarse if pair == PAIRS[0] else search.coarse.T
        known = [outline.lines[side] for side in pair if side in outline.lines]
        slope = known[0].slope
        ends = [outline.lines[side].at if side in outline.lines else None for side in pair]
        first = int(ends[0] if ends[0] is not None else 0) + 3
        last = int(ends[1] if ends[1] is not None else view.shape[1]) - 3
        y = np.linspace(low + 0.12 * (high - low), high - 0.12 * (high - low), 48).astype(np.intp)
        x = np.arange(first, last)[None, :] + np.rint(slope * (y - view.shape[0] / 2))[:, None]
        seen = view[y[:, None], np.clip(x, 0, view.shape[1] - 1).astype(np.intp)]
        black = float(np.median([line.outside for line in outline.lines.values()])) + _BLACK_EV
        lit = np.flatnonzero(np.percentile(seen, 92, axis=0) > black)
        if lit.size and np.any(np.diff(lit) - 1 > _BAND_MM * outline.scale):
            return True
    return False


def _doubt(
    lines: dict[str, Line], size_mm: tuple[float, float], scale: float, search: Search
) -> float:
    """Return what speaks against an outline with sides that were not seen, 0 for nothing.

    A side that should be in view was not seen, much of the picture would lie out of view, or its
    longer side would not lie along the sensor's longer side.
    """
    limits = dict(zip(SIDES, search.bounds, strict=True))
    doubt = 0.0
    for side, other, axis, sign in OPPOSITE:
        if side in lines or other not in lines:
            continue
        length = size_mm[axis]
        beyond = sign * (lines[other].at - limits[side]) / scale + length
        doubt += beyond / length if beyond > 0 else 0.5
    height, width = search.coarse.shape
    if (size_mm[0] > size_mm[1]) != (width > height) and size_mm[0] != size_mm[1]:
        doubt += 0.15
    return doubt


def _is_films_edge(lines: dict[str, Line]) -> bool:
    """Whether rebate lies before one of these borders: then bare light, not rebate, is beyond."""
    return any(
        line.inside > min(o.outside for s, o in lines.items() if s != side) - 0.1
        for side, line in lines.items()
    )


def clockwise(side: str, line: Line) -> float:
    """Return the film's turn that a border shows, in radians, clockwise with y downward."""
    return math.atan(-line.slope if side in ("left", "right") else line.slope)
