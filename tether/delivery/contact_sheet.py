"""The contact sheet: all frames in the order in which they lie in the sleeve, to print."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

from PIL import Image, ImageDraw, ImageFont, ImageOps
from PIL.Image import Image as Picture

from tether.archive.records import FrameState
from tether.disk import replace_whole
from tether.film import FilmFormat
from tether.findings import Verdict
from tether.text import printable

#: Width and height in millimetres (ISO 216; ANSI/ASME Y14.1).
PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
DPI = 300

_MARGIN = 10.0
_HEADER = 14.0
_FOOTER = 8.0
_GUTTER = 8.0
_CAPTION = 5.2
_GAP = 1.6
_UNCUT_ROW = 6
#: A roll goes on one page if its strips keep this share of the width that they could have.
_SMALLEST_SHARE = 0.6
_INK = (20, 20, 20)
_FAINT = (120, 120, 120)


@dataclass(frozen=True, slots=True)
class Cell:
    """One frame on the sheet.

    ``picture`` is its small positive, None where there is none; ``turned`` how far that is
    turned clockwise against how it lies on the film.
    """

    frame: int
    state: FrameState
    verdict: str = ""
    take: int | None = None
    takes: int = 0
    picture: Path | None = None
    turned: int = 0

    @property
    def marks(self) -> tuple[str, ...]:
        """The frame's state, and the verdict of its take unless that says to keep it."""
        worth_saying = self.takes and self.verdict not in ("", Verdict.KEEP)
        return (self.state.value, self.verdict) if worth_saying else (self.state.value,)


@dataclass(frozen=True, slots=True)
class Sheet:
    """What a contact sheet shows: strips in order, each with its frames in order."""

    title: str
    subtitle: str
    strips: tuple[tuple[Cell, ...], ...]
    form: FilmFormat


@dataclass(frozen=True, slots=True)
class _Layout:
    columns: int
    rows: int
    width: float
    height: float

    @property
    def pitch(self) -> float:
        return self.height + _CAPTION + _GAP


def contact_pages(sheet: Sheet, paper: str, dpi: int = DPI) -> list[Picture]:
    """Draw the contact sheet.

    Parameters
    ----------
    sheet
        What it shows.
    paper
        "a4" or "letter", upright.
    dpi
        Dots per inch.

    Returns
    -------
    Pages as pictures: a strip a row, as large as the paper allows. All strips are on one page
    unless that would make them much smaller.
    """
    strips = [row for strip in sheet.strips for row in _rows(strip)] or [()]
    layout = _layout(strips, sheet.form, PAPERS[paper])
    pages = [strips[i : i + layout.rows] for i in range(0, len(strips), layout.rows)]
    return [
        _Page(sheet, layout, PAPERS[paper], dpi).draw(page, number, len(pages))
        for number, page in enumerate(pages, 1)
    ]


def _rows(strip: tuple[Cell, ...]) -> list[tuple[Cell, ...]]:
    """An uncut roll goes into rows of six."""
    if len(strip) <= _UNCUT_ROW:
        return [strip]
    return [strip[i : i + _UNCUT_ROW] for i in range(0, len(strip), _UNCUT_ROW)]


def _layout(
    strips: Sequence[tuple[Cell, ...]], form: FilmFormat, paper: tuple[float, float]
) -> _Layout:
    columns = max(1, *(len(s) for s in strips)) if len(strips) > 1 else max(1, len(strips[0]))
    room_x = paper[0] - 2 * _MARGIN - _GUTTER
    room_y = paper[1] - 2 * _MARGIN - _HEADER - _FOOTER
    width = min((room_x - (columns - 1) * _GAP) / columns, 80.0)
    shape = form.picture_across / form.picture_along
    height_for_all = room_y / len(strips) - _CAPTION - _GAP
    if _SMALLEST_SHARE * width * shape <= height_for_all < width * shape:
        width = height_for_all / shape
    height = min(width * shape, room_y - _CAPTION - _GAP)
    rows = max(1, int((room_y + 0.01) / (height + _CAPTION + _GAP)))
    return _Layout(columns, rows, height / shape, height)


