"""The folder for a client: pictures, captions, numbers, rights, and how to order; no more."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pypdfium2
import pytest
from click.testing import CliRunner
from PIL import Image
from PIL.JpegImagePlugin import JpegImageFile

from tests.delivery.delivering import NASTY, Kept, kept_roll
from tests.exiftool import exiftool
from tether.cli.main import app
from tether.delivery.hand_over import hand_over, pictures_for
from tether.description import FrameDescription, RollDescription
from tether.errors import TetherError
from tether.settings import DeliverySettings

HOUSE = DeliverySettings(
    organisation="Town archive", contact="A. Keeper", email="ask@archive.example", order="By mail."
)


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Kept]:
    made = kept_roll(tmp_path / "archive", notes="for the workshop")
    store = made.archive.store
    said = {"photographer": "Ł. Field", "rights": "© 1987 港", "date": "1987-06~"}
    store.rolls.describe(made.roll.id, RollDescription().changed(said))
    quay = FrameDescription().changed({"caption": "The quay: a/b"})
    store.frames.describe(made.roll.id, 2, quay)
    store.journal.log("note", "a secret of the log", made.roll.id, 2)
    made.roll = store.rolls.named("Harbour")
    made.deliver()
    yield made
    made.archive.close()


def handed(kept: Kept, to: Path, names: str = "{roll} {frame:03}", size: int = 100) -> Path:
    pictures = pictures_for(kept.archive, kept.roll, None, names)
    frames = kept.archive.store.frames.of(kept.roll)
    return hand_over(kept.roll, frames, pictures, to, HOUSE, size)


def test_a_client_gets_pictures_a_page_and_sheets(kept: Kept, tmp_path: Path) -> None:
    made = handed(kept, tmp_path / "out" / "client")
    names = {p.relative_to(made).as_posix() for p in made.rglob("*") if p.is_file()}
    assert names == {
        "index.html", "contact-sheet-a4.pdf", "contact-sheet-letter.pdf",
        *(f"pictures/Harbour 00{n}.jpg" for n in (1, 2, 3)),
    }  # fmt: skip
    page = re.sub('base64,[^"]*', "", (made / "index.html").read_text("utf-8"))
    sheet = pypdfium2.PdfDocument(made / "contact-sheet-a4.pdf")[0].get_textpage()
    for text in (page, sheet.get_text_bounded()):
        for wanted in ("Ł. Field", "1987-06~", "The quay: a/b", "Town archive", "By mail."):
            assert wanted in text
        for private in (
            "secret",
            "workshop",
            NASTY[:20],
            "_t2",
            str(tmp_path),
            "sha256",
            "reshoot",
        ):
            assert private not in text
    assert "default-src 'none'" in page
    again = handed(kept, tmp_path / "again")
    for name in names:
        assert (again / name).read_bytes() == (made / name).read_bytes(), "always the same bytes"


def test_pictures_are_small_and_say_nothing_of_the_workshop(kept: Kept, tmp_path: Path) -> None:
    made = handed(kept, tmp_path / "client") / "pictures"
    with Image.open(made / "Harbour 002.jpg") as picture:
        assert max(picture.size) == 100
    found = exiftool(made / "Harbour 002.jpg")
    assert found["Validate"] == "0 0 0", found.get("Warning")
    assert str(found["ImageDescription"]).startswith("The quay: a/b")
    assert (found["Artist"], found["Copyright"]) == ("Ł. Field", "© 1987 港")
    assert not {"Findings", "Verdict", "CameraSettings", "RollNotes", "Choice"} & set(found)
    whole = handed(kept, tmp_path / "whole", size=0) / "pictures" / "Harbour 002.jpg"
    with (
        Image.open(whole) as same,
        Image.open(kept.folder / "delivered" / "positives" / "Harbour_f002_t1.jpg") as positive,
    ):
        assert isinstance(same, JpegImageFile)
        assert isinstance(positive, JpegImageFile)
        assert (same.size, same.quantization) == (positive.size, positive.quantization)


@pytest.mark.parametrize(
    ("pattern", "name"),
    [
        ("{roll} {frame:03}", "Harbour 002.jpg"),
        ("{frame} {caption}", "2 The quay- a-b.jpg"),
        ("{date}_{frame}/../x", "1987-06~_2-..-x.jpg"),
    ],
)
def test_names_are_made_by_a_pattern(kept: Kept, pattern: str, name: str) -> None:
    assert pictures_for(kept.archive, kept.roll, None, pattern)[1].name == name


@pytest.mark.parametrize("pattern", ["{roll}", "{roll.name} {frame}", "{0}", "{frame", "{nothing}"])
def test_names_that_make_no_sense_are_refused(kept: Kept, pattern: str) -> None:
    with pytest.raises(TetherError, match=r"would have the name|are not understood"):
        pictures_for(kept.archive, kept.roll, None, pattern)


def test_the_names_are_shown_first(kept: Kept, tmp_path: Path) -> None:
    words = ["hand-over", "Harbour", str(tmp_path / "c"), "--archive", str(kept.archive.root)]
    done = CliRunner().invoke(app, [*words, "--names", "{frame} {caption}"], input="n\n")
    assert "frame 2    2 The quay- a-b.jpg" in done.output
    assert not (tmp_path / "c").exists()
    done = CliRunner().invoke(app, [*words, "--yes"])
    assert done.exit_code == 0, done.output
    assert (tmp_path / "c" / "index.html").is_file()
    assert CliRunner().invoke(app, [*words, "--yes"]).exit_code == 1, "it exists already"


def test_what_was_not_delivered_is_not_handed_over(kept: Kept) -> None:
    (kept.folder / "delivered" / "positives" / "Harbour_f002_t1.jpg").unlink()
    with pytest.raises(TetherError, match="no positive of frame 2"):
        pictures_for(kept.archive, kept.roll, None, "{frame}")
