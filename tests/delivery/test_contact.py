"""The contact sheet: order, paper, and text that can be read out again."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from numpy.typing import NDArray
from PIL import Image

from tether.delivery.contact_sheet import Cell, Sheet, contact_sheet
from tether.film import FILM_FORMATS
from tether.pdf import PAPERS, Pages


def sheet(tmp_path: Path, frames: int, per_strip: int, form: str = "135") -> Sheet:
    """Return a sheet whose pictures are grey, each a little lighter than the last."""
    cells = []
    for n in range(1, frames + 1):
        path = tmp_path / f"{n}.png"
        Image.new("L", (90, 60), 40 + n * 4).save(path)
        cells.append(Cell(n, picture=path))
    strips = tuple(tuple(cells[i : i + per_strip]) for i in range(0, frames, per_strip or frames))
    return Sheet("Harbour", ("notes",), strips, FILM_FORMATS[form])


def opened(pages: Pages) -> pypdfium2.PdfDocument:
    """Read it with PDFium, which shares nothing with the library that wrote it."""
    return pypdfium2.PdfDocument(pages.as_bytes())


def text_of(pages: Pages) -> str:
    return "\n".join(page.get_textpage().get_text_bounded() for page in opened(pages))


def drawn(pages: Pages, dpi: int = 100) -> NDArray[np.uint8]:
    return np.asarray(opened(pages)[0].render(scale=dpi / 72, grayscale=True).to_pil())


@pytest.mark.parametrize("paper", PAPERS)
def test_pages_have_the_papers_size(tmp_path: Path, paper: str) -> None:
    (page,) = opened(contact_sheet(sheet(tmp_path, 36, 6), paper))
    # ISO 216: A4 is 210 x 297 mm; ANSI/ASME Y14.1: letter is 8.5 x 11 inches.
    inches = {"a4": (210 / 25.4, 297 / 25.4), "letter": (8.5, 11.0)}[paper]
    assert page.get_size() == pytest.approx([i * 72 for i in inches], abs=0.5)


def test_frames_lie_in_the_order_of_the_sleeve(tmp_path: Path) -> None:
    grey = drawn(contact_sheet(sheet(tmp_path, 36, 6), "a4"))
    places = [np.argwhere(grey == 40 + n * 4) for n in range(1, 37)]
    middles = [(np.median(p[:, 0]), np.median(p[:, 1])) for p in places]
    assert sorted(middles, key=lambda m: (round(m[0] / 20), m[1])) == middles


@pytest.mark.parametrize("per_strip", [4, 5, 6])
def test_a_full_roll_fits_one_page_however_it_is_cut(tmp_path: Path, per_strip: int) -> None:
    assert len(opened(contact_sheet(sheet(tmp_path, 36, per_strip), "a4"))) == 1


def test_an_uncut_roll_and_a_long_one_go_over_pages(tmp_path: Path) -> None:
    assert len(opened(contact_sheet(sheet(tmp_path, 20, 0), "a4"))) == 1
    long = contact_sheet(sheet(tmp_path, 54, 3, "120-6x6"), "letter")
    assert (count := len(opened(long))) > 1
    assert f"page {count} of {count}" in text_of(long)


@pytest.mark.parametrize(("frames", "per_strip"), [(6, 6), (12, 6), (4, 4), (1, 6)])
def test_a_few_frames_fill_the_page(tmp_path: Path, frames: int, per_strip: int) -> None:
    grey = drawn(contact_sheet(sheet(tmp_path, frames, per_strip), "a4"))
    pictures = np.isin(grey, [40 + n * 4 for n in range(1, frames + 1)])
    places = np.argwhere(pictures)
    assert np.ptp(places[:, 0]) > (0.4 if frames > 1 else 0.15) * grey.shape[0]


def test_a_frame_without_a_picture_has_a_box_with_a_word(tmp_path: Path) -> None:
    made = sheet(tmp_path, 2, 6)
    lost = Cell(2, picture=tmp_path / "missing.png", empty="damaged")
    pages = contact_sheet(
        Sheet(made.title, made.lines, ((made.strips[0][0], lost),), made.form), "a4"
    )
    grey = drawn(pages)
    assert np.count_nonzero(grey == 44) > 1000
    assert np.count_nonzero(grey == 48) < 20
    assert "damaged" in text_of(pages)


def test_a_turned_picture_lies_turned(tmp_path: Path) -> None:
    Image.fromarray(np.repeat(np.array([60, 200], np.uint8), 45)[None].repeat(60, 0)).save(
        tmp_path / "a.png"
    )
    cell = Cell(1, picture=tmp_path / "a.png", turned=90)
    grey = drawn(contact_sheet(Sheet("A", (), ((cell,),), FILM_FORMATS["135"]), "a4"))
    dark, light = (np.median(np.argwhere(grey == tone), axis=0) for tone in (60, 200))
    # The picture was turned clockwise to be seen; on the film its left side lies below.
    assert dark[0] > light[0] + 50
    assert dark[1] == pytest.approx(light[1], abs=2)


NAMES = ["Łódź 1987, Größe", "Гавань 1987", "港 1987", "한국어 ひらがな", "ميناء 1987"]


def test_text_can_be_read_in_each_script(tmp_path: Path) -> None:
    made = sheet(tmp_path, 5, 6)
    cells = tuple(
        Cell(c.frame, caption=name, picture=c.picture)
        for c, name in zip(made.strips[0], NAMES, strict=True)
    )
    pages = contact_sheet(
        Sheet("港 1987", ("Ł",), (cells,), made.form, author="Ł. Ñ", foot="Photographed"), "a4"
    )
    text = text_of(pages)
    seen = [name for name in NAMES[:2] if name in text]
    assert seen == NAMES[:2], "Noto Sans is always there"
    # What has no font here is told of; everything else can be read.
    assert set("".join(NAMES)) - set(text) <= set(pages.lacking) | set("ميناء"), text
    document = opened(pages)
    about = document.get_metadata_dict()
    assert (about["Title"], about["Author"]) == ("港 1987", "Ł. Ñ")
    assert about["Producer"].startswith("tether ")
    assert (
        pages.as_bytes()
        == contact_sheet(
            Sheet("港 1987", ("Ł",), (cells,), made.form, author="Ł. Ñ", foot="Photographed"), "a4"
        ).as_bytes()
    ), "the same sheet, the same bytes"


@pytest.mark.parametrize("program", ["qpdf", "pdffonts"])
def test_other_programs_find_no_fault(tmp_path: Path, program: str) -> None:
    """Qpdf's check of the structure; poppler's list of fonts: embedded, in part, with Unicode."""
    found = shutil.which(program)
    if found is None:
        pytest.skip(f"the program {program} is not installed")
    (tmp_path / "a.pdf").write_bytes(contact_sheet(sheet(tmp_path, 6, 6), "a4").as_bytes())
    command = [found, *(["--check"] if program == "qpdf" else []), str(tmp_path / "a.pdf")]
    out = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    if program == "qpdf":
        assert "No syntax or stream encoding errors found" in out
    else:
        fonts = out.splitlines()[2:]
        assert fonts
        assert all(line.split()[-5:-2] == ["yes", "yes", "yes"] for line in fonts), out
