"""Pictures turned into what a terminal draws. Loaded when the first one is shown: it is not small.

Half blocks are made here, because most terminals have nothing else and they have to be made in
a thread; for pixel graphics there is `textual_image`.
"""

from __future__ import annotations

import importlib
import io
import os
import sys
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from PIL import Image, ImageChops
from rich.color import Color
from rich.console import Console
from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip

from tether.tui.terminal.probe import Terminal, Way

_TONES = 6
"""Bits a channel of half blocks: finer steps are not seen, and cost a style each."""

_SIXEL_COLOURS = 64
"""Enough for a positive; each further colour makes the data longer."""

_PLAIN = Style()
"""Textual's filters for screens without colours need a style in every part of a line."""

_WIDGETS = "textual_image.widget"

_SHADES = " ░▒▓█"

_HATCH = ((255, 130, 0), (0, 0, 0))
"""Orange and black: the stripes over what is saturated read without colour."""

_CELL_STRIPE, _PIXEL_STRIPE = 2, 4
"""Pixels of a stripe, in half blocks and in pixel graphics."""

_MARK = "/"
"""For what is saturated where no colours are wanted."""

_SHOWN = 191
"""Opacity up to which a scaled pixel counts as saturated: a quarter of it and more is."""


@dataclass(frozen=True, slots=True)
class Pixels:
    """A picture as Sixel data, and the cells it covers: column, row, width, height."""

    data: str
    box: tuple[int, int, int, int]


def cells_of(picture: Image.Image, width: int, height: int, terminal: Terminal) -> tuple[int, int]:
    """Return the cells that the picture takes within ``width`` x ``height``, its shape kept."""
    wide, high = picture.width / terminal.cell_width, picture.height / terminal.cell_height
    scale = min(width / wide, height / high)
    return min(max(round(wide * scale), 1), width), min(max(round(high * scale), 1), height)


def fitted(picture: Image.Image, width: int, height: int, terminal: Terminal) -> Image.Image:
    """Scale a picture to the pixels that it takes within ``width`` x ``height`` cells."""
    columns, rows = cells_of(picture, width, height, terminal)
    size = (columns * terminal.cell_width, rows * terminal.cell_height)
    return _hatched(picture, size, _PIXEL_STRIPE)


def drawn(
    picture: Image.Image, width: int, height: int, terminal: Terminal, *, shades: bool = False
) -> list[Strip] | Pixels:
    """Draw a picture in the middle of ``width`` x ``height`` cells.

    ``shades`` draws with five characters of growing darkness and no colour, for a terminal
    that was asked for none.
    """
    if terminal.way is Way.SIXEL and not shades:
        return _sixel(picture, width, height, terminal)
    columns, rows = cells_of(picture, width, height, terminal)
    left, top = (width - columns) // 2, (height - rows) // 2
    make = _shaded if shades else _half_blocks
    around = [Segment(" " * left, _PLAIN)], [Segment(" " * (width - left - columns), _PLAIN)]
    empty = [Strip.blank(width, _PLAIN)]
    lines = [Strip([*around[0], *line, *around[1]], width) for line in make(picture, columns, rows)]
    return empty * top + lines + empty * (height - top - rows)


def _saturated(picture: Image.Image, size: tuple[int, int]) -> Image.Image | None:
    """Return where a picture is saturated (255, else 0): its transparent pixels; None for nowhere.

    A spot that takes a quarter of a pixel at the new size is still shown.
    """
    if picture.mode != "RGBA":
        return None
    left = picture.getchannel("A").resize(size, Image.Resampling.BOX)
    full = left.point([255 if a <= _SHOWN else 0 for a in range(256)])
    return full if full.getbbox() is not None else None


