"""Where the picture lies on the sensor: outline, rotation, scale, and what is cut off."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from tether.film import FilmFormat
from tether.findings import Finding
from tether.measure.exposure.base import thick_light
from tether.measure.framing.lines import Line, refined
from tether.measure.framing.outline import (
    CONTRAST,
    OPPOSITE,
    PAIRS,
    SIDES,
    Outline,
    Search,
    assemble,
    clockwise,
    facing,
    find_borders,
    line_facing,
    size_of,
)
from tether.measure.framing.rebate import ends_in_view, is_bare_light, rebate_beside
from tether.measure.levels import FULL, FloatArray
from tether.measure.shapes import Quad
from tether.measure.survey import Survey
from tether.settings import FramingSettings
from tether.text import percent

_CLEAR = 0.8
"""Share of a border that was seen, from which it counts although it cannot be placed exactly."""
_FLOOR = {True: 2.0**-12, False: 2.0**-10}


@dataclass(frozen=True, slots=True)
class Framing:
    """How a frame lies on the sensor.

    Attributes
    ----------
    picture
        Outline of the picture in photosites; parts of it may lie outside the sensor.
    seen
        Sides of the picture whose border with the rebate was seen.
    rotation
        Degrees by which the film is turned, clockwise as the raw picture shows it.
    scale
        Photosites per millimetre of film.
    turned
        Whether the film's length runs up and down the sensor.
    missing
        Millimetres of the picture that lie outside what the sensor sees, per side.
    share
        Part of the sensor's area that the visible picture takes, 0..1.
    rebate
        Level of the rebate in stops from saturation (green, or the only channel).
    offset_mm
        How far the picture's middle lies from the middle of what the sensor sees through the gate,
        in millimetres on the film: (along the film, across it). Positive is to the right, or down,
        in the raw picture.
    sure
        Whether the outline rests on enough to say that a part of the picture is cut off.
    """

    picture: Quad
    seen: tuple[str, ...]
    rotation: float
    scale: float
    turned: bool
    missing: dict[str, float]
    share: float
    rebate: float
    offset_mm: tuple[float, float]
    sure: bool

    @property
    def pixels_per_inch(self) -> float:
        """Photosites per inch of film."""
        return self.scale * 25.4


def find_framing(
    survey: Survey,
    form: FilmFormat,
    negative: bool,
    settings: FramingSettings,
    known_scale: float | None = None,
) -> Framing | None:
    """Find the picture's outline by its border with the rebate.

    The rebate is the lightest even thing beside a negative's picture and the darkest beside a
    transparency's. Borders are looked for on each side; of all sets of them that have the
    format's proportions (ISO 1754 for 135 film) the clearest is taken. A side that is not seen
    follows from the other three, or from two with ``known_scale``.

    Parameters
    ----------
    survey
        Small picture of the mosaic.
    form
        The format that is expected in the gate.
    negative
        Whether the base is the lightest part of the film.
    settings
        Limits.
    known_scale
        Photosites per millimetre as earlier frames of the roll showed it.

    Returns
    -------
    None where no rebate is seen well enough to tell; nothing is claimed then.
    """
    coarse, pixel = survey.in_stops(_FLOOR[negative])
    search = Search(coarse, form, negative, settings, visible(coarse))
    scale = known_scale / pixel if known_scale else None
    chosen = assemble(find_borders(search), search, scale)
    return _measured(chosen, search, survey, scale) if chosen else None


def seen_area(survey: Survey, negative: bool) -> Quad:
    """Return what light reaches inside the gate's dark mask, in photosites."""
    coarse, pixel = survey.in_stops(_FLOOR[negative])
    left, top, right, bottom = (v * pixel for v in visible(coarse))
    return Quad(((left, top), (right, top), (right, bottom), (left, bottom)))


