"""The contact sheet: all frames in the order in which they lie in the sleeve, as PDF to print."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from tether import __version__
from tether.film import FilmFormat
from tether.pdf import FAINT, PAPERS, Pages

_MARGIN = 10.0
_TITLE = 5.0
_LINE = 4.2
_HEADER = 14.0
_FOOTER = 7.0
_GUTTER = 9.0
_CAPTION = 5.2
_CAPTION_LINE = 3.6
_GAP = 1.6
_WIDEST = 95.0
_UNCUT_ROW = 6
#: A roll goes on one page if its strips keep this share of the width that they could have.
_SMALLEST_SHARE = 0.6
#: Strips that would fill less of a page than this are broken into rows with larger pictures.
_EMPTY_SHARE = 0.4


@dataclass(frozen=True, slots=True)
class Cell:
    """One frame on the sheet.

    ``words`` stand beside its number, ``caption`` below, and ``empty`` in the place of a picture
    where there is none. ``picture`` is its small positive, ``turned`` how far that is turned
    clockwise against how it lies on the film.
    """

    frame: int
    words: str = ""
    caption: str = ""
    picture: Path | None = None
    turned: int = 0
    empty: str = "no picture"


@dataclass(frozen=True, slots=True)
class Sheet:
    """What a contact sheet shows: strips in order, each with its frames in order.

    ``lines`` stand below the title, ``foot`` at the foot of each page. ``made`` is the day that
    the document carries.
    """

    title: str
    lines: tuple[str, ...]
    strips: tuple[tuple[Cell, ...], ...]
    form: FilmFormat
    author: str = ""
    foot: str = ""
    made: datetime | None = None


@dataclass(frozen=True, slots=True)
class _Row:
    cells: tuple[Cell, ...]
    label: str


@dataclass(frozen=True, slots=True)
class _Layout:
    rows: tuple[_Row, ...]
    per_page: int
    width: float
    height: float
    pitch: float


def contact_sheet(sheet: Sheet, paper: str) -> Pages:
    """Draw the contact sheet.

    Parameters
    ----------
    sheet
        What it shows.
    paper
        A key of `tether.pdf.PAPERS`.

    Returns
    -------
    Its pages: a strip a row, as large as the paper allows. All strips are on one page unless that
    would make them much smaller; a few strips are broken into rows, to fill the page.
    """
    pages = Pages(paper, sheet.title, sheet.author, sheet.made)
    layout = _layout(sheet, paper)
    count = math.ceil(len(layout.rows) / layout.per_page)
    for number in range(count):
        pages.page()
        _frame_of_page(pages, sheet, number + 1, count)
        first = number * layout.per_page
        for place, row in enumerate(layout.rows[first : first + layout.per_page]):
            _row(pages, row, layout, _top(sheet) + place * layout.pitch)
    return pages


def _top(sheet: Sheet) -> float:
    return _MARGIN + _HEADER + _LINE * max(0, len(sheet.lines) - 1)


def _frame_of_page(pages: Pages, sheet: Sheet, number: int, of: int) -> None:
    wide = pages.width - 2 * _MARGIN
    pages.words((_MARGIN, _MARGIN - 1), sheet.title, _TITLE, width=wide)
    for line, text in enumerate(sheet.lines):
        place = (_MARGIN, _MARGIN + 6.5 + line * _LINE)
        pages.words(place, text, 2.8, grey=FAINT, width=wide)
    below = pages.height - _MARGIN - 2.5
    right = f"{f'page {number} of {of} · ' if of > 1 else ''}tether {__version__}"
    used = pages.words((pages.width - _MARGIN, below), right, 2.4, grey=FAINT, right=True)
    pages.words((_MARGIN, below), sheet.foot, 2.4, grey=FAINT, width=wide - used - 5)


def _rows(strips: Sequence[tuple[Cell, ...]], columns: int) -> tuple[_Row, ...]:
    found = []
    for strip in strips:
        for at in range(0, len(strip), columns):
            cells = strip[at : at + columns]
            first, last = cells[0].frame, cells[-1].frame
            found.append(_Row(cells, f"{first}" if first == last else f"{first}–{last}"))
    return tuple(found)


def _layout(sheet: Sheet, paper: str) -> _Layout:
    width, height = PAPERS[paper]
    strips = [strip for strip in sheet.strips if strip] or [(Cell(1),)]
    room = (width - 2 * _MARGIN - _GUTTER, height - _top(sheet) - _MARGIN - _FOOTER)
    below = _CAPTION + _GAP
    if any(cell.caption for strip in strips for cell in strip):
        below += _CAPTION_LINE
    shape = sheet.form.picture_across / sheet.form.picture_along
    longest = max(map(len, strips))
    columns = longest if longest <= _UNCUT_ROW else _UNCUT_ROW

    def fit(columns: int) -> _Layout:
        rows = _rows(strips, columns)
        wide = min((room[0] - (columns - 1) * _GAP) / columns, _WIDEST)
        for_all = room[1] / len(rows) - below
        if _SMALLEST_SHARE * wide * shape <= for_all < wide * shape:
            wide = for_all / shape
        high = min(wide * shape, room[1] - below)
        per_page = max(1, int((room[1] + 0.01) / (high + below)))
        return _Layout(rows, per_page, high / shape, high, high + below)

    best = fit(columns)
    if len(best.rows) * best.pitch < _EMPTY_SHARE * room[1]:
        for fewer in range(1, columns):
            other = fit(fewer)
            if len(other.rows) <= other.per_page and other.width > best.width:
                best = other
    return best


def _row(pages: Pages, row: _Row, layout: _Layout, top: float) -> None:
    pages.words((_MARGIN - 1.5, top + 0.5), row.label, 2.4, grey=FAINT)
    for column, cell in enumerate(row.cells):
        left = _MARGIN + _GUTTER + column * (layout.width + _GAP)
        box = (left, top, layout.width, layout.height)
        if cell.picture is None or not pages.picture(cell.picture, box, cell.turned):
            pages.frame(box)
            pages.words((left + 1.2, top + 1.2), cell.empty, 2.4, grey=FAINT, width=layout.width)
        below = top + layout.height + 0.4
        used = pages.words((left, below), str(cell.frame), 3.2) + 1.6
        words = (left + used, below + 0.6)
        pages.words(words, cell.words, 2.4, grey=FAINT, width=layout.width - used)
        pages.words((left, below + 4.2), cell.caption, 2.4, width=layout.width)
