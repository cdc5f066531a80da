"""The small values that the store hands out, and how they are read from rows."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from tether.archive.records import Capture, Roll
from tether.bench.steps import Scope
from tether.camera.protocol import CardFile
from tether.facts import Facts
from tether.film import FilmProcess
from tether.findings import Verdict
from tether.text import printable


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
    """How far a roll is; ``next_frame`` is None when it is complete."""

    roll: Roll
    frames_done: int
    next_frame: int | None


class RollLine(NamedTuple):
    """A roll in a list. ``next_frame`` is None when it is complete."""

    name: str
    folder: str
    process: str
    format_key: str
    frames_expected: int
    frames_done: int
    next_frame: int | None


@dataclass(frozen=True, slots=True)
class Totals:
    """How far the archive is as a whole."""

    rolls: int
    unfinished: int
    frames_expected: int
    frames_done: int


@dataclass(frozen=True, slots=True)
class Companion:
    """Another file of a release. ``take`` is the capture's, None without one."""

    file_name: str
    size: int
    sha256: str
    frame: int | None = None
    take: int | None = None


@dataclass(frozen=True, slots=True)
class Recorded:
    """Where a file is recorded. ``frame``, ``take``: None for one that belongs to no capture."""

    roll_id: int
    roll_name: str
    frame: int | None
    take: int | None
    file_name: str
    size: int

    def sentence(self) -> str:
        """Name the picture for a person."""
        which = f"frame {self.frame} of " if self.frame else "a file of "
        return f"{which}roll '{printable(self.roll_name, 40)}'"


def card_key(file: CardFile) -> tuple[str, str, int, int]:
    """What tells one file on a card from another, also after the counter was set back."""
    return (
        storable(file.folder),
        storable(file.name),
        -1 if file.size is None else file.size,
        -1 if file.modified is None else file.modified,
    )


def deal_with(db: sqlite3.Connection, camera: str, files: Iterable[CardFile]) -> None:
    """Count files on a card as dealt with, within a transaction."""
    db.executemany(
        "INSERT INTO card_file (camera, folder, name, size, modified, dealt) "
        "VALUES (?, ?, ?, ?, ?, 1) ON CONFLICT DO UPDATE SET dealt = dealt + 1",
        [(camera, *card_key(f)) for f in files],
    )


def storable(text: str) -> str:
    """SQLite takes no lone surrogates, which undecodable names are made of."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


ROLL_COLUMNS = (
    "r.id, r.name, r.folder, r.process, r.format_key, r.frames_expected, r.strip_length, "
    "r.notes, r.cursor"
)


def roll_of(row: sqlite3.Row) -> Roll:
    """Read a roll from a row with `ROLL_COLUMNS`."""
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


CAPTURE_COLUMNS = (
    "id, frame, take, file_name, size, sha256, taken_at, origin, decision, verdict, facts, settings"
)


def capture_of(row: sqlite3.Row, companions: Iterable[str]) -> Capture:
    """Read a capture from a row with `CAPTURE_COLUMNS`."""
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
        verdict=Verdict(row["verdict"]),
        facts=Facts.from_text(row["facts"]),
        settings=json.loads(row["settings"]),
        companions=tuple(companions),
    )


def sitting_of(row: sqlite3.Row) -> Sitting:
    """Read a sitting from its row."""
    return Sitting(
        row["id"], row["started_at"], row["active_at"], row["camera"], bool(row["short"])
    )
