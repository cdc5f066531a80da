"""Work at the bench in the database: sittings, confirmed steps, intents, card files, the log."""

from __future__ import annotations

import json
import sqlite3
from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any

from tether.archive.database import Database
from tether.archive.records import (
    LONGEST_ROLL,
    Confirmed,
    Intent,
    LogLine,
    Scope,
    Sitting,
    card_key,
    utf8_safe,
    within,
)
from tether.camera.protocol import CardFile
from tether.clock import moment
from tether.text import parsed_json

#: Card files a query; five values each stay below the 999 that older SQLite versions take.
_CARD_BATCH = 150


class Journal:
    """What was done at the bench, what was begun, and what is known of a camera's card."""

    def __init__(self, database: Database) -> None:
        self._db = database

    # --- stretches of work, and the steps confirmed in them ---------------------------------

    def last_sitting(self) -> Sitting | None:
        """Return the latest stretch of work, None in a new archive."""
        found = self._db.read(_sitting_of, "SELECT * FROM sitting ORDER BY id DESC LIMIT 1")
        return found[0] if found else None

    def begin_sitting(self, camera: str) -> Sitting:
        """Begin a stretch of work."""
        with self._db.change() as db:
            db.execute(
                "INSERT INTO sitting (started_at, active_at, camera) VALUES (?, ?, ?)",
                (self._db.stamp(), self._db.stamp(), camera),
            )
        found = self.last_sitting()
        assert found is not None, "the session was just stored"
        return found

    def restore_sitting(self, sitting: Sitting, roll_id: int, steps: Iterable[Confirmed]) -> None:
        """Store a stretch of work of an earlier database, and the steps confirmed in it."""
        with self._db.change() as db:
            db.execute(
                "INSERT OR IGNORE INTO sitting VALUES (?, ?, ?, ?, ?)",
                (
                    sitting.id,
                    sitting.started_at,
                    sitting.active_at,
                    sitting.camera,
                    int(sitting.short),
                ),
            )
            for step in steps:
                db.execute(
                    "INSERT INTO step (sitting_id, roll_id, scope, place, key) "
                    "SELECT ?1, ?2, ?3, ?4, ?5 WHERE ?2 IS NOT NULL OR NOT EXISTS (SELECT 1 "
                    "FROM step WHERE sitting_id = ?1 AND roll_id IS NULL AND key = ?5)",
                    (
                        sitting.id,
                        None if step.scope is Scope.SITTING else roll_id,
                        step.scope.value,
                        step.place,
                        step.key,
                    ),
                )

    def touch_sitting(self, sitting_id: int) -> None:
        """Note that the person is at work now."""
        with self._db.change() as db:
            db.execute(
                "UPDATE sitting SET active_at = ? WHERE id = ?", (self._db.stamp(), sitting_id)
            )

    def set_short(self, sitting_id: int, short: bool) -> None:
        """Store whether the checklist is shortened in this sitting."""
        with self._db.change() as db:
            db.execute("UPDATE sitting SET short = ? WHERE id = ?", (int(short), sitting_id))

    def confirm(self, sitting_id: int, roll_id: int | None, step: Confirmed) -> None:
        """Store that a step was done."""
        with self._db.change() as db:
            db.execute(
                "INSERT INTO step (sitting_id, roll_id, scope, place, key) VALUES (?, ?, ?, ?, ?)",
                (sitting_id, roll_id, step.scope.value, step.place, step.key),
            )

    def take_back(self, sitting_id: int, step: Confirmed) -> None:
        """Forget the last confirmation of a step: it was not done after all."""
        with self._db.change() as db:
            db.execute(
                "DELETE FROM step WHERE id = (SELECT max(id) FROM step WHERE sitting_id = ? "
                "AND scope = ? AND place = ? AND key = ?)",
                (sitting_id, step.scope.value, step.place, step.key),
            )

    def confirmed(self, sitting_id: int, roll_id: int) -> list[Confirmed]:
        """Return the steps done in a sitting, for it or for a roll, in the order of doing."""
        return self._db.read(
            lambda r: Confirmed(Scope(r["scope"]), r["place"], r["key"]),
            "SELECT * FROM step WHERE sitting_id = ? AND (roll_id IS NULL OR roll_id = ?) "
            "ORDER BY id",
            sitting_id,
            roll_id,
        )

    # --- what was begun and cannot be undone by a crash ---------------------------------------

    def begin(self, roll_id: int, kind: str, frame: int, facts: Mapping[str, Any]) -> int:
        """Store that something is about to be done; return the intent's number."""
        with self._db.change() as db:
            added = db.execute(
                "INSERT INTO intent (roll_id, kind, frame, facts, begun_at) VALUES (?, ?, ?, ?, ?)",
                (roll_id, kind, frame, json.dumps(dict(facts)), self._db.stamp()),
            )
        return int(added.lastrowid or 0)

    def advance(self, intent_id: int, kind: str, facts: Mapping[str, Any]) -> None:
        """Store how far something that was begun has come."""
        with self._db.change() as db:
            db.execute(
                "UPDATE intent SET kind = ?, facts = ? WHERE id = ?",
                (kind, json.dumps(dict(facts)), intent_id),
            )

    def end(self, intent_id: int) -> None:
        """Store that it was done, or is known not to have happened."""
        with self._db.change() as db:
            db.execute("DELETE FROM intent WHERE id = ?", (intent_id,))

    def intents(self, roll_id: int) -> list[Intent]:
        """Return what was begun for a roll and is not known to have ended, oldest first."""
        return self._db.read(
            _intent_of, "SELECT * FROM intent WHERE roll_id = ? ORDER BY id", roll_id
        )

    def open_releases(self, camera: str) -> list[tuple[int, Intent]]:
        """Return releases by a camera of which nothing was heard, as (roll, intent), in order."""
        return [(r, i) for r, i in self._all_intents() if i.kind == "release" and _by(i, camera)]

    def open_fetches(self, camera: str) -> list[Mapping[str, Any]]:
        """Return the facts of all releases whose files are named and not recorded yet."""
        return [i.facts for _, i in self._all_intents() if i.kind != "release" and _by(i, camera)]

    def _all_intents(self) -> list[tuple[int, Intent]]:
        return self._db.read(
            lambda r: (r["roll_id"], _intent_of(r)), "SELECT * FROM intent ORDER BY id"
        )

    # --- what is known of a camera's card and of files in a roll's folder --------------------

    def know_card_files(
        self, camera: str, files: Iterable[CardFile], *, unfetched: bool = False
    ) -> None:
        """Remember files on a card: dealt with, or ``unfetched`` and to be offered."""
        with self._db.change() as db:
            if not unfetched:
                mark_handled(db, camera, files)
                return
            db.executemany(
                "INSERT OR IGNORE INTO card_file (camera, folder, name, size, modified, dealt) "
                "VALUES (?, ?, ?, ?, ?, 0)",
                [(camera, *card_key(f)) for f in files],
            )

    def unknown_card_files(self, camera: str, files: Iterable[CardFile]) -> list[CardFile]:
        """Return those files on a card that were not seen before."""
        return [f for f, dealt in self._dealt_with(camera, list(files)) if dealt is None]

    def unfetched_card_files(self, camera: str, files: Iterable[CardFile]) -> list[CardFile]:
        """Return those files on a card that were seen and are to be offered, each once.

        Of two files that are described alike one may be dealt with and the other not.
        """
        there = Counter(files)
        return [
            f
            for f, dealt in self._dealt_with(camera, list(there))
            if dealt is not None and dealt < there[f]
        ]

    def leave_alone(self, roll_id: int, names: Iterable[str]) -> None:
        """Remember files in a roll's folder about which a person is not to be asked again."""
        with self._db.change() as db:
            db.executemany(
                "INSERT OR IGNORE INTO left_alone VALUES (?, ?)",
                [(roll_id, utf8_safe(name)) for name in names],
            )

    def left_alone(self, roll_id: int) -> set[str]:
        """Return the files of a roll's folder that are left alone."""
        rows = self._db.all("SELECT name FROM left_alone WHERE roll_id = ?", roll_id)
        return {str(r["name"]) for r in rows}

    def _dealt_with(self, camera: str, files: list[CardFile]) -> list[tuple[CardFile, int | None]]:
        """Look files up, many at a time: a card may hold thousands, and the table millions."""
        dealt: list[int | None] = [None] * len(files)
        for first in range(0, len(files), _CARD_BATCH):
            batch = files[first : first + _CARD_BATCH]
            asked = ", ".join(["(?, ?, ?, ?, ?)"] * len(batch))
            values = [v for i, f in enumerate(batch) for v in (first + i, *card_key(f))]
            for row in self._db.all(
                f"WITH asked (i, folder, name, size, modified) AS (VALUES {asked}) "
                "SELECT a.i, c.dealt FROM asked a CROSS JOIN card_file c ON c.camera = ? "
                "AND c.folder = a.folder AND c.name = a.name AND c.size = a.size "
                "AND c.modified = a.modified",
                *values,
                camera,
            ):
                dealt[row["i"]] = row["dealt"]
        return list(zip(files, dealt, strict=True))

    # --- the log, which only grows: triggers refuse everything but new lines -------------------

    def log(
        self, kind: str, text: str, roll_id: int | None = None, frame: int | None = None
    ) -> None:
        """Add a line."""
        with self._db.change() as db:
            db.execute(
                "INSERT INTO log (at, roll_id, frame, kind, text) VALUES (?, ?, ?, ?, ?)",
                (self._db.stamp(), roll_id, frame, kind, utf8_safe(text)),
            )

    def log_lines(self, roll_id: int, last: int = 200) -> list[tuple[str, int | None, str, str]]:
        """Return the newest lines of a roll's log as (time, frame, kind, text), oldest first."""
        lines = self._db.read(
            lambda r: (moment(r["at"]), r["frame"], r["kind"], r["text"]),
            "SELECT * FROM log WHERE roll_id = ? ORDER BY id DESC LIMIT ?",
            roll_id,
            last,
        )
        return lines[::-1]

    def log_since(self, roll_id: int, after: int) -> list[LogLine]:
        """Return the lines of a roll's log with a number above ``after``, in order."""
        return self._db.read(
            lambda r: LogLine(r["id"], moment(r["at"]), r["frame"], r["kind"], r["text"]),
            "SELECT * FROM log WHERE roll_id = ? AND id > ? ORDER BY id",
            roll_id,
            after,
        )

    def add_log_lines(self, roll_id: int, lines: Iterable[LogLine]) -> None:
        """Take over the lines of an earlier log with their times, and their numbers if free."""
        with self._db.change() as db:
            db.executemany(
                "INSERT INTO log (id, at, roll_id, frame, kind, text) VALUES "
                "((SELECT ?1 WHERE ?1 BETWEEN 1 AND 1000000000000 "
                "AND NOT EXISTS (SELECT 1 FROM log WHERE id = ?1)), ?2, ?3, ?4, ?5, ?6)",
                [(x.id, x.at, roll_id, x.frame, x.kind, utf8_safe(x.text)) for x in lines],
            )

    # --- which rolls the copy folder lacks something of; it outlives a stop --------------------

    def fall_behind(self, roll_id: int) -> None:
        """Store that a roll has something to be copied."""
        with self._db.change() as db:
            owe_copy(db, roll_id)

    def all_fall_behind(self) -> None:
        """Store that every roll has: the copy folder is a new one."""
        with self._db.change() as db:
            db.execute("INSERT OR IGNORE INTO copy_behind SELECT id, 1 FROM roll")

    def catch_up(self, roll_id: int, mark: int) -> None:
        """Store that a roll was copied, unless more was to be copied since."""
        with self._db.change() as db:
            db.execute("DELETE FROM copy_behind WHERE roll_id = ? AND mark = ?", (roll_id, mark))

    def behind(self, limit: int = 50) -> list[tuple[int, int]]:
        """Return the newest rolls that are behind as (roll, mark)."""
        rows = self._db.all("SELECT * FROM copy_behind ORDER BY roll_id DESC LIMIT ?", limit)
        return [(r["roll_id"], r["mark"]) for r in rows]

    def is_behind(self, roll_id: int) -> bool:
        """Tell whether a roll has something to be copied."""
        return self._db.one("SELECT 1 FROM copy_behind WHERE roll_id = ?", roll_id) is not None

    def count_behind(self) -> int:
        """Return how many rolls are behind."""
        row = self._db.one("SELECT count(*) AS n FROM copy_behind")
        return int(row["n"]) if row else 0


