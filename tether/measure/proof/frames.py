"""Find the frames on a strip that was laid straight."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageFilter

from tether.film import FilmFormat, FilmProcess
from tether.measure.proof.strips import (
    HOLES_MM,
    SCALE,
    FloatArray,
    Points,
    Strip,
    through,
)

Floats = NDArray[np.float64]

_BARE = 0.92
"""Light from which a place is bare table, through a perforation or beside the film."""
_FLOOR = 0.006
"""Light that lenses and noise add to what is black."""
_LOOSE_MM = 1.6
"""Millimetres by which the distance between two frames may differ from the format's."""
_CARE = 0.12
"""What a millimetre of difference from the pitch costs, squared, against how clear a gap is."""
_REACH = 0.5
"""Millimetres on either side of an edge at which it is looked for."""
_HOLE_PITCH_MM = 4.75
_FORESHORTENED = 0.07
"""Share by which lengths along a strip may differ from those across it."""
_OUTSIDE = 0.6
"""How clear a gap counts that lies at a cut end of the strip."""
_FRAME = 0.3
"""What one more frame on a strip is worth, in clear gaps: strips are cut where they are full."""
_SHIFT_MM = 1.5
"""Millimetres by which a picture's middle may lie away from the middle between its gaps."""


def find_frames(strip: Strip, form: FilmFormat, process: FilmProcess) -> list[Points]:
    """Return the corners of each frame in the picture of the page, shape (4, 2), in order.

    Gaps between frames are as light as the film's base (of transparencies: dark) all across. They
    lie a pitch apart, but for some slack; the set of gaps that is clearest at regular distances is
    found at once (dynamic programming), so that a picture that is as light as its gaps cannot pull
    a frame aside.
    """
    clear = gap_clearness(strip.light, form, process)
    if clear.size < 0.6 * form.pitch * SCALE:
        return []
    starts, form = _frames_at(clear, _along(strip.light, form))
    across = _across(strip.light, starts, form, process)
    corners = []
    for start in starts:
        end, top, bottom = start + form.picture_along, across, across + form.picture_across
        flat = np.array([(start, top), (end, top), (end, bottom), (start, bottom)])
        corners.append(through(strip.to_page, flat))
    return corners


def gap_clearness(light: FloatArray, form: FilmFormat, process: FilmProcess) -> Floats:
    """Return for each column how much it looks like a gap, 0..1."""
    height = light.shape[0]
    half = 0.46 * form.picture_across / form.film_width * height
    rows = light[round(height / 2 - half) : round(height / 2 + half)]
    if process.is_negative:
        base = _base(light)
        lowest = np.percentile(rows, 8, axis=0)
        clear = 1 - np.abs(np.log10(np.maximum(lowest, 1e-4) / base)) / 0.25
    else:
        highest = _smooth(np.percentile(rows, 92, axis=0).astype(np.float64), 0.4)
        black = float(np.percentile(highest, 4))
        clear = 1 - np.log10((np.maximum(highest, black) + _FLOOR) / (black + _FLOOR)) / 0.3
    return np.clip(_smooth(np.asarray(clear, np.float64), 0.6), 0, 1)


def _base(light: FloatArray) -> float:
    """Return the light through clear film: the lightest film that lies beside no bare light."""
    bare = Image.fromarray(np.where(light < _BARE, 0, 255).astype(np.uint8))
    beside = np.asarray(bare.filter(ImageFilter.MaxFilter(2 * round(0.6 * SCALE) + 1))) > 0
    beside[[0, -1]] = beside[:, [0, -1]] = True
    film = light[~beside]
    return float(np.percentile(film, 97)) if film.size else 1.0


def _smooth(values: Floats, mm: float) -> Floats:
    width = max(1, round(mm * SCALE))
    padded = np.pad(values, width, "edge")
    return np.convolve(padded, np.ones(width) / width, "same")[width:-width]


