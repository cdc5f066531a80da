"""What comes of many moves of a made hand: ``python -m tests.benchmarks.film_moves 1 40 FILE``.

A roll for each seed, from the first to before the second, over formats, films, views and hands; a
line for each goes to the file too, so that a long trial can be made in pieces.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

from tests.hands_free_moves import Tally, drawn_scene, try_roll


def main(first: int = 1, after: int = 20, file: str = "") -> None:
    """Print a line for each roll, and their sum."""
    moves = releases = false = missed = ended = 0
    for seed in range(first, after):
        tally, scene = Tally(), drawn_scene(np.random.default_rng((seed, 1)))
        began = time.process_time()
        ended += try_roll(seed, tally, scene, patience=150)
        moves += tally.moves
        releases += tally.counts["releases"]
        false += tally.counts["false"]
        missed += sum(" shows " in line for line in tally.wrong)
        kind = "negative" if scene.negative else "transparency"
        line = (
            f"{seed} {scene.form.key} {kind} {scene.view}: {tally.moves} moves, "
            f"odometer {max(tally.odometer_mm, default=0):.1f} mm, "
            f"{max(tally.pictures_to_release, default=0):.0f} pictures to release, "
            f"{'; '.join(tally.wrong[:3]) or 'nothing wrong'} ({time.process_time() - began:.0f} s)"
        )
        print(line, flush=True)
        if file:
            with Path(file).open("a") as out:
                out.write(line + "\n")
    print(
        f"{moves} moves, {releases} releases, {false} false, {missed} kept that show another "
        f"frame, {ended} of {after - first} rolls ended"
    )


if __name__ == "__main__":
    main(*(int(a) if a.isdecimal() else a for a in sys.argv[1:]))  # type: ignore[arg-type]
