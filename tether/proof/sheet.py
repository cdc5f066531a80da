"""The proof as a sheet: each frame as a small positive with its number, the wanted ones circled."""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from contextlib import closing
from pathlib import Path

from PIL import Image, ImageDraw

from tether.archive.records import Roll
from tether.pdf import PAPERS, Pages
from tether.proof.make import proof_worker
from tether.proof.record import Proof
from tether.worker_process import RAW_SECONDS

_MARGIN, _GAP, _LABEL = 12.0, 3.0, 8.0
_COLUMNS = 6
_RING = (200, 30, 30)


def proof_cells(folder: Path, roll: Roll, proof: Proof) -> Iterator[tuple[int, bytes]]:
    """Yield each frame's number and its small positive as JPEG, page by page.

    ``folder`` is the roll's of test exposures. Raises `TetherError` for a picture that is gone.
    """
    with closing(proof_worker()) as worker:
        for page in proof.pages:
            numbers = sorted(page.frames)
            worker.start()
            cells = worker.call(
                "cells", folder / page.file, roll.process, [page.frames[n] for n in numbers],
                timeout=RAW_SECONDS,
            )  # fmt: skip
            yield from zip(numbers, cells, strict=True)


def proof_sheet(roll: Roll, proof: Proof, cells: Mapping[int, bytes], paper: str) -> bytes:
    """Return the sheet as PDF, `_COLUMNS` frames a row; circled frames have a ring and their word.

    ``paper`` is a key of `tether.pdf.PAPERS`.
    """
    width, height = PAPERS[paper]
    pages = Pages(paper, f"Proof of {roll.name}", roll.description.photographer)
    side = (width - 2 * _MARGIN - (_COLUMNS - 1) * _GAP) / _COLUMNS
    row = side * 0.75 + _LABEL
    rows = max(1, int((height - 2 * _MARGIN - 14) // row))
    for index, number in enumerate(sorted(cells)):
        place = index % (rows * _COLUMNS)
        if place == 0:
            pages.page()
            pages.words((_MARGIN, _MARGIN), f"Proof of {roll.name}", 5.0, width=width - 60)
            circled = f"{len(proof.circled)} of {len(proof.frames)} circled"
            pages.words((width - _MARGIN, _MARGIN + 1), circled, 3.2, right=True)
        left = _MARGIN + place % _COLUMNS * (side + _GAP)
        top = _MARGIN + 12 + place // _COLUMNS * row
        wanted = number in proof.circled
        picture = ringed(cells[number]) if wanted else Image.open(io.BytesIO(cells[number]))
        pages.picture(picture, (left, top, side, side * 0.7))
        label = f"{number} ○ {proof.circled[number]}".rstrip() if wanted else f"{number}"
        pages.words((left, top + side * 0.7 + 0.6), label, 3.0, width=side)
    return pages.as_bytes()


def ringed(cell: bytes) -> Image.Image:
    """Return a small positive with a ring around its middle, as a grease pencil draws it."""
    picture = Image.open(io.BytesIO(cell)).convert("RGB")
    width, height = picture.size
    pen = max(3, width // 60)
    ImageDraw.Draw(picture).ellipse(
        (2 * pen, 2 * pen, width - 2 * pen, height - 2 * pen), outline=_RING, width=pen
    )
    return picture
