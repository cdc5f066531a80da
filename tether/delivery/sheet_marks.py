"""The marks on a contact sheet, drawn as shapes so that they read without colour or a font."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from PIL.ImageDraw import ImageDraw
    from PIL.ImageFont import FreeTypeFont, ImageFont

_INK = (20, 20, 20)

#: Fonts that are common on desktop systems and know more scripts than Pillow's own.
_FONTS = ("DejaVuSans.ttf", "Arial Unicode.ttf", "NotoSans-Regular.ttf", "Arial.ttf", "arial.ttf")


@cache
def font(size: int) -> FreeTypeFont | ImageFont:
    """Return a font of that height in pixels: of the system where one is found, else Pillow's."""
    from PIL import ImageFont

    for name in _FONTS:
        try:
            return ImageFont.truetype(name, size)
        except OSError:
            continue
    return ImageFont.load_default(size)


def draw_mark(draw: ImageDraw, mark: str, corner: tuple[int, int], size: int) -> None:
    """Draw the mark of a frame's state or of a verdict into a square.

    kept a tick, open a dot, skipped two angles, blank a ring, damaged a cross; keep a filled
    square, look a triangle, reshoot a cross in a square, unjudged a dashed square.
    """
    x, y = corner
    s, pen = size, max(1, size // 8)

    def line(*places: tuple[float, float], width: int = pen) -> None:
        draw.line([(x + a * s, y + b * s) for a, b in places], _INK, width, "curve")

    def box(a: float = 0.08, b: float = 0.92) -> tuple[float, float, float, float]:
        return (x + a * s, y + a * s, x + b * s, y + b * s)

    if mark == "kept":
        line((0.08, 0.55), (0.38, 0.85), (0.92, 0.15), width=pen + 1)
    elif mark == "open":
        draw.ellipse(box(0.38, 0.62), _INK)
    elif mark == "skipped":
        line((0.15, 0.15), (0.5, 0.5), (0.15, 0.85))
        line((0.5, 0.15), (0.85, 0.5), (0.5, 0.85))
    elif mark == "blank":
        draw.ellipse(box(), None, _INK, pen)
    elif mark == "damaged":
        line((0.12, 0.12), (0.88, 0.88))
        line((0.88, 0.12), (0.12, 0.88))
    elif mark == "keep":
        draw.rectangle(box(0.15, 0.85), _INK)
    elif mark == "look":
        draw.polygon(
            [(x + 0.5 * s, y + 0.08 * s), (x + 0.95 * s, y + 0.9 * s), (x + 0.05 * s, y + 0.9 * s)],
            None, _INK, pen,
        )  # fmt: skip
    elif mark == "reshoot":
        draw.rectangle(box(), None, _INK, pen)
        line((0.25, 0.25), (0.75, 0.75))
        line((0.75, 0.25), (0.25, 0.75))
    else:
        for a, b in ((0.1, 0.35), (0.65, 0.9)):
            line((a, 0.1), (b, 0.1))
            line((a, 0.9), (b, 0.9))
            line((0.1, a), (0.1, b))
            line((0.9, a), (0.9, b))
