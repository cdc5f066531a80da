"""Labels for sleeves: a sheet to print, with a bar code for each roll, and reading one again.

The bar code is Code 128 (ISO/IEC 15417) of the roll's name, or of its first identifier where the
name has letters that the code cannot hold (others than those of ISO/IEC 8859-1). A scanner types it
like a keyboard; a photograph of it can be read here.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from types import ModuleType

from tether.archive.records import NewRoll
from tether.errors import TetherError
from tether.paths import reason
from tether.text import printable

COLUMNS, ROWS = 3, 8
"""Labels on a sheet: 70 x 37 mm on A4. Common practice, no published source."""
_MARGIN = 5.0
LEAST_BAR_MM = 0.19
"""Width of the thinnest bar: under it, common scanners fail. Common practice, no published source;
not checked against ISO/IEC 15416, which grades printed codes."""
_SCALE = 6
_LARGEST_PICTURE = 200_000_000
"""Pixels of a photograph of a label."""


def _zxing() -> ModuleType:
    try:
        import zxingcpp
    except ModuleNotFoundError as error:
        raise TetherError(
            "Bar codes need the package 'zxing-cpp', which is not installed.",
            kept="Nothing was written.",
            todo="In the folder of this program: .venv/bin/pip install '.[labels]'",
        ) from error
    found: ModuleType = zxingcpp
    return found


def coded_text(roll: NewRoll) -> str:
    """Return what a roll's bar code says, "" where nothing of it can be coded."""
    for text in (roll.name, *roll.description.identifiers):
        try:
            text.encode("latin-1")
        except UnicodeEncodeError:
            continue
        return text
    return ""


def label_sheet(rolls: Sequence[NewRoll], paper: str = "a4") -> tuple[bytes, list[str]]:
    """Return a PDF of labels, and what there is to say of codes that are missing.

    Raises
    ------
    TetherError
        When the package for bar codes is not installed.
    """
    from PIL import Image

    from tether.pdf import PAPERS, Pages

    zxing = _zxing()
    pages = Pages(paper, "Labels")
    wide, high = PAPERS[paper][0] / COLUMNS, PAPERS[paper][1] / ROWS
    said: list[str] = []
    for index, roll in enumerate(rolls):
        if index % (COLUMNS * ROWS) == 0:
            pages.page()
        row, column = divmod(index % (COLUMNS * ROWS), COLUMNS)
        left, top = column * wide + _MARGIN, row * high + _MARGIN
        inside = wide - 2 * _MARGIN
        told = roll.description
        box = " / ".join(part for part in (told.box, told.sleeve) if part)
        pages.words((left, top), roll.name, 4.2, width=inside)
        pages.words((left, top + 5.5), ", ".join(filter(None, (told.date, told.place))), 2.8,
                    width=inside * 0.7)  # fmt: skip
        pages.words((left + inside, top + 5.5), box, 2.8, right=True)
        text = coded_text(roll)
        if not text:
            said.append(f"{printable(roll.name, 60)}: no bar code can hold its name. Give it an "
                        "identifier in Latin letters or digits.")  # fmt: skip
            continue
        code = zxing.create_barcode(text, zxing.BarcodeFormat.Code128)
        bars = Image.fromarray(code.to_image(scale=_SCALE, add_hrt=False, add_quiet_zones=True))
        if inside / (bars.width / _SCALE) < LEAST_BAR_MM:
            said.append(
                f"{printable(roll.name, 60)}: its bar code would be too fine to be read. Give it a "
                "short identifier."
            )
            continue
        pages.picture(bars, (left, top + 10, inside, high - 2 * _MARGIN - 10))
    if pages.lacking:
        said.append(f"No font was found for: {printable(pages.lacking, 60)}")
    return pages.as_bytes(), said


def read_label(path: Path) -> list[str]:
    """Return what the bar codes on a picture of a label say.

    Raises
    ------
    TetherError
        When the picture cannot be read, or the package is not installed.
    """
    from PIL import Image, UnidentifiedImageError

    zxing = _zxing()
    try:
        with Image.open(path) as picture:
            if picture.width * picture.height > _LARGEST_PICTURE:
                raise ValueError("it is too large")
            grey = picture.convert("L")
    except (OSError, ValueError, UnidentifiedImageError, Image.DecompressionBombError) as error:
        why = reason(error) if isinstance(error, OSError) else str(error)
        raise TetherError(
            f"The picture {printable(path.name, 60)} cannot be read: {printable(why)}.",
            todo="Give a photograph as JPEG or PNG.",
        ) from error
    formats = zxing.BarcodeFormats(zxing.BarcodeFormat.Code128)
    return [str(found.text) for found in zxing.read_barcodes(grey, formats=formats)]