def _by(intent: Intent, camera: str) -> bool:
    return intent.facts.get("camera") == camera


def owe_copy(db: sqlite3.Connection, roll_id: int) -> None:
    """Store within a transaction that the copy folder lacks something of a roll."""
    db.execute(
        "INSERT INTO copy_behind VALUES (?, 1) ON CONFLICT DO UPDATE SET mark = mark + 1",
        (roll_id,),
    )


def mark_handled(db: sqlite3.Connection, camera: str, files: Iterable[CardFile]) -> None:
    """Count files on a card as handled, within a transaction."""
    db.executemany(
        "INSERT INTO card_file (camera, folder, name, size, modified, dealt) "
        "VALUES (?, ?, ?, ?, ?, 1) ON CONFLICT DO UPDATE SET dealt = dealt + 1",
        [(camera, *card_key(f)) for f in files],
    )


def _sitting_of(row: sqlite3.Row) -> Sitting:
    """Read a sitting from its row."""
    return Sitting(
        row["id"],
        moment(row["started_at"]),
        moment(row["active_at"]),
        row["camera"],
        bool(row["short"]),
    )


def _intent_of(row: sqlite3.Row) -> Intent:
    """Read an intent from its row."""
    frame = within("frame", row["frame"], 1, LONGEST_ROLL)
    facts = parsed_json(row["facts"])
    if not isinstance(facts, dict):
        raise TypeError("an intent's facts are no object")
    return Intent(row["id"], row["kind"], frame, facts, row["begun_at"])
