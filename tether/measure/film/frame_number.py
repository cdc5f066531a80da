"""The frame number on the film's edge against the one that should follow.

A roll's own count and the film's numbers differ by an offset: the first picture may lie at 00, 0, 1
or between two of them, some cameras wind the film out first and go back, and the distance of
frames is not everywhere that of the numbers. So each read number is turned into the place of the
picture's middle along the film, and the earlier frames of the roll say where the next should lie.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tether.findings import Finding
from tether.measure.film.edge_bits import frame_label
from tether.measure.film.edge_code import FRAMES, NUMBERS_APART_MM, EdgeCode
from tether.text import plural

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


def number_remarks(
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
    known = expected_mm(frame, [p for p in before if p.film == bits.film], pitch)
    if known is None:
        return []
    mm, way = known
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
