"""Labels: what is printed is read again, from the PDF as another program draws it."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pypdfium2
import pytest
import zxingcpp
from click.testing import CliRunner

from tether.archive.archive import Archive
from tether.archive.records import NewRoll
from tether.cli.main import app
from tether.description import RollDescription
from tether.errors import TetherError
from tether.film import FilmProcess
from tether.reports.labels import coded_text, label_sheet, read_label


def roll(name: str, **said: str) -> NewRoll:
    return NewRoll(name, FilmProcess.BW_NEGATIVE, description=RollDescription().changed(said))


def drawn(data: bytes, folder: Path) -> list[Path]:
    found = []
    with closing(pypdfium2.PdfDocument(data)) as pdf:
        for number in range(len(pdf)):
            picture = folder / f"page{number}.png"
            pdf[number].render(scale=300 / 72).to_pil().save(picture)
            found.append(picture)
    return found


def test_each_label_is_read_from_the_sheet(tmp_path: Path) -> None:
    """The code is ISO/IEC 15417's, by zxing-cpp; PDFium draws the page at 300 dpi."""
    rolls = [roll(f"H {n:03d}", box="12", place="Łódź, 港") for n in range(25)]
    data, _ = label_sheet(rolls)
    pages = drawn(data, tmp_path)
    assert len(pages) == 2
    assert sorted(text for page in pages for text in read_label(page)) == [r.name for r in rolls]


def test_a_name_that_no_code_can_hold_is_told_and_an_identifier_takes_its_place(
    tmp_path: Path,
) -> None:
    assert coded_text(roll("Größe 1")) == "Größe 1"
    assert coded_text(roll("港 1", identifiers="港; S-12")) == "S-12"
    rolls = [roll("港 1"), roll("x" * 60), roll("港 2", identifiers="S-12")]
    data, said = label_sheet(rolls)
    assert "港 1: no bar code can hold its name" in said[0]
    assert "too fine to be read" in said[1]
    (page,) = drawn(data, tmp_path)
    assert read_label(page) == ["S-12"]


def test_what_is_no_picture_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(b"\xff\xd8\xff no picture")
    for name in ("a.jpg", "none.jpg"):
        with pytest.raises(TetherError, match="cannot be read"):
            read_label(tmp_path / name)


def test_the_command_writes_a_sheet_and_reads_a_label(tmp_path: Path) -> None:
    with closing(Archive(tmp_path / "archive")) as archive:
        archive.store.rolls.add(NewRoll("Harbour 7", FilmProcess.BW_NEGATIVE))

    def run(*words: str) -> tuple[int, str, str]:
        done = CliRunner().invoke(app, ["labels", "--archive", str(tmp_path / "archive"), *words])
        return done.exit_code, done.output, str(done.exception or "")

    sheet = tmp_path / "labels.pdf"
    assert "No roll waits" in run("--to", str(sheet))[2]
    assert run("Harbour 7", "--to", str(sheet))[1].startswith("1 label written to")
    assert "is there already" in run("Harbour 7", "--to", str(sheet))[2]
    (page,) = drawn(sheet.read_bytes(), tmp_path)
    assert run("--read", str(page))[:2] == (0, "Harbour 7\n")
    blank = tmp_path / "blank.png"
    code = zxingcpp.create_barcode("1234", zxingcpp.BarcodeFormat.QRCode)
    from PIL import Image

    Image.fromarray(code.to_image(scale=4)).save(blank)
    assert run("--read", str(blank))[:2] == (1, "No bar code was found.\n")
    assert run()[0] == 2
