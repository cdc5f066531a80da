"""Tables from spreadsheets and for them: CSV (RFC 4180) and workbooks (XLSX), as text.

A spreadsheet takes a cell that begins with ``=``, ``+``, ``-`` or ``@`` for a formula. Such a text
is written with an apostrophe before it, and read without. Formulas of a workbook are not run: read
is the value that was saved with them.
"""

from __future__ import annotations

import csv
import io
import re
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any, NamedTuple

from tether.errors import TetherError
from tether.paths import reason
from tether.text import megabytes, printable

LARGEST_TABLE = 64 << 20
"""Bytes of a file. A list of 100,000 rolls has about 20 MB."""
LARGEST_UNPACKED = 512 << 20
"""Bytes that a workbook may unpack to."""
MOST_ROWS = 1_000_000
MOST_COLUMNS = 500
LONGEST_CELL = 100_000
"""Characters."""

_ESCAPED = re.compile(r"'*[=+\-@\t\r]")


class TableUnusable(TetherError):
    """A file is no table that can be read."""


class Table(NamedTuple):
    """A table as text.

    Attributes
    ----------
    headings
        The first line.
    rows
        (number of the line in the file, cells), without empty lines. Short lines are filled up.
    kind
        What it was read as, in words: ``UTF-8, commas``.
    """

    headings: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    kind: str


def read_table(path: Path) -> Table:
    """Read a table: a workbook's first sheet, else text with commas, semicolons or tabs.

    Raises
    ------
    TableUnusable
        When the file cannot be read, is too large, or is no table.
    """
    try:
        size = path.stat().st_size
        if size > LARGEST_TABLE:
            raise _wrong(path, f"it has {megabytes(size)}, more than {megabytes(LARGEST_TABLE)}")
        data = path.read_bytes()
    except OSError as error:
        raise _wrong(path, reason(error)) from error
    if data.startswith(b"PK\x03\x04"):
        return _table(path, _workbook(path, data), "workbook, first sheet")
    text, encoding = _decoded(data)
    first = text[: text.find("\n") if "\n" in text else len(text)]
    separator = max(",;\t", key=first.count)
    words = {",": "commas", ";": "semicolons", "\t": "tabs"}[separator]
    return _table(path, _lines(path, text, separator), f"{encoding}, {words}")


def _decoded(data: bytes) -> tuple[str, str]:
    """Read text in the encoding that its first bytes name, else UTF-8, else Windows-1252."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", "replace"), "UTF-16"
    try:
        return data.decode("utf-8-sig"), "UTF-8"
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace"), "Windows-1252"


def _lines(path: Path, text: str, separator: str) -> Iterator[tuple[int, list[str]]]:
    csv.field_size_limit(LONGEST_CELL)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    try:
        for cells in reader:
            yield reader.line_num, [_unescaped(cell) for cell in cells]
    except csv.Error as error:
        raise _wrong(path, f"line {reader.line_num + 1}: {error}") from error


def _workbook(path: Path, data: bytes) -> Iterator[tuple[int, list[str]]]:
    try:
        from openpyxl import load_workbook
    except ModuleNotFoundError as error:
        raise TableUnusable(
            "Workbooks need the package 'openpyxl', which is not installed.",
            kept="Nothing was changed.",
            todo="Save the list as CSV, or run in the folder of this program: .venv/bin/pip "
            "install '.[xlsx]'",
        ) from error
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            unpacked = sum(part.file_size for part in packed.infolist())
        if unpacked > LARGEST_UNPACKED:
            raise _wrong(path, f"it unpacks to {megabytes(unpacked)}")
        book = load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        sheet = book.worksheets[0]
        for number, cells in enumerate(sheet.iter_rows(values_only=True), 1):
            yield number, [_cell(cell) for cell in cells]
    except TetherError:
        raise
    except Exception as error:  # the package raises what it likes on a damaged file
        raise _wrong(path, f"the workbook is damaged ({error})") from error


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == value.min.time() else value.isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value)


def _table(path: Path, lines: Iterable[tuple[int, Sequence[str]]], kind: str) -> Table:
    headings: tuple[str, ...] = ()
    rows: list[tuple[int, tuple[str, ...]]] = []
    for number, cells in lines:
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) > MOST_COLUMNS or len(rows) == MOST_ROWS:
            raise _wrong(path, "it has too many columns or lines")
        if not headings:
            headings = tuple(cell.strip() for cell in cells)
            continue
        kept = (*cells[: len(headings)], *[""] * (len(headings) - len(cells)))
        rows.append((number, tuple(kept)))
    if not rows:
        raise _wrong(path, "it has no line below its headings")
    return Table(headings, tuple(rows), kind)


def _wrong(path: Path, why: str) -> TableUnusable:
    return TableUnusable(
        f"The list {printable(path.name, 80)} cannot be read: {printable(why)}.",
        kept="Nothing was changed.",
        todo="Give a table with a line of headings, saved as CSV in UTF-8.",
    )


def _unescaped(text: str) -> str:
    return text[1:] if text.startswith("'") and _ESCAPED.match(text) else text


def csv_line(cells: Iterable[object]) -> str:
    """Return a line of CSV with its end; no spreadsheet takes a text in it for a formula."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerow([_escaped(cell) for cell in cells])
    return out.getvalue()


def _escaped(value: object) -> object:
    return f"'{value}" if isinstance(value, str) and _ESCAPED.match(value) else value
