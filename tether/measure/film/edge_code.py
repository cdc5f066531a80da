"""The bar code on the edge of 135 film: which side faces the lens, and which frame it is.

The code has two tracks along the edge (ISO 1007; US patents 4965628 and 5448049): the clock track
toward the perforations, whose modules alternate between a start of five and an end of three
exposed modules, and the data track outside it. Seen from the base side it lies below the picture
and runs to the right. The size of a module is from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tether.film import FilmFormat
from tether.findings import Finding
from tether.measure.film.edge_bits import MODULES, EdgeBits, read_bits
from tether.measure.framing.framing import Framing
from tether.measure.levels import FloatArray, stops
from tether.measure.survey import Survey

_CLOCK = "11111" + "01" * 11 + "0" + "111"
_MODULE_MM = 0.41
_MODULES_TRIED = (0.94, 0.97, 1.0, 1.03, 1.06)
_PIXEL_MM = 0.05
_REACH_MM = 20.0
_DEPTH_MM = (15.2, 17.9)
_LEAST_DEPTH_MM = 1.8
_TRACK_ROWS = 8
_ROWS_APART = 3
_PRINT_EV = 0.25
_CLEAR = 0.72
_CLEARER = 0.06
_DATA_ROWS = (8, 22, 2)
"""Rows from the clock track outward at which the data track is looked for."""
_DATA_HEIGHT = 7
_INNER = 0.25
"""Share of a module left out at either end, where its neighbours' light reaches."""
NUMBERS_APART_MM = 38.0
"""From one frame number on the edge to the next (ISO 1007: eight perforations of 4.75 mm)."""
FRAMES = 64
"""Frame numbers begin anew after so many."""


@dataclass(frozen=True, slots=True)
class EdgeCode:
    """A bar code that was seen beside the picture.

    Attributes
    ----------
    base_side
        Whether the base side of the film faces the lens.
    at_mm
        Its middle along the film from the picture's middle, in the sense in which frame numbers
        grow.
    bits
        What it says; None where it cannot be read for certain.
    """

    base_side: bool
    at_mm: float
    bits: EdgeBits | None = None

    @property
    def film_mm(self) -> float | None:
        """Where the picture's middle lies along the film's numbering: 38 mm times frame number."""
        return None if self.bits is None else NUMBERS_APART_MM * self.bits.frame - self.at_mm


@dataclass(frozen=True, slots=True)
class _Clock:
    """Where a clock track was found in a strip: row, first column, module, direction."""

    row: int
    start: int
    module_mm: float
    forward: bool
    match: float
    other: float


def read_edge(
    picture: Survey, framing: Framing | None, form: FilmFormat, negative: bool
) -> EdgeCode | None:
    """Look for the bar code along both edges of 135 film.

    Parameters
    ----------
    picture
        The survey of the frame.
    framing
        Where the picture lies in it; without it nothing is looked for.
    form
        The format; only perforated film has the code.
    negative
        Whether what is exposed is dark.

    Returns
    -------
    None where no code is seen plainly: nothing is claimed then.
    """
    if framing is None or not form.perforated or len(framing.seen) < 3:
        return None
    best: tuple[_Clock, bool, FloatArray] | None = None
    for lower in (True, False):
        strip = _strip(picture, framing, lower)
        if strip is None:
            continue
        strip = -strip if negative else strip
        clock = _find_clock(strip)
        if clock and (best is None or clock.match > best[0].match):
            best = (clock, lower, strip)
    if best is None:
        return None
    clock, lower, strip = best
    length = round(MODULES * clock.module_mm / _PIXEL_MM)
    middle = (clock.start + length / 2) * _PIXEL_MM - _REACH_MM
    base_side = clock.forward == lower
    return EdgeCode(base_side, middle if clock.forward else -middle, _confirmed(strip, clock))


def edge_remarks(code: EdgeCode | None) -> list[Finding]:
    """Say when the bar code shows that the base side of the film faces the lens."""
    if code is None or not code.base_side:
        return []
    return [Finding.of("wrong-side")]


def _strip(picture: Survey, framing: Framing, lower: bool) -> FloatArray | None:
    """Return the film's edge in stops, along it in columns and outward in rows; None if unseen.

    The axes turn with the film: a strip that runs down the sensor is taken as if the raw picture
    were turned by a quarter anticlockwise, so that the sense of rotation stays.
    """
    angle = math.radians(framing.rotation)
    along = np.array([math.cos(angle), math.sin(angle)])
    if framing.turned:
        along = np.array([-along[1], along[0]])
    across = np.array([-along[1], along[0]])
    scale = framing.scale / picture.step
    middle = np.asarray(framing.picture.centre) / picture.step
    u = np.arange(-_REACH_MM, _REACH_MM, _PIXEL_MM)
    v = np.arange(_DEPTH_MM[0], _DEPTH_MM[1], _PIXEL_MM) * (1 if lower else -1)
    place = middle + scale * (u[None, :, None] * along + v[:, None, None] * across)
    x, y = np.moveaxis(np.floor(place).astype(np.intp), 2, 0)
    height, width = picture.main.shape
    inside = ((x >= 0) & (y >= 0) & (x < width) & (y < height)).all(axis=1)
    rows = len(inside) if inside.all() else int(np.argmin(inside))
    if rows < round(_LEAST_DEPTH_MM / _PIXEL_MM):
        return None
    return stops(picture.main[y[:rows], x[:rows]] + np.float32(2.0**-10))


