"""The bar code on the edge of 135 film: which side faces the lens, and which frame it is.

The clock track toward the perforations begins with five exposed modules and ends with three. So its
direction tells, with the edge that it lies on, which side of the film faces the lens; the data
track outside it holds the frame's number. A code is 31 modules long: ``101010``, seven bits of one
number, a 0, four bits of the other, six of the frame number, one for the half frame after it ("A"),
a 0, the parity of these twenty, and ``0101``. An older code of 23 modules has no frame number
(ISO 1007; US patents 4965628 and 5448049; zxing-cpp reads and writes both, and the tests hold this
against it). Seen from the base side the code lies below the picture and runs to the right
(ISO 897).

How large it is comes from two photographs of real film (`tests/measure/edge_photographs.json`):
modules of 0.449 to 0.455 mm, tracks that meet 1.0 and 1.1 mm from the edge, and 18.5 and 19.6 mm
in turn from one half frame's code to the next.

A roll's own count and the film's numbers differ by an offset: the first picture may lie at 00, 0, 1
or between two of them, some cameras wind the film out first and go back, and the distance of
frames is not everywhere that of the numbers. So each number that is read is turned into the place
of the picture's middle along the film, and the frames before say where the next should lie.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tether.film import FilmFormat
from tether.findings import Finding
from tether.measure.framing.position import Framing
from tether.measure.levels import FloatArray, stops
from tether.measure.survey import Survey
from tether.text import plural

_CLOCKS = {31: "11111" + "01" * 11 + "0111", 23: "11111" + "01" * 7 + "0111"}
"""The clock track of a code with a frame number and of one without, by its length in modules."""
_MODULES_MM = tuple(float(v) for v in np.geomspace(0.40, 0.48, 7))
"""Sizes of a module that are tried, 3 per cent apart: those measured, and room for other films."""
_PIXEL_MM = 0.05
_REACH_MM = 20.0
_DEPTH_MM = (15.2, 17.9)
_LEAST_DEPTH_MM = 1.8
_TRACK_ROWS = 8
_ROWS_APART = 3
_PRINT_EV = 0.25
_CLEAR = 0.72
_CLEARER = 0.06
_NEXT_MM = (18.0, 20.2)
"""Where the code of the next half frame may begin."""
_DATA_ROWS = 7
_INNER = 0.25
"""Share of a module left out at either end, where its neighbours' light reaches."""
NUMBERS_APART_MM = 38.0
"""From one frame number on the edge to the next (eight perforations of 4.75 mm, ISO 491)."""
_HALF_FRAME_MM = 19.6
"""From the code of a number to that of the half frame after it, as photographed."""
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
        if self.bits is None or self.bits.frame is None:
            return None
        frame, half = divmod(self.bits.frame, 1)
        return NUMBERS_APART_MM * frame + 2 * half * _HALF_FRAME_MM - self.at_mm


@dataclass(frozen=True, slots=True)
class _Clock:
    """Where a clock track was found in a strip, and how well it matches, -1..1.

    ``other`` is the best match of its mirror image at the same place.
    """

    row: int
    start: int
    modules: int
    module_mm: float
    forward: bool
    match: float
    other: float

    @property
    def pattern(self) -> FloatArray:
        """The track as it lies in the strip."""
        drawn = _drawn(_CLOCKS[self.modules], self.module_mm)
        return drawn if self.forward else drawn[::-1]


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
    middle = clock.start * _PIXEL_MM + clock.modules * clock.module_mm / 2 - _REACH_MM
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
    """Return the place where a clock track matches best, None where it does so nowhere."""
    rows = np.cumsum(np.pad(strip, ((1, 0), (0, 0))), axis=0)
    tracks = (rows[_TRACK_ROWS:] - rows[:-_TRACK_ROWS])[::_ROWS_APART] / _TRACK_ROWS
    printed = np.flatnonzero(tracks.std(axis=1) > _PRINT_EV)
    if not printed.size:
        return None
    best: _Clock | None = None
    for modules, bits in _CLOCKS.items():
        for module in _MODULES_MM:
            pattern = _drawn(bits, module)
            ahead, back = _matches(tracks[printed], np.stack([pattern, pattern[::-1]]))
            for forward, match, other in ((True, ahead, back), (False, back, ahead)):
                row, start = np.unravel_index(int(np.argmax(match)), match.shape)
                value = float(match[row, start])
                if best is None or value > best.match:
                    near = float(other[row, max(0, start - 25) : start + 26].max())
                    at = int(printed[row]) * _ROWS_APART
                    best = _Clock(at, int(start), modules, module, forward, value, near)
    if best is None or best.match < _CLEAR or best.match - best.other < _CLEARER:
        return None
    return best