def _hatched(picture: Image.Image, size: tuple[int, int], stripe: int) -> Image.Image:
    """Scale a picture, and hatch what is saturated with stripes that many pixels wide."""
    scaled = picture.convert("RGB").resize(size)
    if (full := _saturated(picture, size)) is not None:
        wide, high = size
        row = bytes(255 * (x // stripe % 2) for x in range(wide + 2 * stripe))
        bits = b"".join(row[y % (2 * stripe) :][:wide] for y in range(high))
        light = Image.frombytes("L", size, bits)
        hatch = Image.composite(
            Image.new("RGB", size, _HATCH[0]), Image.new("RGB", size, _HATCH[1]), light
        )
        scaled.paste(hatch, mask=full)
    return scaled


def _half_blocks(picture: Image.Image, columns: int, rows: int) -> list[list[Segment]]:
    keep = 0xFF & ~(0xFF >> _TONES)
    small = _hatched(picture, (columns, 2 * rows), _CELL_STRIPE)
    data = small.point(lambda v: int(v) & keep).tobytes()
    wide = 3 * columns
    lines = []
    for y in range(0, 2 * rows * wide, 2 * wide):
        line: list[Segment] = []
        last, run = b"", 0
        for x in range(y, y + wide, 3):
            both = data[x : x + 3] + data[x + wide : x + wide + 3]
            if both != last and run:
                line.append(Segment("▀" * run, _style(last)))
                run = 0
            last, run = both, run + 1
        line.append(Segment("▀" * run, _style(last)))
        lines.append(line)
    return lines


@lru_cache(maxsize=20_000)
def _style(both: bytes) -> Style:
    return Style(color=Color.from_rgb(*both[:3]), bgcolor=Color.from_rgb(*both[3:]))


def _shaded(picture: Image.Image, columns: int, rows: int) -> list[list[Segment]]:
    data = picture.convert("RGB").convert("L").resize((columns, rows)).tobytes()
    text = "".join(_SHADES[v * len(_SHADES) // 256] for v in data)
    if (full := _saturated(picture, (columns, rows))) is not None:
        marks = full.tobytes()
        text = "".join(_MARK if mark else shade for shade, mark in zip(text, marks, strict=True))
    return [[Segment(text[y : y + columns], _PLAIN)] for y in range(0, len(text), columns)]


def few_colours(picture: Image.Image, *, grey: bool) -> Image.Image:
    """Reduce a picture to the colours that its pixel graphics may have.

    An even division of all colours leaves a ``grey`` picture with a dozen of them. The one by how
    much of the picture they cover errs further in a coloured one, and with grain takes seconds.
    """
    how = Image.Quantize.MAXCOVERAGE if grey else Image.Quantize.FASTOCTREE
    return picture.quantize(_SIXEL_COLOURS, how, dither=Image.Dither.NONE)


def _is_grey(picture: Image.Image) -> bool:
    red, green, blue = picture.convert("RGB").split()
    return not any(ImageChops.difference(green, other).getbbox() for other in (red, blue))


def _sixel(picture: Image.Image, width: int, height: int, terminal: Terminal) -> Pixels:
    columns, rows = cells_of(picture, width, height, terminal)
    scaled = fitted(picture, width, height, terminal)
    few = few_colours(scaled, grey=_is_grey(picture))
    console = Console(file=io.StringIO(), width=columns, height=rows)
    options = console.options.update(width=columns, height=rows)
    _library(terminal)
    from textual_image.renderable import SixelImage

    made = SixelImage(few, columns, rows).__rich_console__(console, options)
    data = next(part.text for part in made if isinstance(part, Segment) and "\x1bP" in part.text)
    return Pixels(data, ((width - columns) // 2, (height - rows) // 2, columns, rows))


def pixel_widget(terminal: Terminal) -> Any:
    """Return the library's widget for a terminal that takes pictures in APC sequences."""
    return _library(terminal).TGPImage


def _library(terminal: Terminal) -> Any:
    """Load `textual_image` without letting it question the terminal.

    It asks when it is loaded, which goes wrong while a program reads the keyboard, and takes
    the size of a cell from the environment where there is no terminal.
    """
    if _WIDGETS not in sys.modules:
        size = {"WIDTH": terminal.cell_width, "HEIGHT": terminal.cell_height}
        names = {f"TEXTUAL_CELL_{what}": str(pixels) for what, pixels in size.items()}
        told = {name: pixels for name, pixels in names.items() if name not in os.environ}
        real = sys.__stdout__
        with Path(os.devnull).open("w", encoding="utf-8") as nowhere:
            os.environ.update(told)
            sys.__stdout__ = nowhere  # type: ignore[misc]
            try:
                importlib.import_module(_WIDGETS)
            finally:
                sys.__stdout__ = real  # type: ignore[misc]
                for name in told:
                    del os.environ[name]
    return sys.modules[_WIDGETS]
