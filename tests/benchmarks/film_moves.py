"""How many moves of made film are counted right: ``python -m tests.benchmarks.film_moves``."""

from __future__ import annotations

import sys
import time

from tests.film_moves import try_moves


def main(moves: int = 500, seed: int = 7) -> None:
    """Print a row for each speed that the hand may reach, in millimetres a second."""
    print(
        f"{'mm/s':>5} {'moves':>6} {'right':>6} {'told':>5} {'lost':>5} {'false':>6} {'worst':>6}"
    )
    for fastest in (80.0, 150.0, 200.0):
        began = time.perf_counter()
        t = try_moves(moves, seed, fastest=fastest)
        print(
            f"{fastest:5.0f} {t.moves:6} {t.right:6} {t.told:5} {t.lost:5} {t.false:6} "
            f"{t.worst_mm:5.1f}   {time.perf_counter() - began:.0f} s"
        )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