def _matches(tracks: NDArray[np.floating], patterns: NDArray[np.floating]) -> NDArray[np.float64]:
    """Return the correlation of patterns with tracks at each start, by Fourier transform.

    Shape (patterns, tracks, starts). Where a track hardly varies it counts as less than it is.
    """
    size = patterns.shape[1]
    length = -(-(tracks.shape[1] + size) // 120) * 120  # small factors: a fast transform
    plain = patterns - patterns.mean(axis=1, keepdims=True)
    spectra = np.conj(np.fft.rfft(plain, length))[:, None] * np.fft.rfft(tracks, length)
    products = np.fft.irfft(spectra, length)[:, :, : tracks.shape[1] - size + 1]
    total, square = (
        np.cumsum(np.pad(values.astype(np.float64), ((0, 0), (1, 0))), axis=1)
        for values in (tracks, tracks**2)
    )
    mean = (total[:, size:] - total[:, :-size]) / size
    variance = (square[:, size:] - square[:, :-size]) / size - mean**2
    scale = size * np.sqrt(np.maximum(variance, 0.01))
    return np.asarray(products / (scale * patterns.std(axis=1)[:, None, None]))


def _drawn(bits: str, module_mm: float) -> FloatArray:
    """Return a track's modules as a row of pixels."""
    index = np.arange(0.5, round(len(bits) * module_mm / _PIXEL_MM)) * _PIXEL_MM / module_mm
    values: FloatArray = np.array([float(b) for b in bits], np.float32)[
        np.minimum(index.astype(np.intp), len(bits) - 1)
    ]
    return values


def _confirmed(strip: FloatArray, clock: _Clock) -> EdgeBits | None:
    """Return what a code says, None where the codes beside it, half a frame away, say otherwise."""
    own = _read(strip, clock)
    if own is None:
        return None
    track = strip[clock.row : clock.row + _TRACK_ROWS].mean(axis=0, keepdims=True)
    match = _matches(track, clock.pattern[None])[0, 0]
    for step in (-1, 1):
        onward = step if clock.forward else -step
        first, last = sorted(clock.start + round(onward * mm / _PIXEL_MM) for mm in _NEXT_MM)
        places = match[max(first, 0) : max(last + 1, 0)]
        if not places.size or places.max() < _CLEAR:
            continue
        beside = _read(strip, replace(clock, start=max(first, 0) + int(places.argmax())))
        if beside is not None and beside != own.onward(step / 2):
            return None
    return own


def _read(strip: FloatArray, clock: _Clock) -> EdgeBits | None:
    """Read the data track of a code.

    It lies outside the clock track. Where it is read at several depths, all of them have to say
    the same.
    """
    module = clock.module_mm / _PIXEL_MM
    within = np.arange(clock.modules)[:, None] + np.array([_INNER, 1 - _INNER])
    edges = np.rint(clock.start + module * within).astype(np.intp)
    if edges[0, 0] < 0 or edges[-1, 1] > strip.shape[1]:
        return None
    readings: set[EdgeBits] = set()
    for row in range(clock.row + _TRACK_ROWS, len(strip) - _DATA_ROWS + 1, 2):
        rows = strip[row : row + _DATA_ROWS]
        total = np.concatenate([[0.0], np.cumsum(rows.mean(axis=0, dtype=np.float64))])
        track = (total[edges[:, 1]] - total[edges[:, 0]]) / (edges[:, 1] - edges[:, 0])
        bits = read_bits(track if clock.forward else track[::-1])
        if bits is not None:
            readings.add(bits)
    return readings.pop() if len(readings) == 1 else None


_START, _END = "101010", "0101"
_PLAIN = 0.35
"""Least distance of a module from the middle between dark and light, where 1 is all of it."""
_UNLIKE = 0.5
"""How far a module that is the same in every code may lie from the others of its kind: half-way
between the tracks each module is a mixture of both."""
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
        The frame number, a half more for the code after it ("A"); None in the older code.
    """

    film: str
    frame: float | None

    @property
    def text(self) -> str:
        """The code as zxing-cpp writes it, 33-7/4A, or 33-7 where it has no frame number."""
        return self.film if self.frame is None else f"{self.film}/{frame_label(self.frame)}"

    def onward(self, frames: float) -> EdgeBits:
        """Return what the code so many frames further on says."""
        if self.frame is None:
            return self
        return EdgeBits(self.film, (self.frame + frames) % FRAMES)


def frame_label(frame: float) -> str:
    """Return a frame number as it stands on the film's edge: 4, and 4A for the half after it."""
    return f"{int(frame)}{'A' if frame % 1 else ''}"


def read_bits(track: NDArray[np.floating]) -> EdgeBits | None:
    """Read a data track.

    Parameters
    ----------
    track
        Mean of each module in stops, positive where the film was exposed, shape (31,) or (23,), in
        the order of the code.

    Returns
    -------
    None where a module is neither plainly printed nor plainly not, where what never changes is not
    as it should be, or the parity is wrong.
    """
    size, first, last = track.size, len(_START), track.size - len(_END)
    fixed = np.array([int(b) for b in _START + _END])
    ends = np.r_[:first, last:size]
    printed, empty = (float(np.mean(track[ends][fixed == bit])) for bit in (1, 0))
    if not printed - empty > _LEAST_EV:
        return None
    place = 2 * (track - empty) / (printed - empty) - 1
    bits = (place > 0).astype(int)
    if np.abs(place).min() < _PLAIN or np.any(np.abs(place[ends] - (2 * fixed - 1)) > _UNLIKE):
        return None
    text = "".join(map(str, bits[first : last - 1]))
    numbered = len(text) > 12  # the older code ends with the film's two numbers
    if text[7] == "1" or (numbered and text[19] == "1") or text.count("1") % 2 != bits[last - 1]:
        return None
    film = f"{int(text[:7], 2)}-{int(text[8:12], 2)}"
    return EdgeBits(film, int(text[12:18], 2) + 0.5 * int(text[18]) if numbered else None)


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
    bits = code.bits if code else None
    if code is None or bits is None or bits.frame is None or code.film_mm is None or frame is None:
        return []
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
