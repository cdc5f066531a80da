"""Print how long it takes to find words in an archive of 100,000 rolls with captions (rows only).

``python tests/benchmarks/find.py [ROLLS [FOLDER]]``. Each roll has a place, people and 36 captions
in Latin, Chinese and Japanese letters; with a folder the rows are kept there.
"""

from __future__ import annotations

import itertools
import json
import random
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tether.archive.archive import Archive
from tether.archive.search_index import INDEX_FILE, SearchIndex, asked_words
from tether.archive.store import Store
from tether.clock import stamp, system_clock

FRAMES = 36
WORDS = [
    "quay",
    "harbour",
    "boat",
    "winter",
    "crane",
    "fisher",
    "market",
    "bridge",
    "child",
    "tower",
    "snow",
    "field",
    "street",
]
HAN = "港船冬橋市街雪塔子供朝夕川山海風"
ASKED = ("harbour", "quay winter", "h", "winterb", "港", "港船", "雪塔子", "unheard", "Roll 054321")


def fill(store: Store, rolls: int) -> None:
    """Write the rows straight into the tables."""
    db, chance = store.database._db, random.Random(1)
    db.execute("PRAGMA synchronous = OFF")
    for first in range(0, rolls, 1000):
        db.execute("BEGIN")
        for roll in range(first + 1, min(first + 1000, rolls) + 1):
            said = {"place": chance.choice(WORDS), "people": [f"Person {chance.randrange(5000)}"]}
            db.execute(
                "INSERT INTO roll (id, name, folder, process, format_key, frames_expected, "
                "strip_length, created_at, description) "
                "VALUES (?, ?, ?, 'bw-negative', '135', ?, 6, ?, ?)",
                (
                    *(roll, f"Roll {roll:06d}", f"Roll {roll:06d}", FRAMES),
                    *(stamp(system_clock()), json.dumps(said)),
                ),
            )
            db.executemany(
                "INSERT INTO frame (roll_id, number, description) VALUES (?, ?, ?)",
                [(roll, n, json.dumps({"caption": caption(chance)})) for n in range(1, FRAMES + 1)],
            )
        db.execute("COMMIT")


def caption(chance: random.Random) -> str:
    """Invent a caption of some 40 letters."""
    words = [*chance.choices(WORDS, k=4), f"word{chance.randrange(20000)}"]
    return " ".join([*words, "".join(chance.choices(HAN, k=6))])


def main(rolls: int, folder: Path) -> None:
    """Fill where nothing is, make the index, and ask."""
    with closing(Archive(folder)) as archive:
        if not archive.store.rolls.totals().rolls:
            fill(archive.store, rolls)
        began = time.perf_counter()
        SearchIndex(archive.store, archive.root).close()
        size = (folder / INDEX_FILE).stat().st_size
        print(f"index made or opened in {time.perf_counter() - began:.1f} s, {size / 1e6:.0f} MB")
        for asked in ASKED:
            times = []
            for _ in range(3):
                began = time.perf_counter()
                with closing(SearchIndex(archive.store, archive.root)) as index:
                    hits = list(itertools.islice(index.find(asked_words([asked]), 50), 50))
                times.append(1000 * (time.perf_counter() - began))
            print(f"{asked:<14} {len(hits):>3} hits {max(times):7.1f} ms at most, opening included")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as made:
        kept = Path(sys.argv[2]) if len(sys.argv) > 2 else Path(made)
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000, kept)
