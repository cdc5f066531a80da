"""PDF pages to print: text that can be selected, in each script that a font at hand has.

Noto Sans, which comes as a package, has Latin, Greek and Cyrillic letters and is the same on every
machine. For other scripts fontconfig names a font of the system, or macOS has one at a known place.
Fonts are embedded with the letters in use only. The same content gives the same bytes.
"""

from __future__ import annotations

import logging
import subprocess
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path

from fontpkg_noto_sans import ROOT as _NOTO_SANS
from fpdf import FPDF
from fpdf.errors import FPDFException
from fpdf.fonts import TTFFont
from PIL.Image import Image as Picture

from tether import __version__
from tether.text import printable

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height in millimetres (ISO 216; ANSI/ASME Y14.1)."""

INK, FAINT = 20, 110
"""Greys of text, 0 to 255."""

_BASE = _NOTO_SANS / "files" / "NotoSans[wdth,wght].ttf"
_POINTS = 72 / 25.4
_MACOS = (
    Path("/System/Library/Fonts/Hiragino Sans GB.ttc"),
    Path("/System/Library/Fonts/Supplemental/Arial Unicode.ttf"),
)
_OTHER_WEIGHTS = ("fvar", "gvar", "avar", "HVAR", "MVAR", "STAT")
"""Tables of a variable font (ISO/IEC 14496-22) for which a printed page has no use."""

_NO_DAY = datetime(2000, 1, 1, tzinfo=UTC)


class Pages:
    """A document in the making; places and sizes are in millimetres from the upper left corner.

    Parameters
    ----------
    paper
        A key of `PAPERS`, upright.
    title, author
        What readers show of the document; text from outside.
    made
        The day that it carries; without one it says 1 January 2000, never the clock's.
    """

    def __init__(
        self, paper: str, title: str, author: str = "", made: datetime | None = None
    ) -> None:
        self.width, self.height = PAPERS[paper]
        # What it logs are details of the fonts.
        logging.getLogger("fontTools").setLevel(logging.ERROR)
        logging.getLogger("fpdf").setLevel(logging.ERROR)
        self._pdf = FPDF(unit="mm", format=PAPERS[paper])
        self._pdf.set_auto_page_break(False)
        self._pdf.set_margin(0)
        self._pdf.c_margin = 0
        self._pdf.set_title(printable(title))
        self._pdf.set_author(printable(author))
        self._pdf.set_producer(f"tether {__version__}")
        self._pdf.set_lang("en-GB")
        self._pdf.set_creation_date(made or _NO_DAY)
        # As it is by default, regular: another weight of a variable font takes seconds to make.
        self._pdf.add_font("base", fname=_BASE)
        self._pdf.set_text_shaping(True)
        self._others: list[str] = []
        self._letters = self._letters_of("base")
        base = self._font("base").ttfont
        for table in _OTHER_WEIGHTS:
            if table in base:
                del base[table]
        self._lacking: set[str] = set()

    @property
    def lacking(self) -> str:
        """Characters for which no font was found; they are drawn as empty boxes."""
        return "".join(sorted(self._lacking))

    def page(self) -> None:
        """Begin a page."""
        self._pdf.add_page()

    def words(
        self,
        place: tuple[float, float],
        text: str,
        size: float,
        *,
        grey: int = INK,
        width: float | None = None,
        right: bool = False,
    ) -> float:
        """Write a line of text and return its width.

        ``place`` is its upper left corner, or with ``right`` the upper right one. Text that is
        wider than ``width`` ends with an ellipsis.
        """
        text = printable(text, 2000)
        if not text:
            return 0.0
        self._find_fonts(text)
        self._pdf.set_font("base", size=size * _POINTS)
        self._pdf.set_text_color(grey)
        if width is not None:
            text = self._fitted(text, width)
        wide = float(self._pdf.get_string_width(text))
        self._pdf.set_xy(place[0] - wide if right else place[0], place[1])
        self._pdf.cell(wide, size * 1.25, text)
        return wide

    def lines(self, text: str, size: float, width: float, *, most: int) -> list[str]:
        """Return a text broken into lines of that width; the last of ``most`` lines is cut off."""
        self._find_fonts(printable(text, 2000))
        self._pdf.set_font("base", size=size * _POINTS)
        found: list[str] = []
        left = printable(" ".join(text.split()), 2000)
        while left and len(found) < most - 1 and self._pdf.get_string_width(left) > width:
            line = self._fitted(left, width, ellipsis="")
            at = line.rfind(" ")
            line = line[:at] if at > 0 else line or left[:1]
            found.append(line)
            left = left[len(line) :].lstrip()
        return [*found, self._fitted(left, width)] if left else found

    def _fitted(self, text: str, width: float, ellipsis: str = "…") -> str:
        if self._pdf.get_string_width(text) <= width:
            return text
        low, high = 0, len(text)
        while low < high:
            middle = (low + high + 1) // 2
            if self._pdf.get_string_width(text[:middle].rstrip() + ellipsis) <= width:
                low = middle
            else:
                high = middle - 1
        return text[:low].rstrip() + ellipsis

    def picture(
        self, picture: Picture | Path, box: tuple[float, float, float, float], turned: int = 0
    ) -> bool:
        """Put a picture into a box (left, top, width, height); return whether it could be read.

        It is as large as fits, in the middle. ``turned`` turns it anticlockwise by quarter turns.
        """
        left, top, width, height = box
        middle = (left + width / 2, top + height / 2)
        if turned % 180:
            width, height = height, width
        try:
            with self._pdf.rotation(turned, *middle):
                self._pdf.image(
                    picture, middle[0] - width / 2, middle[1] - height / 2, width, height,
                    keep_aspect_ratio=True,
                )  # fmt: skip
        except (OSError, ValueError, FPDFException):
            return False
        return True

    def frame(self, box: tuple[float, float, float, float]) -> None:
        """Draw the outline of a box (left, top, width, height)."""
        self._pdf.set_draw_color(FAINT)
        self._pdf.set_line_width(0.15)
        self._pdf.rect(*box)

    def as_bytes(self) -> bytes:
        """Return the document."""
        out = BytesIO()
        self._pdf.output(out)
        return out.getvalue()

    def _letters_of(self, name: str) -> set[int]:
        return set(self._font(name).cmap)

    def _font(self, name: str) -> TTFFont:
        font = self._pdf.fonts[name]
        assert isinstance(font, TTFFont), "only such fonts are added"
        return font

    def _find_fonts(self, text: str) -> None:
        missing = {c for c in text if ord(c) not in self._letters and not c.isspace()}
        for file, number in _fonts_for(missing - self._lacking):
            name = f"other{len(self._others)}"
            with suppress(Exception):  # whatever a font file of the system does to its reader
                self._pdf.add_font(name, fname=file, collection_font_number=number)
                self._others.append(name)
                self._letters |= self._letters_of(name)
                self._pdf.set_fallback_fonts(self._others, exact_match=False)
            missing = {c for c in missing if ord(c) not in self._letters}
            if not missing:
                break
        self._lacking |= missing


def _fonts_for(characters: set[str]) -> Iterator[tuple[Path, int]]:
    """Yield files of fonts that may have the characters, each with the number within its file."""
    seen = set()
    for one in sorted(characters):
        # A pattern of fontconfig: the best sans serif that has this character.
        pattern = f"sans:charset={ord(one):x}"
        with suppress(OSError, ValueError, subprocess.SubprocessError):
            answer = subprocess.run(
                ["fc-match", "--format", "%{index}\n%{file}", pattern],
                check=True, capture_output=True, timeout=20,
            ).stdout.decode()  # fmt: skip
            number, _, file = answer.partition("\n")
            if answer not in seen and file:
                seen.add(answer)
                yield Path(file), int(number) & 0xFFFF
    if characters:
        yield from ((file, 0) for file in _MACOS if file.exists())