def _find_clock(strip: FloatArray) -> _Clock | None:
    """Return the place where the clock track matches best, None where it does so nowhere."""
    rows = np.cumsum(np.pad(strip, ((1, 0), (0, 0))), axis=0)
    tracks = (rows[_TRACK_ROWS:] - rows[:-_TRACK_ROWS])[::_ROWS_APART] / _TRACK_ROWS
    printed = np.flatnonzero(tracks.std(axis=1) > _PRINT_EV)
    if not printed.size:
        return None
    tracks = tracks[printed]
    length = tracks.shape[1] + round(1.1 * len(_CLOCK) * _MODULE_MM / _PIXEL_MM)
    spectrum = np.fft.rfft(tracks, length)
    total, square = (
        np.cumsum(np.pad(values.astype(np.float64), ((0, 0), (1, 0))), axis=1)
        for values in (tracks, tracks**2)
    )
    best: _Clock | None = None
    for factor in _MODULES_TRIED:
        module = _MODULE_MM * factor
        pattern = _modules(_CLOCK, module)
        size = pattern.size
        mean = (total[:, size:] - total[:, :-size]) / size
        variance = (square[:, size:] - square[:, :-size]) / size - mean**2
        scale = size * float(pattern.std()) * np.sqrt(np.maximum(variance, 0.01))
        ahead, back = (_products(spectrum, p, length) / scale for p in (pattern, pattern[::-1]))
        for forward, match, other in ((True, ahead, back), (False, back, ahead)):
            row, start = np.unravel_index(int(np.argmax(match)), match.shape)
            value = float(match[row, start])
            if best is None or value > best.match:
                near = other[row, max(0, start - 25) : start + 26]
                at = int(printed[row]) * _ROWS_APART
                best = _Clock(at, int(start), module, forward, value, float(near.max()))
    if best is None or best.match < _CLEAR or best.match - best.other < _CLEARER:
        return None
    return best


def _products(
    spectrum: NDArray[np.complexfloating], pattern: FloatArray, length: int
) -> NDArray[np.float64]:
    """Return the sum of products of a pattern without its mean with each track, at each start.

    ``spectrum`` is the Fourier transform of the tracks, padded to ``length``.
    """
    other = np.conj(np.fft.rfft(pattern - pattern.mean(), length))
    reach = round(1.1 * len(_CLOCK) * _MODULE_MM / _PIXEL_MM)
    products = np.fft.irfft(spectrum * other, length)
    return np.asarray(products[:, : length - reach - pattern.size + 1])


def _modules(bits: str, module_mm: float) -> FloatArray:
    count = round(len(bits) * module_mm / _PIXEL_MM)
    index = np.minimum((np.arange(count) + 0.5) * _PIXEL_MM / module_mm, len(bits) - 1)
    values: FloatArray = np.array([float(b) for b in bits], np.float32)[index.astype(np.intp)]
    return values


def _confirmed(strip: FloatArray, clock: _Clock) -> EdgeBits | None:
    """Return what a code says, None where the codes beside it, half a frame away, say otherwise."""
    own = _read(strip, clock, 0)
    if own is None:
        return None
    for step in (-1, 1):
        beside = _read(strip, clock, step)
        away = 0.0 if beside is None else (beside.frame - own.frame - step / 2) % FRAMES
        if beside is not None and (beside.film != own.film or away):
            return None
    return own


def _read(strip: FloatArray, clock: _Clock, step: int) -> EdgeBits | None:
    """Read the data track of a code, or of one ``step`` half frames further on.

    It lies outside the clock track, as wide as that; where it is read at several depths, all of
    them have to say the same.
    """
    onward = step if clock.forward else -step
    first = clock.start + onward * NUMBERS_APART_MM / 2 / _PIXEL_MM
    module = clock.module_mm / _PIXEL_MM
    edges = np.rint(
        first + module * (np.arange(MODULES)[:, None] + np.array([_INNER, 1 - _INNER]))
    ).astype(np.intp)
    if edges[0, 0] < 0 or edges[-1, 1] > strip.shape[1]:
        return None
    found: set[EdgeBits] = set()
    for away in range(*_DATA_ROWS):
        rows = strip[clock.row + away : clock.row + away + _DATA_HEIGHT]
        if len(rows) < _DATA_HEIGHT:
            break
        total = np.concatenate([[0.0], np.cumsum(rows.mean(axis=0, dtype=np.float64))])
        track = (total[edges[:, 1]] - total[edges[:, 0]]) / (edges[:, 1] - edges[:, 0])
        bits = read_bits(track if clock.forward else track[::-1])
        if bits is not None:
            found.add(bits)
    return found.pop() if len(found) == 1 else None