def visible(stops: FloatArray) -> tuple[float, float, float, float]:
    """Return (left, top, right, bottom) of what light reaches, inside the gate's dark mask.

    Looked for from each side inward; where the outermost strip is not the darkest there is no
    mask on that side and the picture's own border is returned.
    """
    height, width = stops.shape
    darkest = float(np.percentile(stops[:: max(1, height // 64)], 1))
    ends = []
    for axis, size in ((0, width), (1, height)):
        part = stops if axis == 0 else stops.T
        rows = part[part.shape[0] // 5 : -(part.shape[0] // 5) or None]
        profile = np.median(rows[:: max(1, rows.shape[0] // 48)], axis=0)
        lit = np.flatnonzero(profile > max(float(profile.min()), darkest) + 0.25)
        low, high = (int(lit[0]), int(lit[-1]) + 1) if lit.size else (0, size)
        ends.append((low if low < size * 0.3 else 0, high if high > size * 0.7 else size))
    (left, right), (top, bottom) = ends
    return (float(left), float(top), float(right), float(bottom))


def _measured(
    outline: Outline, search: Search, survey: Survey, known_scale: float | None
) -> Framing | None:
    """Refine the borders on the whole survey and say what follows from them."""
    settings, form = search.settings, search.form
    zoom = round(survey.main.shape[1] / search.coarse.shape[1])
    main = np.maximum(survey.main, np.float32(0)) + np.float32(_FLOOR[search.lighter])
    wide, high = size_of(form, outline.turned)
    sharp = _sharpen(outline, search.lighter, main, zoom, (wide, high), known_scale)
    if sharp is None:
        return None
    lines, scale = sharp
    angle = float(np.mean([clockwise(side, o) for side, o in lines.items()]))
    picture = _corners(lines, scale, angle, (wide, high), main.shape).scaled(survey.step)
    scale *= survey.step
    pixel = survey.step * zoom
    box = tuple(pixel * v for v in search.bounds)
    missing = _missing(picture, box, scale)
    visible_area = max(0.0, picture.width - scale * (missing["left"] + missing["right"]))
    visible_area *= max(0.0, picture.height - scale * (missing["top"] + missing["bottom"]))
    middle = picture.centre
    off_x = (middle[0] - (box[0] + box[2]) / 2) / scale
    off_y = (middle[1] - (box[1] + box[3]) / 2) / scale
    if max(missing.values()) > 0.75 * max(wide, high):
        return None
    natural = (wide >= high) == (main.shape[1] >= main.shape[0]) or wide == high
    # Rows and columns that do not fill a step of the survey are left out of its size.
    area = main.shape[0] * main.shape[1] * survey.step**2
    return Framing(
        picture=picture,
        seen=tuple(side for side in SIDES if side in lines),
        rotation=math.degrees(angle),
        scale=scale,
        turned=outline.turned,
        missing={
            side: round(v, 2) if v > settings.missing_floor_mm else 0.0
            for side, v in missing.items()
        },
        share=visible_area / area,
        rebate=float(np.median([o.outside for o in lines.values()])),
        offset_mm=(off_y, off_x) if outline.turned else (off_x, off_y),
        sure=_is_sure(outline, lines, search.lighter, natural, known_scale),
    )


def _is_sure(
    outline: Outline,
    lines: dict[str, Line],
    lighter: bool,
    natural: bool,
    known_scale: float | None,
) -> bool:
    if len(lines) < 3 or any(side not in lines for side in outline.lines):
        return False
    if len(lines) == 4 or known_scale is not None:
        return True
    if not lighter or not natural:
        # The gate's mask is as dark as a transparency's rebate; and where the picture would lie
        # across the sensor, three borders are more likely those of half of one that lies along it.
        return False
    levels = [o.outside for o in lines.values()]
    return sum(o.hit for o in lines.values()) > 2.6 and max(levels) - min(levels) < 0.3


def _sharpen(
    outline: Outline,
    lighter: bool,
    main: FloatArray,
    zoom: int,
    size_mm: tuple[float, float],
    known_scale: float | None,
) -> tuple[dict[str, Line], float] | None:
    """Place each border to a fraction of a pixel; return them with the pixels per millimetre.

    None where too few are left to tell the scale.
    """
    lines: dict[str, Line] = {}
    at = {side: zoom * o.at for side, o in outline.lines.items()}
    for side, line in outline.lines.items():
        view = facing(main, side)
        height, size = view.shape
        low, high = PAIRS[1] if side in PAIRS[0] else PAIRS[0]
        ends = (at.get(low, 0.1 * height), at.get(high, 0.9 * height))
        margin = 0.03 * (ends[1] - ends[0])
        place = line_facing(replace(line, at=at[side]), side, size)
        rows = (ends[0] + margin, ends[1] - margin)
        better = refined(view, place, CONTRAST[lighter], rows)
        if better is None and line.hit > _CLEAR:
            better = place  # known to a pixel or two, as it was found
        if better is not None:
            lines[side] = line_facing(better, side, size)
    lines = _agreeing(lines)
    scales = []
    for (first, second), length in zip(PAIRS, size_mm, strict=True):
        if first in lines and second in lines:
            lean = math.cos(math.atan((lines[first].slope + lines[second].slope) / 2))
            scales.append((lines[second].at - lines[first].at) * lean / length)
        elif first not in lines and second not in lines:
            return None
    if not scales and known_scale is not None:
        scales = [zoom * known_scale]
    return (lines, float(np.mean(scales))) if scales else None


def _agreeing(lines: dict[str, Line]) -> dict[str, Line]:
    """Leave out borders that turn by more than half a degree from the middle of all."""
    if not lines:
        return lines
    middle = float(np.median([clockwise(side, o) for side, o in lines.items()]))
    near = math.radians(0.5)
    return {s: o for s, o in lines.items() if abs(clockwise(s, o) - middle) < near}


def _corners(
    lines: dict[str, Line],
    scale: float,
    angle: float,
    size_mm: tuple[float, float],
    shape: tuple[int, int],
) -> Quad:
    """Return the outline, with sides that were not seen put where the format has them."""
    height, width = shape
    full = dict(lines)
    lean = math.cos(angle)
    for side, other, axis, sign in OPPOSITE:
        if side not in full:
            apart = sign * size_mm[axis] * scale / lean
            full[side] = replace(lines[other], at=lines[other].at + apart)

    def cross(upright: Line, level: Line) -> tuple[float, float]:
        # x = a + s (y - H/2), y = b + r (x - W/2)
        a, s, b, r = upright.at, upright.slope, level.at, level.slope
        y = (b + r * (a - s * height / 2 - width / 2)) / (1 - r * s)
        return (a + s * (y - height / 2), y)

    corners = (("left", "top"), ("right", "top"), ("right", "bottom"), ("left", "bottom"))
    return Quad(tuple(cross(full[upright], full[level]) for upright, level in corners))


def _missing(picture: Quad, box: tuple[float, ...], scale: float) -> dict[str, float]:
    """Return how far the middle of each side lies beyond what is seen, in millimetres."""
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = picture.corners
    left, top, right, bottom = box
    return {
        "left": max(0.0, (left - (ax + dx) / 2) / scale),
        "top": max(0.0, (top - (ay + by) / 2) / scale),
        "right": max(0.0, ((bx + cx) / 2 - right) / scale),
        "bottom": max(0.0, ((cy + dy) / 2 - bottom) / scale),
    }


_AWAY = {"left": "right", "right": "left", "top": "down", "bottom": "up"}


def framing_findings(
    framing: Framing | None, form: FilmFormat, settings: FramingSettings
) -> list[Finding]:
    """Say what is wrong with the framing; sides are those of the raw picture as it is shown.

    Nothing is said where the outline was not found, and nothing about what is cut off where it
    rests on too few borders (`Framing.sure`).
    """
    if framing is None:
        return []
    findings = []
    lost = framing.missing if framing.sure else {}
    side = max(lost, key=lambda s: lost[s]) if lost else ""
    worst = lost.get(side, 0.0)
    along = ("top", "bottom") if framing.turned else ("left", "right")
    if side in along and worst > settings.between_share * form.picture_along:
        findings.append(Finding.of("between-frames", worst, mm=worst, way=_AWAY[side]))
    elif worst > settings.missing_mm:
        findings.append(Finding.of("picture-cut-off", worst, mm=worst, side=side, way=_AWAY[side]))
    if abs(framing.rotation) > settings.rotation_degrees and len(framing.seen) >= 3:
        ways = ("clockwise", "anticlockwise")
        way, back = ways if framing.rotation > 0 else ways[::-1]
        degrees = abs(framing.rotation)
        turned = round(framing.rotation, 2)
        findings.append(Finding.of("askew", turned, degrees=degrees, way=way, back=back))
    if framing.share < settings.least_share and not findings:
        share, per_inch = percent(framing.share), framing.pixels_per_inch
        value = round(framing.share, 3)
        findings.append(Finding.of("small-on-sensor", value, share=share, per_inch=per_inch))
    return findings


def rests_on_rebate(framing: Framing, picture: Survey, negative: bool) -> bool:
    """Whether what lies beside an outline is rebate all along, where the gate shows it.

    The borders of houses and windows in a night picture can lie like the edges of a frame, but
    beyond them the picture goes on.
    A saturated level beside fewer than four edges may be bare light beside the film, unless the
    middle of the picture shows film as light.
    """
    bare = negative and is_bare_light(framing.rebate, framing.seen)
    if bare and not thick_light(picture.half_main, FULL):
        return False
    step = picture.step
    gate = seen_area(picture, negative).scaled(1 / step)
    if ends_in_view(picture.main, gate, framing.missing, framing.rebate):
        return False
    return rebate_beside(
        framing.picture.scaled(1 / step), framing.seen, picture.main, framing.scale / step, gate,
        framing.rebate, negative, sure=framing.sure,
    )  # fmt: skip
