"""What is known about the archive, in SQLite: rolls, frames, captures, steps, intents, the log.

Every method is one transaction. The store knows nothing of files but their names.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tether.camera.protocol import CardFile
from tether.film import FilmProcess
from tether.session.checklist import Scope
from tether.session.names import folder_name
from tether.session.roll import Capture, Frame, FrameState, NewRoll, Roll, RollError
from tether.session.schema import open_database
from tether.text import printable


def now() -> str:
    """Return the time in UTC, ISO 8601, to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


@dataclass(frozen=True, slots=True)
class Sitting:
    """One stretch of work at the bench."""

    id: int
    started_at: str
    active_at: str
    camera: str
    short: bool


@dataclass(frozen=True, slots=True)
class Confirmed:
    """A confirmed step; ``place`` is the strip or frame number, 0 for a sitting or roll."""

    scope: Scope
    place: int
    key: str


@dataclass(frozen=True, slots=True)
class Intent:
    """Something that was begun and is not known to have ended."""

    id: int
    kind: str
    frame: int
    facts: Mapping[str, Any]
    begun_at: str


@dataclass(frozen=True, slots=True)
class RollProgress:
    """How far a roll is."""

    roll: Roll
    frames_done: int
    next_frame: int | None


class Store:
    """The database of one archive. Safe to use from several threads, one call at a time."""

    def __init__(self, path: Path, *, create: bool = True) -> None:
        self.path = path
        self._lock = threading.RLock()
        self._db = open_database(path, create=create)

    def close(self) -> None:
        """Close the database. May be called twice."""
        self._db.close()

    @contextmanager
    def _change(self) -> Iterator[sqlite3.Connection]:
        with self._lock:
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
            except BaseException:
                self._db.execute("ROLLBACK")
                raise
            self._db.execute("COMMIT")

    def _all(self, sql: str, *values: Any) -> list[sqlite3.Row]:
        with self._lock:
            return self._db.execute(sql, values).fetchall()

    def _one(self, sql: str, *values: Any) -> sqlite3.Row | None:
        with self._lock:
            row: sqlite3.Row | None = self._db.execute(sql, values).fetchone()
            return row

    # --- rolls -------------------------------------------------------------------------------

    def add_roll(self, new: NewRoll) -> Roll:
        """Store a new roll.

        Raises
        ------
        RollError
            When its facts make no sense or the name is taken.
        """
        new = new.checked()
        folder = folder_name(new.name)
        try:
            with self._change() as db:
                db.execute(
                    "INSERT INTO roll (name, folder, process, format_key, frames_expected, "
                    "strip_length, notes, created_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                    (
                        new.name,
                        folder,
                        new.process.value,
                        new.format_key,
                        new.frames_expected,
                        new.strip_length,
                        new.notes,
                        now(),
                    ),
                )
        except sqlite3.IntegrityError as error:
            raise RollError(
                f"The archive already has a roll '{printable(new.name)}'.",
                kept="Nothing was changed.",
                todo="Give the new roll another name, or go on with the old one.",
            ) from error
        return self.roll(new.name)

    def roll(self, name: str) -> Roll:
        """Return the roll of that name.

        Raises
        ------
        RollError
            When there is none; the message names rolls that read alike.
        """
        row = self._one("SELECT * FROM roll WHERE name = ?", name)
        if row is None:
            like = [r["name"] for r in self._all("SELECT name FROM roll ORDER BY id DESC LIMIT 5")]
            known = f"Its newest rolls: {', '.join(map(printable, like))}." if like else ""
            raise RollError(
                f"The archive has no roll '{printable(name)}'.",
                kept=known or "It holds no rolls yet.",
                todo="Check the name with 'tether rolls', or say what film it is to start it.",
            )
        return _roll(row)

    def roll_by_id(self, roll_id: int) -> Roll:
        """Return a roll that is known to be there, as it is stored now."""
        row = self._one("SELECT * FROM roll WHERE id = ?", roll_id)
        assert row is not None, "a roll is never deleted"
        return _roll(row)

    def has_roll(self, name: str) -> bool:
        """Tell whether a roll of that name is stored."""
        return self._one("SELECT 1 FROM roll WHERE name = ?", name) is not None

    def change_roll(self, roll_id: int, *, frames_expected: int) -> None:
        """Change how many frames a roll has."""
        with self._change() as db:
            db.execute(
                "UPDATE roll SET frames_expected = ? WHERE id = ?", (frames_expected, roll_id)
            )

    def set_cursor(self, roll_id: int, frame: int | None) -> None:
        """Store which frame the person asked to go to, None for the next open one."""
        with self._change() as db:
            db.execute("UPDATE roll SET cursor = ? WHERE id = ?", (frame, roll_id))

    def progress(self) -> list[RollProgress]:
        """Return every roll with how far it is, the newest last."""
        rows = self._all(
            "SELECT r.*, (SELECT count(*) FROM frame f WHERE f.roll_id = r.id "
            "AND f.state <> 'open' AND f.number <= r.frames_expected) AS done FROM roll r "
            "ORDER BY r.id"
        )
        return [
            RollProgress(roll := _roll(row), row["done"], self._next_open(roll)) for row in rows
        ]

    def _next_open(self, roll: Roll) -> int | None:
        decided = {
            row["number"]
            for row in self._all(
                "SELECT number FROM frame WHERE roll_id = ? AND state <> 'open'", roll.id
            )
        }
        if roll.cursor is not None:
            return roll.cursor
        return next((n for n in range(1, roll.frames_expected + 1) if n not in decided), None)

    # --- frames and captures -----------------------------------------------------------------

    def frames(self, roll: Roll) -> tuple[Frame, ...]:
        """Return all frames of a roll in order, with their captures."""
        states = {
            r["number"]: r for r in self._all("SELECT * FROM frame WHERE roll_id = ?", roll.id)
        }
        companions: dict[int, list[str]] = {}
        for r in self._all("SELECT * FROM companion WHERE roll_id = ?", roll.id):
            companions.setdefault(r["capture_id"], []).append(r["file_name"])
        captures: dict[int, list[Capture]] = {}
        for r in self._all("SELECT * FROM capture WHERE roll_id = ? ORDER BY id", roll.id):
            captures.setdefault(r["frame"], []).append(_capture(r, companions.get(r["id"], [])))
        last = max([roll.frames_expected, *states, *captures])
        return tuple(
            Frame(
                n,
                FrameState(states[n]["state"]) if n in states else FrameState.OPEN,
                states[n]["note"] if n in states else "",
                tuple(captures.get(n, ())),
            )
            for n in range(1, last + 1)
        )

    def next_take(self, roll_id: int, frame: int) -> int:
        """Return the number of the next capture of a frame, 1 for the first."""
        row = self._one(
            "SELECT max(take) AS last FROM capture WHERE roll_id = ? AND frame = ?", roll_id, frame
        )
        return int(row["last"] or 0) + 1 if row else 1

    def add_capture(
        self,
        roll: Roll,
        capture: Capture,
        *,
        companions: Iterable[tuple[str, int, str]] = (),
        intents: Iterable[int] = (),
    ) -> Capture:
        """Record a file that is in the archive, and close what was begun for it.

        ``companions`` are (file name, size, sha256) of the other files of the same release.
        """
        with self._change() as db:
            added = db.execute(
                "INSERT INTO capture (roll_id, frame, take, file_name, size, sha256, taken_at, "
                "origin, settings) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    roll.id,
                    capture.frame,
                    capture.take,
                    capture.file_name,
                    capture.size,
                    capture.sha256,
                    capture.taken_at,
                    capture.origin,
                    json.dumps(capture.settings),
                ),
            )
            for name, size, digest in companions:
                db.execute(
                    "INSERT OR IGNORE INTO companion VALUES (?, ?, ?, ?, ?)",
                    (roll.id, name, added.lastrowid, size, digest),
                )
            for intent in intents:
                db.execute("DELETE FROM intent WHERE id = ?", (intent,))
        row = self._one("SELECT * FROM capture WHERE id = ?", added.lastrowid)
        assert row is not None, "the capture was just recorded"
        return _capture(row, [c[0] for c in companions])

    def add_companion(
        self, roll_id: int, capture_id: int | None, name: str, size: int, digest: str
    ) -> None:
        """Record a file that came with, or after, a capture."""
        with self._change() as db:
            db.execute(
                "INSERT OR IGNORE INTO companion VALUES (?, ?, ?, ?, ?)",
                (roll_id, name, capture_id, size, digest),
            )

    def file_names(self, roll_id: int) -> set[str]:
        """Return the names of all files of a roll that are recorded."""
        return {
            r["file_name"]
            for r in self._all(
                "SELECT file_name FROM capture WHERE roll_id = ? UNION "
                "SELECT file_name FROM companion WHERE roll_id = ?",
                roll_id,
                roll_id,
            )
        }

    def set_judgement(
        self, capture_id: int, verdict: str, facts: Mapping[str, object], memory: bytes
    ) -> None:
        """Store what was measured; ``memory`` is what later frames need of it."""
        with self._change() as db:
            db.execute(
                "UPDATE capture SET verdict = ?, facts = ?, memory = ? WHERE id = ?",
                (verdict, json.dumps(facts), memory, capture_id),
            )

    def decide(
        self, roll_id: int, frame: int, state: FrameState, chosen: int | None = None
    ) -> None:
        """Store what was decided about a frame; its captures all stay.

        With ``chosen`` that capture stands for the frame, its memory becomes the roll's. Going to
        a frame is over once it is decided.
        """
        with self._change() as db:
            db.execute(
                "INSERT INTO frame (roll_id, number, state) VALUES (?, ?, ?) "
                "ON CONFLICT (roll_id, number) DO UPDATE SET state = excluded.state",
                (roll_id, frame, state.value),
            )
            db.execute(
                "UPDATE capture SET decision = 'other' WHERE roll_id = ? AND frame = ?",
                (roll_id, frame),
            )
            if chosen is not None:
                db.execute("UPDATE capture SET decision = 'chosen' WHERE id = ?", (chosen,))
                db.execute(
                    "UPDATE roll SET memory = coalesce((SELECT memory FROM capture WHERE id = ?), "
                    "memory) WHERE id = ?",
                    (chosen, roll_id),
                )
            db.execute(
                "UPDATE roll SET cursor = NULL WHERE id = ? AND cursor = ?", (roll_id, frame)
            )

    def set_aside(self, capture_id: int) -> None:
        """Mark a capture as not the choice; the frame stays open for another one."""
        with self._change() as db:
            db.execute("UPDATE capture SET decision = 'other' WHERE id = ?", (capture_id,))

    def set_note(self, roll_id: int, frame: int, note: str) -> None:
        """Store a person's note about a frame."""
        with self._change() as db:
            db.execute(
                "INSERT INTO frame (roll_id, number, note) VALUES (?, ?, ?) "
                "ON CONFLICT (roll_id, number) DO UPDATE SET note = excluded.note",
                (roll_id, frame, note),
            )

    def memory(self, roll_id: int) -> bytes:
        """Return what the measurements remember of the roll, b"" at its start."""
        row = self._one("SELECT memory FROM roll WHERE id = ?", roll_id)
        return bytes(row["memory"]) if row and row["memory"] else b""

    # --- sittings and steps ------------------------------------------------------------------

    def last_sitting(self) -> Sitting | None:
        """Return the latest stretch of work, None in a new archive."""
        row = self._one("SELECT * FROM sitting ORDER BY id DESC LIMIT 1")
        return _sitting(row) if row else None

    def begin_sitting(self, camera: str) -> Sitting:
        """Begin a stretch of work."""
        with self._change() as db:
            db.execute(
                "INSERT INTO sitting (started_at, active_at, camera) VALUES (?, ?, ?)",
                (now(), now(), camera),
            )
        found = self.last_sitting()
        assert found is not None, "the sitting was just stored"
        return found

    def touch_sitting(self, sitting_id: int) -> None:
        """Note that the person is at work now."""
        with self._change() as db:
            db.execute("UPDATE sitting SET active_at = ? WHERE id = ?", (now(), sitting_id))

    def set_short(self, sitting_id: int, short: bool) -> None:
        """Store whether the checklist is shortened in this sitting."""
        with self._change() as db:
            db.execute("UPDATE sitting SET short = ? WHERE id = ?", (int(short), sitting_id))

    def confirm(self, sitting_id: int, roll_id: int | None, step: Confirmed) -> None:
        """Store that a step was done."""
        with self._change() as db:
            db.execute(
                "INSERT INTO step (sitting_id, roll_id, scope, place, key) VALUES (?, ?, ?, ?, ?)",
                (sitting_id, roll_id, step.scope.value, step.place, step.key),
            )

    def confirmed(self, sitting_id: int, roll_id: int) -> list[Confirmed]:
        """Return the steps done in a sitting, for it or for a roll, in the order of doing."""
        return [
            Confirmed(Scope(r["scope"]), r["place"], r["key"])
            for r in self._all(
                "SELECT * FROM step WHERE sitting_id = ? AND (roll_id IS NULL OR roll_id = ?) "
                "ORDER BY id",
                sitting_id,
                roll_id,
            )
        ]

    # --- intents, card, log ------------------------------------------------------------------

    def begin(self, roll_id: int, kind: str, frame: int, facts: Mapping[str, Any]) -> int:
        """Store that something is about to be done; return the intent's number."""
        with self._change() as db:
            added = db.execute(
                "INSERT INTO intent (roll_id, kind, frame, facts, begun_at) VALUES (?, ?, ?, ?, ?)",
                (roll_id, kind, frame, json.dumps(dict(facts)), now()),
            )
        return int(added.lastrowid or 0)

    def end(self, intent_id: int) -> None:
        """Store that it was done, or is known not to have happened."""
        with self._change() as db:
            db.execute("DELETE FROM intent WHERE id = ?", (intent_id,))

    def intents(self, roll_id: int) -> list[Intent]:
        """Return what was begun for a roll and is not known to have ended, oldest first."""
        return [
            Intent(r["id"], r["kind"], r["frame"], json.loads(r["facts"]), r["begun_at"])
            for r in self._all("SELECT * FROM intent WHERE roll_id = ? ORDER BY id", roll_id)
        ]

    def know_card_files(self, camera: str, files: Iterable[CardFile]) -> None:
        """Remember files on a card as not waiting to be fetched."""
        with self._change() as db:
            db.executemany(
                "INSERT OR IGNORE INTO card_file VALUES (?, ?, ?, ?, ?)",
                [(camera, *card_key(f)) for f in files],
            )

    def unknown_card_files(self, camera: str, files: Iterable[CardFile]) -> list[CardFile]:
        """Return those files on a card that were not seen before."""
        known = {
            (r["folder"], r["name"], r["size"], r["modified"])
            for r in self._all("SELECT * FROM card_file WHERE camera = ?", camera)
        }
        return [f for f in files if card_key(f) not in known]

    def log(self, kind: str, text: str, roll_id: int | None = None, frame: int | None = None) -> None:
        """Add a line to the log, which only grows."""
        with self._change() as db:
            db.execute(
                "INSERT INTO log (at, roll_id, frame, kind, text) VALUES (?, ?, ?, ?, ?)",
                (now(), roll_id, frame, kind, text),
            )

    def log_lines(self, roll_id: int, last: int = 200) -> list[tuple[str, int | None, str, str]]:
        """Return the newest lines of a roll's log as (time, frame, kind, text), oldest first."""
        rows = self._all(
            "SELECT * FROM log WHERE roll_id = ? ORDER BY id DESC LIMIT ?", roll_id, last
        )
        return [(r["at"], r["frame"], r["kind"], r["text"]) for r in reversed(rows)]


