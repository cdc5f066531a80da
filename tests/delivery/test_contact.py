"""The contact sheet: order, paper, and what is drawn where."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tether.archive.records import FrameState
from tether.delivery.contact_sheet import DPI, PAPERS, Cell, Sheet, contact_pages, draw_mark
from tether.film import FILM_FORMATS


def sheet(tmp_path: Path, frames: int, per_strip: int, form: str = "135") -> Sheet:
    """Return a sheet whose pictures are grey, each a little lighter than the last."""
    cells = []
    for n in range(1, frames + 1):
        path = tmp_path / f"{n}.png"
        Image.new("L", (90, 60), 40 + n * 4).save(path)
        cells.append(Cell(n, FrameState.KEPT, "keep", 1, 1, path))
    strips = tuple(tuple(cells[i : i + per_strip]) for i in range(0, frames, per_strip or frames))
    return Sheet("Harbour", "notes", strips, FILM_FORMATS[form])


@pytest.mark.parametrize("paper", PAPERS)
def test_pages_have_the_papers_size(tmp_path: Path, paper: str) -> None:
    (page,) = contact_pages(sheet(tmp_path, 36, 6), paper)
    # ISO 216: A4 is 210 x 297 mm; ANSI/ASME Y14.1: letter is 8.5 x 11 inches.
    inches = {"a4": (210 / 25.4, 297 / 25.4), "letter": (8.5, 11.0)}[paper]
    assert page.size == pytest.approx([i * DPI for i in inches], abs=1)


def test_frames_lie_in_the_order_of_the_sleeve(tmp_path: Path) -> None:
    (page,) = contact_pages(sheet(tmp_path, 36, 6), "a4", dpi=100)
    grey = np.asarray(page.convert("L"))
    places = [np.argwhere(grey == 40 + n * 4) for n in range(1, 37)]
    middles = [(np.median(p[:, 0]), np.median(p[:, 1])) for p in places]
    assert sorted(middles, key=lambda m: (round(m[0] / 20), m[1])) == middles


@pytest.mark.parametrize("per_strip", [4, 5, 6])
def test_a_full_roll_fits_one_page_however_it_is_cut(tmp_path: Path, per_strip: int) -> None:
    assert len(contact_pages(sheet(tmp_path, 36, per_strip), "a4", dpi=50)) == 1


def test_an_uncut_roll_and_a_long_one_go_over_pages(tmp_path: Path) -> None:
    uncut = sheet(tmp_path, 20, 0)
    assert len(contact_pages(uncut, "a4", dpi=50)) == 1
    assert len(contact_pages(sheet(tmp_path, 54, 3, "120-6x6"), "letter", dpi=50)) > 1


def test_a_frame_without_a_picture_has_a_box_with_a_word(tmp_path: Path) -> None:
    made = sheet(tmp_path, 2, 6)
    lost = Cell(2, FrameState.DAMAGED, "", None, 0, tmp_path / "missing.png")
    (page,) = contact_pages(
        Sheet(made.title, made.subtitle, ((made.strips[0][0], lost),), made.form), "a4", dpi=100
    )
    grey = np.asarray(page.convert("L"))
    assert np.count_nonzero(grey == 44) > 1000
    assert np.count_nonzero(grey == 48) < 20


def test_marks_differ_without_colour() -> None:
    from PIL.ImageDraw import Draw

    seen = {}
    names = ("kept", "open", "skipped", "blank", "damaged", "look", "reshoot", "unjudged")
    for name in names:
        image = Image.new("L", (40, 40), 255)
        draw_mark(Draw(image.convert("RGB")), name, (4, 4), 32)
        canvas = Image.new("RGB", (40, 40), "white")
        draw_mark(Draw(canvas), name, (4, 4), 32)
        seen[name] = np.asarray(canvas.convert("L")) < 128
    for a in names:
        assert seen[a].any()
        for b in names:
            if a < b:
                assert np.count_nonzero(seen[a] ^ seen[b]) > 30, (a, b)