def _along(light: FloatArray, form: FilmFormat) -> FilmFormat:
    """Return the format with lengths along the film as they appear, by its perforations.

    A page that is tilted toward the camera is shorter one way than the other. Perforations are 4.75
    mm apart (ISO 491), and the spectrum of their rows has its peak there.
    """
    if not form.perforated:
        return form
    at = round(HOLES_MM * SCALE)
    row = (light[[at, light.shape[0] - 1 - at]] > _BARE).mean(axis=0)
    spectrum = np.abs(np.fft.rfft((row - row.mean()) * np.hanning(row.size), 16 * row.size))
    frequency = np.arange(spectrum.size) / (16 * row.size) * SCALE * _HOLE_PITCH_MM
    near = np.abs(frequency - 1) < _FORESHORTENED
    if not near.any() or spectrum[near].max() < 4 * np.median(spectrum):
        return form
    return _scaled(form, 1 / float(frequency[near][spectrum[near].argmax()]))


def _scaled(form: FilmFormat, ratio: float) -> FilmFormat:
    return replace(form, picture_along=form.picture_along * ratio, pitch=form.pitch * ratio)


def _frames_at(clear: Floats, form: FilmFormat) -> tuple[list[float], FilmFormat]:
    """Return where each frame's picture begins, in millimetres from the strip's end.

    The format comes back with lengths as they appear: the strip's width tells the scale along it
    only roughly, the distance of many gaps better.
    """
    gap, usual = form.pitch - form.picture_along, 1.0
    length = clear.size / SCALE
    room = gap / 2 + 1.5
    size = clear.size + 2 * round(room * SCALE)
    offset = round(room * SCALE)
    score = np.full(size, _OUTSIDE)
    inside = slice(offset, offset + clear.size)
    half = max(1, round(gap * SCALE / 4))
    score[inside] = np.minimum.reduce([np.roll(clear, by) for by in range(-half, half + 1)])
    edge = round(1.0 * SCALE)
    score[offset : offset + edge] = np.maximum(score[offset : offset + edge], _OUTSIDE)
    score[offset + clear.size - edge : offset + clear.size] = np.maximum(
        score[offset + clear.size - edge : offset + clear.size], _OUTSIDE
    )
    best: tuple[float, list[int]] = (-math.inf, [])
    # Without perforations the scale along the strip is tried, too.
    ratios = (1.0,) if form.perforated else (1.0, 0.98, 1.02, 0.96, 1.04)
    for ratio in ratios:
        pitch = form.pitch * ratio
        most = int((length + 2 * room) // (pitch - 0.3))
        for frames in range(max(1, most - 1), most + 1):
            found = _chain(score, frames, pitch)
            if found is not None and found[0] - 5 * abs(ratio - 1) > best[0]:
                best = (found[0] - 5 * abs(ratio - 1), found[1])
                usual = ratio
    form = _scaled(form, usual)
    middles = [(at - offset + 0.5) / SCALE for at in best[1]]
    if len(middles) > 3:
        inner = middles[1:-1]
        ratio = (inner[-1] - inner[0]) / (len(inner) - 1) / form.pitch
        form = _scaled(form, float(np.clip(ratio, 0.97, 1.03)))
    # How long a picture appears is told by its own edges, best over all of the strip.
    ratios = (1.0,) if form.perforated else tuple(np.arange(0.96, 1.0401, 0.005).tolist())
    fits = [_all_placed(clear, middles, form, ratio) for ratio in ratios]
    _, starts, ratio = max(fits)
    return starts, replace(form, picture_along=form.picture_along * ratio)


def _all_placed(
    clear: Floats, middles: list[float], form: FilmFormat, ratio: float
) -> tuple[float, list[float], float]:
    """Place every picture at one length; return how clear their edges are in all, and where."""
    length, total, starts = clear.size / SCALE, -3 * abs(ratio - 1), []
    along = form.picture_along * ratio
    for index, (a, b) in enumerate(pairwise(middles)):
        first, last = index == 0, index == len(middles) - 2
        # A gap at a cut end of the strip may lie anywhere beside the cut.
        middle, room = (a + b) / 2, _SHIFT_MM
        if first and last:
            middle, room = length / 2, max(_SHIFT_MM, (length - along) / 2 + 0.5)
        elif first:
            middle, room = b - form.pitch / 2, 2 * _SHIFT_MM
        elif last:
            middle, room = a + form.pitch / 2, 2 * _SHIFT_MM
        value, start = _placed(clear, middle, along, room)
        total += value
        starts.append(start)
    return total, starts, ratio


def _chain(score: Floats, frames: int, pitch: float) -> tuple[float, list[int]] | None:
    """Return the best sum for so many frames, per gap, and where its gaps lie."""
    step, loose = pitch * SCALE, round(_LOOSE_MM * SCALE)
    low, high = round(step) - loose, round(step) + loose
    distances = np.arange(low, high + 1)
    cost = _CARE * ((distances - step) / SCALE) ** 2
    size = score.size
    total = score.copy()
    back: list[NDArray[np.intp]] = []
    for _ in range(frames):
        options = np.full((distances.size, size), -np.inf)
        for index, distance in enumerate(distances):
            if distance < size:
                options[index, distance:] = total[: size - distance] - cost[index]
        choice = options.argmax(axis=0)
        back.append(distances[choice])
        total = options[choice, np.arange(size)] + score
    end = int(total.argmax())
    if not np.isfinite(total[end]):
        return None
    places = [end]
    for chosen in reversed(back):
        places.append(places[-1] - int(chosen[places[-1]]))
    return float(total[end]) + _FRAME * frames, places[::-1]


def _placed(clear: Floats, middle: float, along: float, room: float) -> tuple[float, float]:
    """Return how clear a picture's two edges are, and where it begins.

    Its length is ``along``, its middle known within ``room``.
    """
    by = np.arange(-room, room + 0.01, 0.1)
    first, last = middle - along / 2 + by, middle + along / 2 + by
    edges = (
        _at(clear, first - _REACH) - _at(clear, first + _REACH)
        + _at(clear, last + _REACH) - _at(clear, last - _REACH)
    ) - 0.3 * (by / room) ** 2  # fmt: skip
    best = int(edges.argmax())
    return float(edges[best]), float(first[best])


def _at(values: Floats, mm: Floats) -> Floats:
    """Return values at places in millimetres; beyond the strip's ends there may be a gap."""
    place = mm * SCALE - 0.5
    return np.interp(place, np.arange(values.size), values, left=_OUTSIDE, right=_OUTSIDE)


def _across(
    light: FloatArray, starts: list[float], form: FilmFormat, process: FilmProcess
) -> float:
    """Return where the pictures begin across the strip, in millimetres from its upper edge."""
    usual = (form.film_width - form.picture_across) / 2
    if not starts:
        return usual
    columns = np.concatenate(
        [
            np.arange(
                max(0, round((start + 2) * SCALE)),
                min(light.shape[1], round((start + form.picture_along - 2) * SCALE)),
            )
            for start in starts
        ]
    )
    if not columns.size:
        return usual
    rows = np.log10(np.maximum(light[:, columns], 1e-4))
    # How a row differs from the next: at a picture's edge it does all along.
    profile = np.median(rows, axis=1)
    sign = -1.0 if process.is_negative else 1.0
    best, top = -math.inf, usual
    for by in np.arange(-1.0, 1.01, 0.1):
        a, b = usual + by, usual + by + form.picture_across
        inner = _row(profile, a + 0.4) + _row(profile, b - 0.4)
        outer = _row(profile, a - 0.3) + _row(profile, b + 0.3)
        value = sign * (inner - outer) - 0.05 * by**2
        if value > best:
            best, top = value, usual + by
    return float(top)


def _row(profile: Floats, mm: float) -> float:
    return float(np.interp(mm * SCALE - 0.5, np.arange(profile.size), profile))
