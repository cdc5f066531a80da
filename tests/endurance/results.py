"""The results of the long runs: one file, to which every piece adds a line.

``python -m tests.endurance.results`` writes the table of docs/evidence/loss.md from it.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
from collections import defaultdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
FILE = Path(__file__).with_name("results.jsonl")
_FOLDERS = re.compile(r"/(?:tmp|root|home|work|mnt|var)(?:/[^/\s\"'\\]+)*/")
"""Folders of the machine that a trial ran on: they say nothing to whoever reads the results."""
PAGE = ROOT / "docs" / "evidence" / "loss.md"
_BEGIN, _END = "<!-- Written by tests/endurance/results.py. -->", "<!-- Its end. -->"


def options(description: str, trials: int) -> argparse.ArgumentParser:
    """Return the options that every long run has."""
    parser = argparse.ArgumentParser(
        description=description, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("-n", "--trials", type=int, default=trials)
    parser.add_argument("-s", "--seed", type=int, default=1, help="the first one's")
    parser.add_argument("-o", "--out", type=Path, default=FILE, help="file of results")
    return parser


def add(
    out: Path,
    kind: str,
    seeds: tuple[int, int],
    counts: dict[str, int],
    wrong: dict[str, Any],
    *,
    without: str = "",
) -> int:
    """Add a piece's line to the file; return the exit code: 1 when anything was wrong.

    Parameters
    ----------
    kind
        The run, as the table names it.
    seeds
        The first and the last one.
    counts
        How often what was done; added up over the pieces.
    wrong
        What went wrong, by seed.
    without
        What was taken out of the program on purpose: then something has to be wrong.
    """
    line = {
        "run": kind,
        "date": f"{datetime.now(UTC):%Y-%m-%d %H:%M}",
        "commit": _git("rev-parse", "--short=7", "HEAD"),
        "changed": bool(_git("status", "--porcelain", "-uno", "--", "tether", "tests", "mocks")),
        "seeds": list(seeds),
        "counts": counts,
        "wrong": wrong,
    } | ({"without": without} if without else {})
    with out.open("a", encoding="utf-8") as file:
        file.write(_FOLDERS.sub("", json.dumps(line)) + "\n")
    print(f"{kind}: {counts}, {len(wrong)} wrong; see {out}")
    return 1 if wrong else 0


def _git(*words: str) -> str:
    done = subprocess.run(["git", *words], cwd=ROOT, capture_output=True, text=True, check=False)
    return done.stdout.strip()


def read(path: Path) -> list[dict[str, Any]]:
    """Return the lines of a file of results."""
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def table(lines: list[dict[str, Any]]) -> str:
    """Return the results as two tables: what was run, and what was taken out on purpose.

    A piece of which every seed was run before runs them again: it adds nothing to what was done,
    and a seed that is right by then counts as mended.
    """
    runs: dict[str, list[dict[str, Any]]] = defaultdict(list)
    broken = [line for line in lines if line.get("without")]
    for line in lines:
        if not line.get("without"):
            runs[line["run"]].append(line)
    rows = ["| run | done | mended | wrong | at commits |", "|---|---|---:|---:|---|"]
    for kind, pieces in runs.items():
        counts: dict[str, int] = defaultdict(int)
        ever: set[int] = set()
        wrong: set[int] = set()
        seen: set[int] = set()
        for piece in pieces:
            seeds = set(range(piece["seeds"][0], piece["seeds"][1] + 1))
            for what, number in piece["counts"].items():
                counts[what] += number if not seeds <= seen else 0
            seen |= seeds
            wrong = (wrong - seeds) | {int(seed) for seed in piece["wrong"]}
            ever |= wrong
        done = ", ".join(f"{number:,} {what}" for what, number in counts.items())
        commits = ", ".join(dict.fromkeys(piece["commit"] for piece in pieces))
        rows.append(f"| {kind} | {done} | {len(ever - wrong)} | {len(wrong)} | {commits} |")
    rows += [
        "",
        "| taken out on purpose | trials | found wrong in | commit |",
        "|---|---|---:|---|",
    ]
    for line in broken:
        trials = line["seeds"][1] - line["seeds"][0] + 1
        done = ", ".join(f"{number:,} {what}" for what, number in line["counts"].items() if number)
        rows.append(
            f"| {line['without']} | {trials} ({line['run']}: {done}) | {len(line['wrong'])} | "
            f"{line['commit']} |"
        )
    return "\n".join(rows)


def main() -> None:
    before, _, rest = PAGE.read_text(encoding="utf-8").partition(_BEGIN)
    after = rest.partition(_END)[2]
    text = f"{before}{_BEGIN}\n\n{table(read(FILE))}\n\n{_END}{after}"
    PAGE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
