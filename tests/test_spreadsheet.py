"""Tables read from anywhere, against RFC 4180 and a workbook that a library wrote."""

from __future__ import annotations

import csv
import io
import zipfile
from datetime import date, datetime
from pathlib import Path

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tether.spreadsheet import LONGEST_CELL, TableUnusable, csv_line, read_table


def read(tmp_path: Path, data: bytes | str) -> tuple[tuple[str, ...], list[tuple[str, ...]], str]:
    path = tmp_path / "list.csv"
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    found = read_table(path)
    return found.headings, [cells for _, cells in found.rows], found.kind


def test_the_examples_of_the_standard(tmp_path: Path) -> None:
    """RFC 4180, section 2: 1 to 7."""
    text = (
        "field_name,field_name,field_name\r\naaa,bbb,ccc\r\nzzz,yyy,xxx\r\n"
        '"aaa","b\r\nbb","ccc"\r\n"aaa","b""bb","ccc"'
    )
    headings, rows, _ = read(tmp_path, text)
    assert headings == ("field_name",) * 3
    assert rows == [
        ("aaa", "bbb", "ccc"),
        ("zzz", "yyy", "xxx"),
        ("aaa", "b\r\nbb", "ccc"),
        ("aaa", 'b"bb', "ccc"),
    ]


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        ("name,place\nŁódź,港\n".encode(), "UTF-8, commas"),
        ("\ufeffname;place\nŁódź;港\n".encode(), "UTF-8, semicolons"),
        ("name\tplace\nŁódź\t港\n".encode("utf-16"), "UTF-16, tabs"),
    ],
)
def test_encodings_and_separators_are_found(tmp_path: Path, data: bytes, kind: str) -> None:
    assert read(tmp_path, data) == (("name", "place"), [("Łódź", "港")], kind)


def test_text_that_is_no_utf_8_is_read_as_windows_writes_it(tmp_path: Path) -> None:
    assert read(tmp_path, "name\nGrößter\n".encode("cp1252"))[1:] == (
        [("Größter",)],
        "Windows-1252, commas",
    )


def test_empty_lines_are_passed_over_and_numbers_are_those_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_text("\n\nname,place\n\nOne\n,,\nTwo,Quay,more\n")
    assert read_table(path).rows == ((5, ("One", "")), (7, ("Two", "Quay")))


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"name\n",
        b"name\n" + b"x" * (LONGEST_CELL + 1),
        b'name,place\n"' + b"x" * (LONGEST_CELL + 1),
        b",".join([b"a"] * 501) + b"\nx",
        b"PK\x03\x04 and no workbook",
    ],
)
def test_what_is_no_table_is_refused_in_words(tmp_path: Path, data: bytes) -> None:
    with pytest.raises(TableUnusable, match=r"list\.csv cannot be read"):
        read(tmp_path, data)


def test_a_missing_file_and_a_folder_are_refused(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "none.csv"):
        with pytest.raises(TableUnusable):
            read_table(path)


@given(st.lists(st.text(st.characters(exclude_characters="\x00", exclude_categories=["Cs"]))))
def test_what_is_written_is_read_and_is_no_formula(cells: list[str]) -> None:
    line = csv_line(["x", *cells])
    (raw,) = csv.reader(io.StringIO(line, newline=""))
    assert not any(cell.startswith(("=", "+", "-", "@")) for cell in raw)
    from tether.spreadsheet import _lines

    ((_, found),) = _lines(Path("x"), line, ",")
    assert found == ["x", *cells]


def test_a_workbook_is_read_with_its_dates_and_numbers(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["name", "date", "frames", "place"])
    sheet.append(["One", date(1987, 6, 12), 36, None])
    sheet.append(["Two", datetime(1987, 6, 12, 10, 30), 36.0, '=HYPERLINK("x")'])
    book.save(tmp_path / "list.xlsx")
    found = read_table(tmp_path / "list.xlsx")
    assert found.kind == "workbook, first sheet"
    assert found.rows == (
        (2, ("One", "1987-06-12", "36", "")),
        (3, ("Two", "1987-06-12T10:30:00", "36", "")),
    ), "a formula without a saved value is empty"


def test_a_workbook_that_unpacks_to_too_much_is_not_unpacked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with zipfile.ZipFile(tmp_path / "list.xlsx", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("xl/worksheets/sheet1.xml", b"0" * 5000)
    monkeypatch.setattr("tether.spreadsheet.LARGEST_UNPACKED", 4000)
    with pytest.raises(TableUnusable, match="unpacks to 5"):
        read_table(tmp_path / "list.xlsx")
