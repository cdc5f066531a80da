"""The record of a roll's proof: its pages, the place of each frame on them, and the circles.

It is in the roll's folder of test exposures, with the pictures of the pages: those are verified
and copied like everything else there. A proof that makes no sense is none.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from tether.archive.fact_files import FactFileUnusable, read_json, write_json
from tether.archive.layout import is_safe_name
from tether.archive.records import LONGEST_ROLL
from tether.facts import Corners
from tether.text import printable

PROOF_FILE = "proof.json"
VERSION = 1
LONGEST_WORD = 60


@dataclass(frozen=True, slots=True)
class ProofPage:
    """A picture of sleeves.

    Attributes
    ----------
    file
        Its name in the folder of test exposures.
    frames
        Corners of each frame by its number, in pixels of the picture: as one reads the frame, its
        upper left first, upper right, lower right, lower left.
    """

    file: str
    frames: Mapping[int, Corners]


@dataclass(frozen=True, slots=True)
class Proof:
    """A roll's pages, and its circled frames, each with a word of the person or ""."""

    pages: tuple[ProofPage, ...] = ()
    circled: Mapping[int, str] = field(default_factory=dict)

    @property
    def frames(self) -> tuple[int, ...]:
        """The numbers of all frames that are on a page, in order."""
        return tuple(sorted({n for page in self.pages for n in page.frames}))

    def with_circles(self, changed: Mapping[int, str | None]) -> Proof:
        """Return it with frames circled (with a word, or "") or, for None, no longer circled."""
        circled = dict(self.circled) | {n: w for n, w in changed.items() if w is not None}
        for number, word in changed.items():
            if word is None:
                circled.pop(number, None)
        return replace(self, circled=dict(sorted(circled.items())))


def read_proof(folder: Path) -> Proof:
    """Return the proof that lies in a roll's folder of test exposures; an empty one for none."""
    try:
        stored = read_json(folder / PROOF_FILE)
    except FactFileUnusable:
        return Proof()
    if stored.get("version") != VERSION:
        return Proof()
    pages = stored.get("pages")
    circled = stored.get("circled")
    return Proof(
        tuple(_pages(pages if isinstance(pages, list) else [])),
        dict(sorted(_words(circled if isinstance(circled, dict) else {}))),
    )


def write_proof(folder: Path, proof: Proof) -> None:
    """Store a proof; raises `FactFileUnusable` when the disk does not take it."""
    pages = [
        {
            "file": page.file,
            "frames": {
                str(n): [[round(x, 1), round(y, 1)] for x, y in corners]
                for n, corners in sorted(page.frames.items())
            },
        }
        for page in proof.pages
    ]
    circled = {str(n): word for n, word in proof.circled.items()}
    write_json(folder / PROOF_FILE, {"version": VERSION, "pages": pages, "circled": circled})


def _pages(stored: list[Any]) -> Iterator[ProofPage]:
    for page in stored:
        if not isinstance(page, dict) or not is_safe_name(page.get("file")):
            continue
        found = page.get("frames")
        yield ProofPage(page["file"], dict(_frames(found if isinstance(found, dict) else {})))


def _frames(stored: Mapping[str, Any]) -> Iterator[tuple[int, Corners]]:
    for key, corners in stored.items():
        number = _number(key)
        try:
            quad = tuple((float(x), float(y)) for x, y in corners)
        except (TypeError, ValueError):
            continue
        if number and len(quad) == 4:
            yield number, quad


def _words(stored: Mapping[str, Any]) -> Iterator[tuple[int, str]]:
    for key, word in stored.items():
        if number := _number(key):
            yield number, printable(word, LONGEST_WORD) if isinstance(word, str) else ""


def _number(key: object) -> int:
    """Return a frame's number, 0 for what is none."""
    text = str(key)
    return int(text) if text.isdecimal() and 1 <= int(text[:6]) <= LONGEST_ROLL else 0
