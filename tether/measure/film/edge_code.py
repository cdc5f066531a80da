"""The bar code on the edge of 135 film: which side faces the lens, and which frame it is.

The clock track toward the perforations begins with five exposed modules and ends with three. So its
direction tells, with the edge that it lies on, which side of the film faces the lens; the data
track outside it holds the frame's number. A code is 31 modules long: ``101010``, seven bits of one
number, a 0, four bits of the other, six of the frame number, one for the half frame after it ("A"),
a 0, the parity of these twenty, and ``0101`` (ISO 1007; US patents 4965628 and 5448049; zxing-cpp
reads and writes the same, and the tests hold this against it).

A roll's own count and the film's numbers differ by an offset: the first picture may lie at 00, 0, 1
or between two of them, some cameras wind the film out first and go back, and the distance of
frames is not everywhere that of the numbers. So each number that is read is turned into the place
of the picture's middle along the film, and the frames before say where the next should lie. Seen
from the base side the code lies below the picture and runs to the right. The size of a module is
from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tether.film import FilmFormat
from tether.findings import Finding
from tether.measure.framing.position import Framing
from tether.measure.levels import FloatArray, stops
from tether.measure.survey import Survey
from tether.text import plural

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


def edge_findings(code: EdgeCode | None) -> list[Finding]:
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
    readings: set[EdgeBits] = set()
    for away in range(*_DATA_ROWS):
        rows = strip[clock.row + away : clock.row + away + _DATA_HEIGHT]
        if len(rows) < _DATA_HEIGHT:
            break
        total = np.concatenate([[0.0], np.cumsum(rows.mean(axis=0, dtype=np.float64))])
        track = (total[edges[:, 1]] - total[edges[:, 0]]) / (edges[:, 1] - edges[:, 0])
        bits = read_bits(track if clock.forward else track[::-1])
        if bits is not None:
            readings.add(bits)
    return readings.pop() if len(readings) == 1 else None


MODULES = 31
_START, _END = "101010", "0101"
_FIXED = [(i, int(b)) for i, b in enumerate(_START)] + [
    (MODULES - len(_END) + i, int(b)) for i, b in enumerate(_END)
]
_ALWAYS_0 = (len(_START) + 7, MODULES - len(_END) - 2)
_PLAIN = 0.35
"""Least distance of a module from the middle between dark and light, where 1 is all of it."""
_LEAST_EV = 0.25
"""Least difference of printed and unprinted modules, in stops."""


@dataclass(frozen=True, slots=True)
class EdgeBits:
    """What one bar code says.

    Attributes
    ----------
    film
        The film's numbers, as 33-7.
    frame
        The frame number, a half more for the code after it ("A").
    """

    film: str
    frame: float

    @property
    def text(self) -> str:
        """The code as zxing-cpp writes it, 33-7/4A."""
        return f"{self.film}/{frame_label(self.frame)}"


def frame_label(frame: float) -> str:
    """Return a frame number as it stands on the film's edge: 4, and 4A for the half after it."""
    return f"{int(frame)}{'A' if frame % 1 else ''}"


def read_bits(track: NDArray[np.floating]) -> EdgeBits | None:
    """Read a data track.

    Parameters
    ----------
    track
        Mean of each module in stops, positive where the film was exposed, shape (31,), in the
        order of the code.

    Returns
    -------
    None where a module is neither plainly printed nor plainly not, where what never changes is not
    as it should be, or the parity is wrong.
    """
    printed = np.mean([track[i] for i, bit in _FIXED if bit])
    empty = np.mean([track[i] for i, bit in _FIXED if not bit])
    if not printed - empty > _LEAST_EV:
        return None
    place = 2 * (track - empty) / (printed - empty) - 1
    bits = [int(v > 0) for v in place]
    if np.abs(place).min() < _PLAIN or any(bits[i] != bit for i, bit in _FIXED):
        return None
    payload = bits[len(_START) : -len(_END) - 1]
    if any(bits[i] for i in _ALWAYS_0) or sum(payload) % 2 != bits[-len(_END) - 1]:
        return None
    number, extract, frame = (
        int("".join(map(str, payload[a:b])), 2) for a, b in ((0, 7), (8, 12), (12, 18))
    )
    return EdgeBits(f"{number}-{extract}", frame + 0.5 * payload[18])


_AROUND_MM = FRAMES * NUMBERS_APART_MM
_ALIKE = 0.2
"""Frames by which two of a roll may lie off the even row: cameras wind unevenly."""
_WHOLE = 0.25
"""Frames from a whole number beyond which nothing is said."""
_FEWEST = 3
"""Earlier frames that have to agree before anything is said."""


@dataclass(frozen=True, slots=True)
class FilmPlace:
    """Where a frame of the roll lies on the film.

    Attributes
    ----------
    frame
        Its number in the roll.
    film
        The film's two numbers, as 33-7.
    mm
        Its middle along the film's numbering, 38 mm a number.
    """

    frame: int
    film: str
    mm: float


def expected_mm(frame: int, before: Sequence[FilmPlace], pitch: float) -> tuple[float, int] | None:
    """Return where a frame should lie by those before it, and which way (1 or -1) numbers run.

    Parameters
    ----------
    frame
        Its number in the roll.
    before
        Earlier frames of the same film, the one kept last at the end.
    pitch
        Millimetres from one frame to the next.

    Returns
    -------
    None where fewer than three of the earlier frames agree with the last of them.
    """
    if not before:
        return None
    last = before[-1]
    best, way = 0, 1
    for sign in (1, -1):
        agree = sum(
            abs(_wrapped(p.mm - last.mm - sign * pitch * (p.frame - last.frame))) < _ALIKE * pitch
            for p in before
        )
        if agree > best:
            best, way = agree, sign
    if best < _FEWEST:
        return None
    return last.mm + way * pitch * (frame - last.frame), way


def number_findings(
    code: EdgeCode | None, frame: int | None, before: Sequence[FilmPlace], pitch: float
) -> list[Finding]:
    """Say when the number on the edge is not the one that should follow.

    Said is only what is plain: another whole number of frames, on the same film. A number read
    wrongly, a frame between two others and film of another roll say nothing.

    Parameters
    ----------
    code
        The bar code that was seen, None for none.
    frame
        The frame's number in the roll, None where it has none.
    before, pitch
        As for `expected_mm`.
    """
    if code is None or code.bits is None or code.film_mm is None or frame is None:
        return []
    bits = code.bits
    expected = expected_mm(frame, [p for p in before if p.film == bits.film], pitch)
    if expected is None:
        return []
    mm, way = expected
    off = _wrapped(code.film_mm - mm) / pitch
    frames = round(off)
    if frames == 0 or abs(off - frames) > _WHOLE:
        return []
    numbers = round(2 * frames * pitch / NUMBERS_APART_MM) / 2
    onward = frames * way
    return [
        Finding.of(
            "frame-number",
            float(onward),
            case="" if onward > 0 else "back",
            seen=frame_label(bits.frame),
            wanted=frame_label((bits.frame - numbers) % FRAMES),
            frames=plural(onward, "frame was", "frames were")
            if onward > 0
            else plural(-onward, "frame"),
        )
    ]


def _wrapped(mm: float) -> float:
    """Return a distance along the numbering as the shorter way round it, for numbers begin anew."""
    return (mm + _AROUND_MM / 2) % _AROUND_MM - _AROUND_MM / 2
