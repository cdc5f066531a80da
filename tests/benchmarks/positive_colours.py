"""How near positives come to what was photographed, for the three kinds of film.

Run: python -m tests.benchmarks.positive_colours [--rolls N] [--frames 11]
Prints the mean CIEDE2000 of each roll (a roll has each of the bench's scenes once) and its worst
frame. The table in docs/evidence/positives.md comes from here.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
from pathlib import Path

from tests.positive.photographed import colour_difference, photograph, printed, renderings_of
from tether.film import FilmProcess
from tether.settings import PositiveSettings


def main() -> None:
    """Photograph rolls, print them, compare."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rolls", type=int, default=3)
    parser.add_argument("--frames", type=int, default=11)
    given = parser.parse_args()
    for process in FilmProcess:
        for seed in range(1, given.rolls + 1):
            with tempfile.TemporaryDirectory() as folder:
                shots = photograph(Path(folder), process, given.frames, seed)
                found = [
                    colour_difference(printed(shot, rendering), shot, process)
                    for shot, rendering in zip(
                        shots, renderings_of(shots, process, PositiveSettings()), strict=True
                    )
                ]
            each = " ".join(f"{value:.1f}" for value in found)
            print(
                f"{process.value:16} roll {seed}: mean {statistics.mean(found):.2f}, "
                f"worst {max(found):.1f}; frames {each}",
                flush=True,
            )


if __name__ == "__main__":
    main()
