"""The page: everything from outside escaped, and a browser that shows it without a network."""

from __future__ import annotations

import itertools
import shutil
import subprocess
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote

import numpy as np
import pytest
from PIL import Image

from tests.delivery.delivering import NASTY, Kept, kept_roll
from tether.delivery.page.page import PageFacts, page
from tether.positive.flat_field import from_grid


class Outline(HTMLParser):
    """Collects what a reader of the page relies on."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.texts += [data.strip()] if data.strip() else []

    def all(self, *names: str) -> list[dict[str, str | None]]:
        """Return the attributes of every such element; there has to be one of each."""
        assert set(names) <= {tag for tag, _ in self.tags}
        return [attributes for tag, attributes in self.tags if tag in names]


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kept]:
    roll = kept_roll(tmp_path_factory.mktemp("page") / "archive", notes=NASTY)
    roll.archive.store.frames.set_note(roll.roll.id, 2, NASTY)
    roll.archive.store.journal.log("note", NASTY, roll.roll.id, 2)
    roll.deliver()
    yield roll
    roll.archive.close()


def page_of(kept: Kept) -> Path:
    return kept.folder / "delivered" / "index.html"


def outline_of(kept: Kept) -> Outline:
    outline = Outline()
    outline.feed(page_of(kept).read_text("utf-8"))
    return outline


def test_nothing_from_outside_becomes_markup(kept: Kept) -> None:
    text = page_of(kept).read_text("utf-8")
    outline = outline_of(kept)
    known = {tag for tag, _ in outline.tags}
    assert not known & {"script", "iframe", "object", "link", "base", "form"}
    assert not [name for _, given in outline.tags for name in given if name.startswith("on")]
    assert "&lt;script&gt;alert(1)" in text
    assert "\u202e" not in text


def test_settings_are_in_words_and_the_clock_is_a_date(kept: Kept) -> None:
    outline = outline_of(kept)
    said = dict(itertools.pairwise(outline.texts))
    assert said["ISO"] == "100"
    # date -u -d @1714816800 +%FT%T
    assert said["Camera's clock"] == "2024-05-04 10:00:00 UTC"
    assert not [text for text in outline.texts if "1714816800" in text]


def test_nothing_is_loaded_from_anywhere(kept: Kept) -> None:
    outline = outline_of(kept)
    for attributes in outline.all("img", "a"):
        for name in ("src", "href"):
            value = attributes.get(name) or "#"
            assert value.startswith(("#", "data:image/jpeg;base64,")) or "://" not in value
            if not value.startswith(("#", "data:")):
                assert (page_of(kept).parent / unquote(value)).exists(), "no dead link"


def test_headings_tables_and_pictures_are_there_for_a_screen_reader(kept: Kept) -> None:
    outline = outline_of(kept)
    order = [int(tag[1]) for tag, _ in outline.tags if tag in ("h1", "h2", "h3")]
    assert order[0] == 1
    assert order.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(order))
    assert outline.all("html")[0]["lang"] == "en"
    assert all(a.get("alt") for a in outline.all("img"))
    assert all(a.get("scope") in ("col", "row") for a in outline.all("th"))
    assert all(a.get("aria-label") for a in outline.all("svg"))
    assert len(outline.all("caption")) == len(outline.all("table"))
    ids = [a["id"] for _, a in outline.tags if a.get("id")]
    assert len(ids) == len(set(ids))
    targets = {a["href"] for a in outline.all("a") if (a.get("href") or "").startswith("#")}
    assert {t[1:] for t in targets if t} <= set(ids)


def test_what_there_is_to_say_and_the_pictures_are_on_paper_too(kept: Kept) -> None:
    outline = outline_of(kept)
    kept_takes = [
        c
        for f in kept.archive.store.frames.of(kept.roll)
        for c in f.captures
        if c.decision != "other"
    ]
    opened = [a for a in outline.all("details") if "open" in a]
    assert len(opened) == len(kept_takes), "each take here has a finding"
    assert all("loading" not in a for a in outline.all("img")), "what is lazy is not printed"


def test_the_light_that_was_evened_out_is_shown(kept: Kept) -> None:
    grid = np.full((3, 8, 9), 0.8, np.float32)
    grid[:, 7, 8] = 0.4
    facts = PageFacts(
        kept.roll, kept.archive.store.frames.of(kept.roll), {}, {}, {}, (),
        flat=from_grid(("R", "G", "B"), grid),
    )  # fmt: skip
    text = page(facts)
    assert "Light over the view" in text
    assert "The darkest cell is" in text
    assert "Light over the view" not in page_of(kept).read_text("utf-8")


def test_a_browser_shows_it(kept: Kept, tmp_path: Path) -> None:
    """Chromium, headless, no network: pictures decode and the page is no blank."""
    program = shutil.which("chromium")
    if program is None:
        pytest.skip("the program chromium is not installed")
    shot = tmp_path / "page.png"
    subprocess.run(
        [
            program, "--headless", "--no-sandbox", "--disable-gpu",
            "--disable-background-networking", "--disable-component-update", "--disable-sync",
            f"--user-data-dir={tmp_path / 'user'}", "--window-size=900,1200",
            f"--screenshot={shot}", page_of(kept).as_uri(),
        ],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    seen = np.asarray(Image.open(shot).convert("L"))
    assert seen.shape == (1200, 900)
    small = np.asarray(
        Image.open(kept.folder / "delivered" / "small" / "Harbour_f001_t1.jpg").convert("L")
    )
    # The first picture lies at the left edge: somewhere below the heading it has its tones.
    column = seen[150:700, 40:140]
    assert np.ptp(column.astype(int)) > 0.5 * np.ptp(small.astype(int))
