"""Words that stand out from their ground, in whatever theme the person has chosen.

Most themes write what matters less, and some even their key line, with less contrast than is read
with ease. Each such ink is moved towards white or black by as little as it takes; grounds, borders
and pictures stay as the theme has them.
"""

from __future__ import annotations

import re
from functools import lru_cache

from rich.segment import Segment
from rich.style import Style
from textual.color import Color
from textual.filter import LineFilter

AA, AAA = 4.5, 7.0
"""Least contrast of text: WCAG 2.2, success criteria 1.4.3 (minimum) and 1.4.6 (enhanced)."""

Inks = tuple[int, int, int]

_WORDS = re.compile("[^\\s\u2500-\u259f]").search
"""Finds what is to be read: anything but blanks, box drawing and blocks, of which borders, bars
and pictures are made."""

_STEPS = 32
"""Between an ink and white or black: finer ones are not seen."""


def luminance(ink: Inks) -> float:
    """Relative luminance of an sRGB colour of 0..255 a channel, 0..1 (WCAG 2.2, definitions)."""
    red, green, blue = (
        v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in (p / 255 for p in ink)
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: Inks, other: Inks) -> float:
    """Contrast ratio of two colours, 1..21 (WCAG 2.2, definitions)."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


@lru_cache(4096)
def clearer(ink: Inks, ground: Inks, least: float) -> Inks:
    """Return the ink nearest to ``ink`` whose contrast with ``ground`` is ``least`` or more."""
    if contrast(ink, ground) >= least:
        return ink
    goal = max(((0, 0, 0), (255, 255, 255)), key=lambda end: contrast(end, ground))
    for step in range(1, _STEPS):
        mixed = tuple(round(a + (b - a) * step / _STEPS) for a, b in zip(ink, goal, strict=True))
        red, green, blue = mixed
        if contrast((red, green, blue), ground) >= least:
            return red, green, blue
    return goal


class Legible(LineFilter):
    """Gives words the contrast that they need; comes after the filters that settle colours."""

    def __init__(self, least: float = AA) -> None:
        super().__init__()
        self.least = least

    def apply(self, segments: list[Segment], background: Color) -> list[Segment]:  # noqa: ARG002
        """Make the words of a line clear."""
        least = self.least
        return [
            Segment(text, _clear_style(style, least), control)
            if style is not None and _WORDS(text)
            else segment
            for segment in segments
            for text, style, control in (segment,)
        ]


@lru_cache(4096)
def _clear_style(style: Style, least: float) -> Style:
    ink, ground = style.color, style.bgcolor
    # A terminal's own colours have no values here; what they look like is the terminal's affair.
    if ink is None or ground is None or ink.triplet is None or ground.triplet is None:
        return style
    clear = clearer(tuple(ink.triplet), tuple(ground.triplet), least)
    return style if clear == ink.triplet else style + Style.from_color(Color(*clear).rich_color)