def card_key(file: CardFile) -> tuple[str, str, int, int]:
    """What tells one file on a card from another, also after the counter was set back."""
    return (
        _storable(file.folder),
        _storable(file.name),
        -1 if file.size is None else file.size,
        -1 if file.modified is None else file.modified,
    )


def _storable(text: str) -> str:
    """SQLite takes no lone surrogates, which undecodable names are made of."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def _roll(row: sqlite3.Row) -> Roll:
    return Roll(
        row["id"],
        row["name"],
        row["folder"],
        FilmProcess(row["process"]),
        row["format_key"],
        row["frames_expected"],
        row["strip_length"],
        row["notes"],
        row["cursor"],
    )


def _capture(row: sqlite3.Row, companions: Iterable[str]) -> Capture:
    return Capture(
        id=row["id"],
        frame=row["frame"],
        take=row["take"],
        file_name=row["file_name"],
        size=row["size"],
        sha256=row["sha256"],
        taken_at=row["taken_at"],
        origin=row["origin"],
        decision=row["decision"],
        verdict=row["verdict"],
        facts=json.loads(row["facts"]),
        settings=json.loads(row["settings"]),
        companions=tuple(companions),
    )


def _sitting(row: sqlite3.Row) -> Sitting:
    return Sitting(
        row["id"], row["started_at"], row["active_at"], row["camera"], bool(row["short"])
    )