class _Page:
    def __init__(self, sheet: Sheet, layout: _Layout, paper: tuple[float, float], dpi: int) -> None:
        self.sheet, self.layout, self.paper = sheet, layout, paper
        self.dot = dpi / 25.4
        self.image = Image.new("RGB", (self._px(paper[0]), self._px(paper[1])), "white")
        self.draw_on: ImageDraw.ImageDraw = ImageDraw.Draw(self.image)

    def _px(self, millimetres: float) -> int:
        return round(millimetres * self.dot)

    def draw(self, strips: Sequence[tuple[Cell, ...]], number: int, of: int) -> Picture:
        self._words((_MARGIN, _MARGIN), printable(self.sheet.title, 80), 5.0)
        self._words((_MARGIN, _MARGIN + 6.5), printable(self.sheet.subtitle, 140), 2.8, _FAINT)
        self._legend(self.paper[1] - _MARGIN - 3.5)
        if of > 1:
            self._words(
                (self.paper[0] - _MARGIN - 22, self.paper[1] - _MARGIN - 3.5),
                f"page {number} of {of}",
                2.6,
                _FAINT,
            )
        for row, strip in enumerate(strips):
            top = _MARGIN + _HEADER + row * self.layout.pitch
            if strip:
                first, last = strip[0].frame, strip[-1].frame
                numbers = f"{first}" if last == first else f"{first}–{last}"
                self._words((_MARGIN - 1.5, top + 0.5), numbers, 2.4, _FAINT)
            for column, cell in enumerate(strip):
                left = _MARGIN + _GUTTER + column * (self.layout.width + _GAP)
                self._cell(cell, left, top)
        return self.image

    def _cell(self, cell: Cell, left: float, top: float) -> None:
        box = (
            self._px(left),
            self._px(top),
            self._px(left + self.layout.width),
            self._px(top + self.layout.height),
        )
        if cell.picture is None or not self._picture(cell, box):
            self.draw_on.rectangle(box, outline=_FAINT, width=max(1, self._px(0.15)))
            word = "no picture" if cell.state in (FrameState.KEPT, FrameState.OPEN) else ""
            self._words((left + 1.2, top + 1.2), word or cell.state.value, 2.4, _FAINT)
        below = top + self.layout.height + 0.8
        self._words((left, below), str(cell.frame), 3.2)
        at = left + 6.5
        for mark in cell.marks:
            draw_mark(self.draw_on, mark, (self._px(at), self._px(below + 0.2)), self._px(2.8))
            at += 4.2
        if cell.takes > 1:
            chosen = f"take {cell.take} of {cell.takes}" if cell.take else f"{cell.takes} takes"
            if self.layout.width > 26:
                self._words((at, below + 0.3), chosen, 2.3, _FAINT)

    def _picture(self, cell: Cell, box: tuple[int, int, int, int]) -> bool:
        assert cell.picture is not None, "the caller checked"
        try:
            with Image.open(cell.picture) as opened:
                picture = opened.convert("RGB")
        except OSError:
            return False
        if cell.turned:
            picture = picture.rotate(cell.turned, expand=True)  # Pillow turns anticlockwise
        size = (box[2] - box[0], box[3] - box[1])
        fitted = ImageOps.contain(picture, size, Image.Resampling.LANCZOS)
        self.image.paste(
            fitted,
            (box[0] + (size[0] - fitted.width) // 2, box[1] + (size[1] - fitted.height) // 2),
        )
        return True

    def _legend(self, top: float) -> None:
        at = _MARGIN
        used = {mark for strip in self.sheet.strips for cell in strip for mark in cell.marks}
        for mark, word in (
            *((state.value, state.value) for state in FrameState),
            *((v.value, f"verdict: {v.word}") for v in Verdict),
        ):
            if mark not in used:
                continue
            draw_mark(self.draw_on, mark, (self._px(at), self._px(top)), self._px(2.6))
            self._words((at + 3.4, top - 0.1), word, 2.5, _FAINT)
            at += 3.4 + self.draw_on.textlength(word, font(self._px(2.5))) / self.dot + 3.5

    def _words(
        self,
        place: tuple[float, float],
        text: str,
        size: float,
        colour: tuple[int, int, int] = _INK,
    ) -> None:
        if text:
            self.draw_on.text(
                (self._px(place[0]), self._px(place[1])), text, colour, font(self._px(size))
            )


def save_sheets(sheet: Sheet, folder: Path) -> list[Path]:
    """Write the sheet as PNG pages and as PDF for each paper; return the files."""
    written: list[Path] = []
    for paper in PAPERS:
        first, *rest = pages = contact_pages(sheet, paper, DPI)
        for number, page in enumerate(pages, 1):
            written.append(folder / f"contact-sheet-{paper}-{number}.png")
            replace_whole(written[-1], partial(page.save, format="PNG", dpi=(DPI, DPI)))
        written.append(folder / f"contact-sheet-{paper}.pdf")
        pdf = partial(
            first.save,
            format="PDF",
            save_all=True,
            append_images=rest,
            resolution=DPI,
            title=printable(sheet.title),
            quality=90,
            # No clock: the same roll gives the same bytes.
            creationDate=None,
            modDate=None,
        )
        replace_whole(written[-1], pdf)
    return written


#: Fonts that are common on desktop systems and know more scripts than Pillow's own.
_FONTS = ("DejaVuSans.ttf", "Arial Unicode.ttf", "NotoSans-Regular.ttf", "Arial.ttf", "arial.ttf")


@cache
def font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """Return a font of that height in pixels: of the system where one is found, else Pillow's."""
    for name in _FONTS:
        try:
            return ImageFont.truetype(name, size)
        except OSError:
            continue
    return ImageFont.load_default(size)


def draw_mark(draw: ImageDraw.ImageDraw, mark: str, corner: tuple[int, int], size: int) -> None:
    """Draw the mark of a frame's state or of a verdict into a square.

    They are those of every screen: kept a tick, open a dot, skipped two angles, blank a ring,
    damaged a cross; verdicts an exclamation mark, a slanted cross, or a question mark.
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
    elif mark == "look":
        line((0.5, 0.05), (0.5, 0.62), width=2 * pen)
        draw.ellipse((x + 0.38 * s, y + 0.74 * s, x + 0.62 * s, y + 0.98 * s), _INK)
    elif mark == "reshoot":
        line((0.28, 0.05), (0.72, 0.95), width=2 * pen)
        line((0.92, 0.2), (0.08, 0.8), width=2 * pen)
    else:
        draw.arc((x + 0.22 * s, y + 0.05 * s, x + 0.78 * s, y + 0.55 * s), 180, 90, _INK, 2 * pen)
        line((0.5, 0.5), (0.5, 0.7), width=2 * pen)
        draw.ellipse((x + 0.4 * s, y + 0.8 * s, x + 0.6 * s, y + s), _INK)
