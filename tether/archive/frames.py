"""Frames and their files in the database."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Sequence

from tether.archive.database import Database
from tether.archive.journal import mark_handled, owe_copy
from tether.archive.layout import BENCH_FOLDER
from tether.archive.records import (
    LARGEST_FILE,
    LONGEST_ROLL,
    MOST_TAKES,
    Capture,
    Companion,
    Frame,
    FrameState,
    Recorded,
    Roll,
    checksum,
    utf8_safe,
    within,
)
from tether.camera.protocol import CardFile
from tether.description import FrameDescription
from tether.facts import Facts
from tether.findings import Verdict
from tether.text import parsed_json


class Frames:
    """Frames, what was decided about them, and their files."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def of(self, roll: Roll) -> tuple[Frame, ...]:
        """Return all frames of a roll in order, with their captures."""
        rows = self._db.all("SELECT * FROM frame WHERE roll_id = ?", roll.id)
        companions: dict[int, list[str]] = {}
        for r in self._db.all(
            "SELECT capture_id, file_name FROM companion WHERE roll_id = ?", roll.id
        ):
            companions.setdefault(r["capture_id"], []).append(r["file_name"])
        captures: dict[int, list[Capture]] = {}
        for capture in self._db.read(
            lambda row: _capture_of(row, companions.get(row["id"], [])),
            f"SELECT {_COLUMNS} FROM capture WHERE roll_id = ? ORDER BY id",
            roll.id,
        ):
            captures.setdefault(capture.frame, []).append(capture)
        with self._db.making_sense():
            states = {
                within("frame", r["number"], 1, LONGEST_ROLL): (
                    FrameState(r["state"]),
                    r["note"],
                    FrameDescription.from_text(r["description"]),
                )
                for r in rows
            }
        last = max([roll.frames_expected, *states, *captures])
        return tuple(
            Frame(n, state, note, tuple(captures.get(n, ())), description)
            for n in range(1, last + 1)
            for state, note, description in [states.get(n, _UNTOUCHED)]
        )

    def next_take(self, roll_id: int, frame: int) -> int:
        """Return the number of the next capture of a frame, 1 for the first."""
        row = self._db.one(
            "SELECT max(take) AS last FROM capture WHERE roll_id = ? AND frame = ?", roll_id, frame
        )
        return int(row["last"] or 0) + 1 if row else 1

    def add_release(
        self,
        roll: Roll,
        captures: Sequence[Capture],
        companions: Iterable[Companion] = (),
        *,
        intents: Iterable[int] = (),
        card: tuple[str, Iterable[CardFile]] | None = None,
        log: Iterable[str] = (),
    ) -> tuple[Capture, ...]:
        """Record all files of one release that are in the archive, as one transaction.

        With it end the ``intents`` that were begun for them, the files on the ``card`` (camera
        and files) count as fetched, the ``log`` gets its lines, and the copy folder is owed a copy.
        """
        added: list[int] = []
        with self._db.change() as db:
            for capture in captures:
                added.append(_insert(db, roll.id, capture))
            for c in companions:
                beside = db.execute(
                    "SELECT id FROM capture WHERE roll_id = ? AND frame = ? AND take = ?",
                    (roll.id, c.frame, c.take),
                ).fetchone()
                db.execute(
                    "INSERT OR IGNORE INTO companion (roll_id, file_name, capture_id, size, "
                    "sha256) VALUES (?, ?, ?, ?, ?)",
                    (roll.id, c.file_name, beside["id"] if beside else None, c.size, c.sha256),
                )
            owe_copy(db, roll.id)
            for intent in intents:
                db.execute("DELETE FROM intent WHERE id = ?", (intent,))
            for camera, files in [card] if card else []:
                mark_handled(db, camera, files)
            frame = captures[0].frame if captures else None
            db.executemany(
                "INSERT INTO log (at, roll_id, frame, kind, text) VALUES (?, ?, ?, 'capture', ?)",
                [(self._db.stamp(), roll.id, frame, text) for text in log],
            )
        return tuple(self._capture(i) for i in added)

    def _capture(self, capture_id: int) -> Capture:
        beside = self._db.all("SELECT file_name FROM companion WHERE capture_id = ?", capture_id)
        (capture,) = self._db.read(
            lambda row: _capture_of(row, [r["file_name"] for r in beside]),
            f"SELECT {_COLUMNS} FROM capture WHERE id = ?",
            capture_id,
        )
        return capture

    def newest(self, limit: int, before: int | None = None) -> list[tuple[int, str, int, int, int]]:
        """Return captures taken at the bench, the newest first: number, time, roll, frame, bytes.

        ``before`` is the number of the last one of the page before.
        """
        rows = self._db.all(
            "SELECT id, taken_at, roll_id, frame, size FROM capture WHERE id < ? "
            "AND origin IN ('program', 'button', 'card') ORDER BY id DESC LIMIT ?",
            (1 << 62) if before is None else before,
            limit,
        )
        return [tuple(row) for row in rows]

    def companions(self, roll_id: int) -> list[Companion]:
        """Return the files of a roll that came beside its captures."""
        return [
            Companion(r["file_name"], r["size"], r["sha256"], r["frame"], r["take"])
            for r in self._db.all(
                "SELECT p.*, c.frame, c.take FROM companion p LEFT JOIN capture c "
                "ON c.id = p.capture_id WHERE p.roll_id = ? ORDER BY p.file_name",
                roll_id,
            )
        ]

    def recorded(self, roll_id: int) -> list[tuple[str, int, str]]:
        """Return every file of a roll as (name, bytes, SHA-256), captures first.

        A test shot's name begins with the folder that they are in.
        """
        return self._db.read(
            _recorded_of,
            "SELECT 0 AS k, id, file_name, size, sha256 FROM capture WHERE roll_id = ? "
            "UNION ALL SELECT 1, 0, file_name, size, sha256 FROM companion WHERE roll_id = ? "
            f"UNION ALL SELECT 2, 0, '{BENCH_FOLDER}/' || file_name, size, sha256 FROM trial "
            "WHERE roll_id = ? ORDER BY 1, 2, 3",
            roll_id,
            roll_id,
            roll_id,
        )

    def file_names(self, roll_id: int) -> set[str]:
        """Return the names of all files of a roll that are recorded."""
        return {name for name, _, _ in self.recorded(roll_id)}

    def with_digest(self, sha256: str) -> Recorded | None:
        """Return where in the archive a file with these bytes is recorded, None where nowhere."""
        # The whole digest is compared here: with it in the query, SQLite passes over the index.
        for asked in (
            "SELECT f.roll_id, r.name, f.frame, f.take, f.file_name, f.size, f.sha256 "
            "FROM capture f JOIN roll r ON r.id = f.roll_id WHERE substr(f.sha256, 1, 12) = ?",
            "SELECT f.roll_id, r.name, c.frame, c.take, f.file_name, f.size, f.sha256 "
            "FROM companion f JOIN roll r ON r.id = f.roll_id "
            "LEFT JOIN capture c ON c.id = f.capture_id WHERE substr(f.sha256, 1, 12) = ?",
            f"SELECT f.roll_id, r.name, NULL, NULL, '{BENCH_FOLDER}/' || f.file_name, f.size, "
            "f.sha256 FROM trial f JOIN roll r ON r.id = f.roll_id "
            "WHERE substr(f.sha256, 1, 12) = ?",
        ):
            for row in self._db.all(asked, sha256[:12]):
                if row["sha256"] == sha256:
                    return Recorded(*row[:6])
        return None

    def bench_shots(self, roll_id: int) -> list[tuple[str, int, str]]:
        """Return the test shots of a roll as (name in their folder, bytes, SHA-256)."""
        rows = self._db.all("SELECT * FROM trial WHERE roll_id = ? ORDER BY file_name", roll_id)
        return [(r["file_name"], r["size"], r["sha256"]) for r in rows]

    def add_bench_shots(self, roll_id: int, files: Iterable[tuple[str, int, str]]) -> None:
        """Record test shots that are in their folder, as (name there, bytes, SHA-256)."""
        with self._db.change() as db:
            owe_copy(db, roll_id)
            db.executemany(
                "INSERT OR IGNORE INTO trial (roll_id, file_name, size, sha256) "
                "VALUES (?, ?, ?, ?)",
                [(roll_id, *file) for file in files],
            )

    def capture_memory(self, capture_id: int) -> bytes:
        """Return what the measurements remember of a capture, b"" for nothing."""
        row = self._db.one("SELECT memory FROM capture WHERE id = ?", capture_id)
        return bytes(row["memory"]) if row and row["memory"] else b""

    def set_capture_memory(self, capture_id: int, memory: bytes) -> None:
        """Store what the measurements remember of a capture."""
        with self._db.change() as db:
            db.execute("UPDATE capture SET memory = ? WHERE id = ?", (memory, capture_id))

    def set_judgement(self, capture_id: int, verdict: Verdict, facts: Facts, memory: bytes) -> None:
        """Store what was measured; ``memory`` is what later frames need of it."""
        with self._db.change() as db:
            db.execute(
                "UPDATE capture SET verdict = ?, facts = ?, memory = ? WHERE id = ?",
                (verdict.value, json.dumps(facts.stored), memory, capture_id),
            )

    def decide(
        self, roll_id: int, frame: int, state: FrameState, chosen: int | None = None
    ) -> None:
        """Store what was decided about a frame; its captures all stay.

        With ``chosen`` that capture stands for the frame, its memory becomes the roll's. Going to
        a frame is over once it is decided.
        """
        with self._db.change() as db:
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
        with self._db.change() as db:
            db.execute("UPDATE capture SET decision = 'other' WHERE id = ?", (capture_id,))

    def restore(
        self, roll_id: int, frame: Frame, cursor: int | None, memory_of: str | None
    ) -> None:
        """Put a frame back as it was: its state, its captures' decisions, the roll's place.

        Captures that came since stay as they are. The file ``memory_of`` is the one that the roll
        remembered, None for nothing.
        """
        with self._db.change() as db:
            db.execute(
                "UPDATE frame SET state = ? WHERE roll_id = ? AND number = ?",
                (frame.state.value, roll_id, frame.number),
            )
            db.executemany(
                "UPDATE capture SET decision = ? WHERE id = ?",
                [(capture.decision, capture.id) for capture in frame.captures],
            )
            db.execute(
                "UPDATE roll SET cursor = ?1, memory = (SELECT memory FROM capture "
                "WHERE roll_id = ?3 AND file_name = ?2) WHERE id = ?3",
                (cursor, memory_of, roll_id),
            )

    def describe(self, roll_id: int, frame: int, description: FrameDescription) -> None:
        """Store what is said of a frame."""
        with self._db.change() as db:
            db.execute(
                "INSERT INTO frame (roll_id, number, description) VALUES (?, ?, ?) "
                "ON CONFLICT (roll_id, number) DO UPDATE SET description = excluded.description",
                (roll_id, frame, utf8_safe(description.to_text())),
            )
            owe_copy(db, roll_id)

    def set_note(self, roll_id: int, frame: int, note: str) -> None:
        """Store a person's note about a frame."""
        with self._db.change() as db:
            db.execute(
                "INSERT INTO frame (roll_id, number, note) VALUES (?, ?, ?) "
                "ON CONFLICT (roll_id, number) DO UPDATE SET note = excluded.note",
                (roll_id, frame, note),
            )


