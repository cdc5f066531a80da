"""Show what has changed in the stored pictures of screens, as text, in a terminal.

Run ``python -m tests.snapshots.what_changed`` from the project's folder: of each picture whose
text differs from the last commit's the changed lines are printed, old and new side by side where
the terminal has room for both, otherwise under each other. Pictures that differ in colours only
are named.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
from collections.abc import Iterator
from itertools import zip_longest
from pathlib import Path
from xml.etree import ElementTree

FOLDERS = ("tests/snapshots", "docs/pictures")
_TEXT = "{http://www.w3.org/2000/svg}text"
_CHARACTER = 12.2
_LINE = 24.4
"""Width and height of a character, in the units of the pictures that Rich writes."""


def lines_of(picture: str) -> list[str]:
    """Return the lines of a screen's picture, an SVG, as they stand in the terminal."""
    rows: dict[int, str] = {}
    for part in ElementTree.fromstring(picture).iter(_TEXT):
        if "clip-path" not in part.attrib:
            continue  # the window's title
        row = round((float(part.attrib["y"]) - 20) / _LINE)
        column = round(float(part.attrib["x"]) / _CHARACTER)
        text = (part.text or "").replace("\N{NO-BREAK SPACE}", " ").rstrip("\n")
        rows[row] = rows.get(row, "").ljust(column) + text
    return [rows.get(row, "").rstrip() for row in range(max(rows, default=-1) + 1)]


def comparison(old: list[str], new: list[str], width: int, whole: bool = False) -> Iterator[str]:
    """Yield the lines that show what differs between two pictures in ``width`` columns."""
    column = max(map(len, [*old, *new]), default=0)
    beside = 2 * column + 3 <= width
    for number, (before, after) in enumerate(zip_longest(old, new, fillvalue=""), start=1):
        changed = before != after
        if not (changed or whole):
            continue
        if beside:
            yield f"{before.ljust(column)} {'>' if changed else '|'} {after}"
        elif changed:
            yield from (f"{number:>3} - {before}", f"{number:>3} + {after}")
        else:
            yield f"{number:>3}   {before}"


def _git(*words: str) -> str:
    return subprocess.run(["git", *words], check=True, capture_output=True, text=True).stdout


def main() -> None:
    """Print what has changed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--against", default="HEAD", metavar="COMMIT")
    parser.add_argument("--whole", action="store_true", help="all lines, not only what differs")
    given = parser.parse_args()
    stored = set(_git("ls-tree", "-r", "-z", "--name-only", given.against, *FOLDERS).split("\0"))
    there = {str(path) for folder in FOLDERS for path in Path(folder).rglob("*.svg")}
    width = shutil.get_terminal_size().columns
    colours = []
    for name in sorted(there | {name for name in stored if name.endswith(".svg")}):
        old = _git("show", f"{given.against}:{name}") if name in stored else ""
        new = Path(name).read_text("utf-8") if name in there else ""
        if old == new:
            continue
        if not new:
            print(f"\n{name}  (gone)")
            continue
        before, after = lines_of(old) if old else [], lines_of(new)
        if before == after:
            colours.append(name)
        else:
            fate = "" if old else "  (new)"
            print(f"\n{name}{fate}", *comparison(before, after, width, given.whole), sep="\n")
    if colours:
        print("\nThe same text in other colours or places:", *colours, sep="\n")


if __name__ == "__main__":
    main()
