"""Print how an archive of 100,000 rolls and 3.6 million frames behaves (rows only, no files).

``python tests/benchmarks/large_archive.py [ROLLS [FOLDER]]``; the rows take minutes and some GB.
With a folder they are kept there, and measured at once the next time.
"""

from __future__ import annotations

import itertools
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tether.archive.archive import Archive
from tether.archive.records import Capture, FrameState, NewRoll
from tether.archive.rolls import RollFilter
from tether.archive.store import Store
from tether.camera.protocol import CardFile
from tether.clock import stamp, system_clock
from tether.film import FilmProcess
from tether.reports.rolls import NEWEST, listing, listing_json, listing_text
from tether.session.next_step import find_next_step

FRAMES = 36
FACTS = '{"verdict": "keep", "findings": [], "base_ev": -0.5, "padding": "%s"}' % ("x" * 700)


def fill(store: Store, rolls: int) -> None:
    """Write the rows straight into the tables; the triggers count as they would in the work."""
    db = store.database._db
    db.execute("PRAGMA synchronous = OFF")
    for first in range(0, rolls, 1000):
        db.execute("BEGIN")
        for number in range(first, min(first + 1000, rolls)):
            roll = number + 1
            db.execute(
                "INSERT INTO roll (id, name, folder, process, format_key, frames_expected, "
                "strip_length, created_at) VALUES (?, ?, ?, 'bw-negative', '135', ?, 6, ?)",
                (roll, f"Roll {roll:06d}", f"Roll {roll:06d}", FRAMES, stamp(system_clock())),
            )
            done = FRAMES if number % 10 else number % FRAMES
            db.executemany(
                "INSERT INTO frame (roll_id, number, state) VALUES (?, ?, 'kept')",
                [(roll, n) for n in range(1, done + 1)],
            )
            db.executemany(
                "INSERT INTO capture (roll_id, frame, take, file_name, size, sha256, taken_at, "
                "origin, decision, verdict, facts) VALUES (?, ?, 1, ?, 91000000, ?, ?, 'program', "
                "'chosen', 'keep', ?)",
                [
                    (
                        roll,
                        n,
                        f"Roll {roll:06d}_f{n:03d}_t1.dng",
                        f"{roll * 64 + n:064x}",
                        stamp(system_clock()),
                        FACTS,
                    )
                    for n in range(1, done + 1)
                ],
            )
            db.executemany(
                "INSERT INTO card_file (camera, folder, name, size, modified) VALUES "
                "('a/b/1', '/DCIM', ?, 91000000, ?)",
                [(f"IMG{n:04d}.DNG", roll * 3600 + n) for n in range(1, done + 1)],
            )
            db.executemany(
                "INSERT INTO log (at, roll_id, frame, kind, text) "
                "VALUES (?, ?, ?, 'choice', 'Kept')",
                [(stamp(system_clock()), roll, n) for n in range(1, done + 1)],
            )
        db.execute("COMMIT")
    db.execute("PRAGMA synchronous = FULL")
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def timed(what: str, do: Callable[[], object], times: int = 5) -> None:
    """Print the median and the worst of some runs, in milliseconds."""
    took = []
    for _ in range(times):
        begun = time.perf_counter()
        do()
        took.append(1000 * (time.perf_counter() - begun))
    print(f"{what:<58} {statistics.median(took):8.1f} ms  (worst {max(took):.1f})", flush=True)


def main() -> None:
    """Fill an archive and print what takes how long."""
    rolls = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    kept = Path(sys.argv[2]) if len(sys.argv) > 2 else None
    with tempfile.TemporaryDirectory(prefix="large-archive-") as temporary:
        folder = str(kept or temporary)
        path = Path(folder) / "tether.sqlite3"
        if not path.exists():
            path.parent.mkdir(exist_ok=True)
            store = Store(path)
            begun = time.perf_counter()
            fill(store, rolls)
            print(f"{rolls} rolls filled in {time.perf_counter() - begun:.0f} s")
            store.close()
        print(f"{rolls} rolls, {path.stat().st_size / 1e9:.1f} GB")

        timed("open the database", lambda: Store(path).close())
        timed("open it for reading only", lambda: Store(path, read_only=True).close())
        store = Store(path)
        name = f"Roll {rolls // 2 + 1:06d}"

        def resume() -> None:
            roll = store.rolls.named(name)
            store.journal.last_sitting()
            store.journal.intents(roll.id)
            card = [CardFile("/DCIM", f"IMG{n:04d}.DNG", 91000000, n) for n in range(1000)]
            store.journal.unknown_card_files("a/b/1", card)
            frames = store.frames.of(roll)
            store.frames.recorded(roll.id)
            find_next_step(roll, frames, [], short=False)

        timed("resume a roll, with a card of 1,000 files", resume)
        timed("totals of all rolls", store.rolls.totals)
        timed("the newest 200 rolls with their progress", lambda: store.rolls.progress(200))
        timed("200 rolls from the middle", lambda: store.rolls.progress(200, before=rolls // 2))
        timed(
            "the newest 200 unfinished rolls",
            lambda: store.rolls.progress(200, unfinished=True),
        )
        timed("what the screen offers to go on with", lambda: store.rolls.at_hand(200))
        timed("the newest unfinished roll", lambda: next(store.rolls.unfinished()))
        archive = Archive(Path(folder), create=False)
        timed("tether rolls", lambda: listing_text(archive, NEWEST))
        timed(
            "tether rolls --unfinished",
            lambda: listing_text(archive, NEWEST, RollFilter(unfinished=True)),
        )
        timed("tether rolls, all of them", lambda: listing_text(archive, rolls), 2)
        timed("tether rolls --json, all of them", lambda: list(listing_json(listing(archive))), 2)
        archive.close()
        timed("every roll with its progress, as lines", store.rolls.lines, 2)
        timed("every roll with its progress, as objects", store.rolls.progress, 2)
        timed("a file's bytes, looked for everywhere", lambda: store.frames.with_digest("f" * 64))
        roll = store.rolls.named(name)

        states = itertools.cycle([FrameState.BLANK, FrameState.KEPT])

        def keep() -> None:
            store.frames.decide(roll.id, 20, next(states))

        timed("decide about a frame (one flushed transaction)", keep)
        take = itertools.count(store.frames.next_take(roll.id, 20))

        def file() -> None:
            n = next(take)
            store.frames.add_release(
                roll,
                [Capture(0, 20, n, f"x{n}.dng", 1, "0" * 64, stamp(system_clock()), "program")],
            )

        timed("record a capture (one flushed transaction)", file)
        number = itertools.count(store.rolls.totals().rolls)
        timed(
            "store a new roll",
            lambda: store.rolls.add(NewRoll(f"New {next(number)}", FilmProcess.BW_NEGATIVE)),
        )
        timed("the log's newest 200 lines of a roll", lambda: store.journal.log_lines(roll.id))
        store.close()


if __name__ == "__main__":
    main()