_UNTOUCHED = (FrameState.OPEN, "", FrameDescription())


def _insert(db: sqlite3.Connection, roll_id: int, capture: Capture) -> int:
    added = db.execute(
        "INSERT INTO capture (roll_id, frame, take, file_name, size, sha256, taken_at, origin, "
        "decision, verdict, facts, settings) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            roll_id,
            capture.frame,
            capture.take,
            capture.file_name,
            capture.size,
            capture.sha256,
            capture.taken_at,
            capture.origin,
            capture.decision,
            capture.verdict.value,
            json.dumps(capture.facts.stored),
            json.dumps(capture.settings),
        ),
    )
    return int(added.lastrowid or 0)


_COLUMNS = (
    "id, frame, take, file_name, size, sha256, taken_at, origin, decision, verdict, facts, settings"
)


def _recorded_of(row: sqlite3.Row) -> tuple[str, int, str]:
    """Read a file's name, bytes and SHA-256."""
    size = within("size", row["size"], 1, LARGEST_FILE)
    return row["file_name"], size, checksum(row["sha256"])


def _capture_of(row: sqlite3.Row, companions: Iterable[str]) -> Capture:
    """Read a capture from a row with `_COLUMNS`."""
    return Capture(
        id=row["id"],
        frame=within("frame", row["frame"], 1, LONGEST_ROLL),
        take=within("take", row["take"], 1, MOST_TAKES),
        file_name=row["file_name"],
        size=within("size", row["size"], 1, LARGEST_FILE),
        sha256=checksum(row["sha256"]),
        taken_at=row["taken_at"],
        origin=row["origin"],
        decision=row["decision"],
        verdict=Verdict(row["verdict"]),
        facts=Facts.from_text(row["facts"]),
        settings=dict(parsed_json(row["settings"])),
        companions=tuple(companions),
    )
