"""Photograph rolls that vary as life does, judge them, and print how often that was right.

Run ``python -m tests.benchmarks.varied --seeds 1-40 --rows FILE``: rolls of these seeds that FILE
does not have yet are made and added to it, a line of JSON for each shot, and the table of all of
FILE is printed. Several runs may each add to a file of their own; ``--rows`` takes many and adds
to the first. Seeds below 10000 are for tuning, from 10000 on for the report: nothing may be tuned
on those. ``--only KIND`` makes one kind of mishap.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from pathlib import Path
from typing import Any

from tests.benchmarks.varied.photographs import find_photographs
from tests.benchmarks.varied.rolls import MadeRoll
from tests.benchmarks.varied.stand import Stand
from tests.benchmarks.varied.summary import table
from tether.film import FilmProcess

_ENDS = "end"


def read_rows(files: list[Path]) -> list[dict[str, Any]]:
    """Return the rows of whole rolls; what an interrupted run left of a roll is left out."""
    rows: dict[tuple[int, str], list[dict[str, Any]]] = {}
    whole: set[tuple[int, str]] = set()
    for file in files:
        if not file.exists():
            continue
        for line in file.read_text().splitlines():
            row = json.loads(line)
            key = (row["seed"], str(file))
            if row.get("made") == _ENDS:
                whole.add(key)
            else:
                rows.setdefault(key, []).append(row)
    return [row for key in sorted(rows) if key in whole for row in rows[key]]


def main() -> None:
    """Make what is asked for, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--seeds", default="", help="first and last seed, as 1-40; none: table")
    parser.add_argument("--rows", type=Path, nargs="+", required=True, help="files of JSON lines")
    parser.add_argument("--only", nargs="*", default=[], help="kinds of mishaps to make")
    parser.add_argument("--film", choices=[p.value for p in FilmProcess], help="one kind of film")
    parser.add_argument("--minutes", type=float, default=1e9, help="stop after so many minutes")
    parser.add_argument("--wrong", action="store_true", help="list what was wrong, too")
    asked = parser.parse_args()
    if asked.seeds:
        first, last = (int(n) for n in asked.seeds.split("-"))
        done = {row["seed"] for row in read_rows(asked.rows)}
        pictures = find_photographs()
        process = FilmProcess(asked.film) if asked.film else None
        began = time.monotonic()
        os.nice(19)
        for seed in range(first, last + 1):
            if seed in done or time.monotonic() - began > 60 * asked.minutes:
                continue
            roll = MadeRoll(Stand(seed, pictures, process), frozenset(asked.only))
            rows = [*roll.rows(), {"seed": seed, "made": _ENDS}]
            with asked.rows[0].open("a") as out:
                out.writelines(json.dumps(row) + "\n" for row in rows)
            print(f"seed {seed} done", file=sys.stderr, flush=True)
    print("\n".join(table(read_rows(asked.rows), wrong=asked.wrong)))


if __name__ == "__main__":
    main()
