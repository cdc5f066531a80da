"""Changing what is known of rolls and frames by hand, and taking that back as one step.

One command is one batch, however many rolls it changes: all of it is stored, or nothing. With each
change the values of before are stored. Folder and files of a roll keep their names; the names of
before are in its description.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from tether.archive.database import Database
from tether.archive.journal import owe_copy
from tether.archive.records import Frame, NewRoll, Roll, RollError, utf8_safe
from tether.archive.roll_values import (
    Change,
    changed_roll,
    differences,
    frame_values,
    roll_values,
)
from tether.archive.waiting import WaitingRoll, stored_text
from tether.description import FrameDescription, RollDescription
from tether.film import FilmProcess
from tether.text import parsed_json, printable


@dataclass(frozen=True, slots=True)
class Edit:
    """A change of one roll, frame, or roll that waits.

    Attributes
    ----------
    place
        ``roll``, ``frame`` or ``waiting``.
    owner, frame
        Number of the roll, 0 for a new one that waits; number of the frame, 0 without one.
    before, after
        What is stored of it; ``before`` is None for what is new, ``after`` for what goes.
    changes
        What is different.
    """

    place: str
    owner: int
    frame: int
    before: Mapping[str, Any] | None
    after: Mapping[str, Any] | None
    changes: tuple[Change, ...] = ()


def edit_roll(roll: Roll, frames: Iterable[Frame], values: Mapping[str, str]) -> Edit:
    """Return the change of a roll to values that a person typed, by `ROLL_KEYS`.

    Raises
    ------
    TetherError
        When a value makes no sense, or frames with pictures would be lost.
    """
    before = roll.as_new()
    new = changed_roll(before, values)
    if new.frames_expected < before.frames_expected:
        used = [f.number for f in frames if f.captures or f.note or f.description]
        if used and max(used) > new.frames_expected:
            raise RollError(
                f"Frame {max(used)} of '{printable(roll.name)}' has pictures or notes.",
                kept="Nothing was changed.",
                todo=f"Give {max(used)} frames or more.",
            )
    changes = differences(roll_values(before), roll_values(new))
    if new.name != before.name:
        former = dict.fromkeys([*new.description.former_names, before.name])
        former.pop(new.name, None)
        new = replace(new, description=replace(new.description, former_names=tuple(former)))
    return Edit("roll", roll.id, 0, _roll_facts(before), _roll_facts(new), tuple(changes))


def edit_frame(roll: Roll, frame: Frame, values: Mapping[str, str]) -> Edit:
    """Return the change of a frame to values that a person typed, by `FRAME_KEYS`.

    Raises
    ------
    TetherError
        When a value makes no sense.
    """
    said = dict(values)
    note = printable(said.pop("note", frame.note).strip(), 2000)
    new = replace(frame, note=note, description=frame.description.changed(said))
    changes = differences(frame_values(frame), frame_values(new))
    return Edit("frame", roll.id, frame.number, _frame_facts(frame), _frame_facts(new), (*changes,))


def edit_waiting(found: WaitingRoll | None, new: WaitingRoll) -> Edit:
    """Return the change of a roll that waits, or one that is new on the list."""
    changes = differences(found.values() if found else {}, new.values())
    before = found.stored() if found else None
    return Edit("waiting", found.id if found else 0, 0, before, new.stored(), tuple(changes))


def _roll_facts(new: NewRoll) -> dict[str, Any]:
    return WaitingRoll(new).stored()


def _frame_facts(frame: Frame) -> dict[str, Any]:
    return {"note": frame.note, "description": frame.description.stored}


@dataclass(frozen=True, slots=True)
class TakenBack:
    """What came of taking a batch back: the rolls whose files are to be written, and what stays."""

    what: str
    rolls: frozenset[int]
    count: int
    kept: tuple[str, ...] = field(default=())


class Edits:
    """Changes by hand in the database."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def apply(self, what: str, edits: Iterable[Edit]) -> frozenset[int]:
        """Store changes as one batch, called ``what``; return the rolls that were changed.

        Raises
        ------
        tether.archive.records.RollError
            When a name is taken. Nothing is changed.
        """
        rolls: set[int] = set()
        with _one_name_each(), self._db.change() as db:
            batch = db.execute("SELECT coalesce(max(batch), 0) + 1 FROM edit").fetchone()[0]
            for edit in edits:
                if edit.before == edit.after:
                    continue
                owner = _write(db, edit.place, edit.owner, edit.frame, edit.after)
                db.execute(
                    "INSERT INTO edit (batch, at, what, place, owner, frame, before) "
                    "VALUES (?, ?, ?, ?, ?, ?, ?)",
                    (
                        *(batch, self._db.stamp(), utf8_safe(what), edit.place),
                        *(owner, edit.frame, _text(edit.before)),
                    ),
                )
                if edit.place != "waiting":
                    rolls.add(edit.owner)
                    said = "; ".join(change.sentence() for change in edit.changes)
                    self._log(db, edit.owner, edit.frame, "edit", said)
        return frozenset(rolls)

    def _log(self, db: sqlite3.Connection, roll_id: int, frame: int, kind: str, text: str) -> None:
        db.execute(
            "INSERT INTO log (at, roll_id, frame, kind, text) VALUES (?, ?, nullif(?, 0), ?, ?)",
            (self._db.stamp(), roll_id, frame, kind, printable(utf8_safe(text), 4000)),
        )

    def last(self, roll: Roll | WaitingRoll | None = None) -> tuple[int, str] | None:
        """Return number and words of the newest batch, of a roll or of all; None without any."""
        if roll is None:
            row = self._db.one("SELECT batch, what FROM edit ORDER BY id DESC LIMIT 1")
        else:
            waits = isinstance(roll, WaitingRoll)
            row = self._db.one(
                "SELECT batch, what FROM edit WHERE owner = ? AND (place = 'waiting') = ? "
                "ORDER BY id DESC LIMIT 1",
                roll.id,
                waits,
            )
        return (row["batch"], str(row["what"])) if row else None

    def last_called(self, beginning: str) -> tuple[int, str] | None:
        """Return number and words of the newest batch whose words begin like this."""
        row = self._db.one(
            "SELECT batch, what FROM edit WHERE substr(what, 1, ?) = ? ORDER BY id DESC LIMIT 1",
            len(beginning),
            beginning,
        )
        return (row["batch"], str(row["what"])) if row else None

    def take_back(self, batch: int) -> TakenBack:
        """Store the values of before of a batch. What was changed again since stays.

        Raises
        ------
        tether.archive.records.RollError
            When a name of before is taken by now. Nothing is changed.
        """
        rolls: set[int] = set()
        kept: list[str] = []
        count, what = 0, ""
        with _one_name_each(), self._db.change() as db:
            rows = db.execute(
                "SELECT * FROM edit WHERE batch = ? ORDER BY id DESC", (batch,)
            ).fetchall()
            for row in rows:
                what = str(row["what"])
                if reason := _why_it_stays(db, row):
                    kept.append(reason)
                    continue
                with self._db.making_sense():
                    before = parsed_json(row["before"])
                    _write(db, row["place"], row["owner"], row["frame"], before)
                count += 1
                if row["place"] != "waiting":
                    rolls.add(row["owner"])
                    self._log(db, row["owner"], row["frame"], "undo", f"Undone: {what}")
            db.execute("DELETE FROM edit WHERE batch = ?", (batch,))
        return TakenBack(what, frozenset(rolls), count, tuple(kept))


def _why_it_stays(db: sqlite3.Connection, row: sqlite3.Row) -> str:
    """Say why a change cannot be taken back, "" when it can."""
    place, owner = row["place"], row["owner"]
    if (
        place == "waiting"
        and not db.execute("SELECT 1 FROM waiting WHERE id = ?", (owner,)).fetchone()
    ):
        return "A roll of the list was begun since, and stays."
    later = db.execute(
        "SELECT what FROM edit WHERE place = ? AND owner = ? AND frame = ? AND batch > ?",
        (place, owner, row["frame"], row["batch"]),
    ).fetchone()
    return f"A change of later stays: {printable(later['what'], 80)}." if later else ""


def _write(
    db: sqlite3.Connection, place: str, owner: int, frame: int, facts: Mapping[str, Any] | None
) -> int:
    """Store what is known of one roll, frame, or roll that waits; return its number."""
    if place == "waiting":
        if facts is None:
            db.execute("DELETE FROM waiting WHERE id = ?", (owner,))
            return owner
        waiting = WaitingRoll.read(facts)
        if db.execute("SELECT 1 FROM roll WHERE name = ?", (waiting.new.name,)).fetchone():
            raise _taken(waiting.new.name)
        done = db.execute(
            "INSERT INTO waiting (id, name, facts) VALUES (nullif(?, 0), ?, ?) "
            "ON CONFLICT (id) DO UPDATE SET name = excluded.name, facts = excluded.facts",
            (owner, waiting.new.name, stored_text(waiting)),
        )
        return owner or int(done.lastrowid or 0)
    if facts is None:
        raise LookupError("a roll is never deleted")
    if place == "frame":
        description = FrameDescription.read(facts["description"])
        db.execute(
            "INSERT INTO frame (roll_id, number, note, description) VALUES (?, ?, ?, ?) "
            "ON CONFLICT (roll_id, number) DO UPDATE SET note = excluded.note, "
            "description = excluded.description",
            (owner, frame, utf8_safe(str(facts["note"])), utf8_safe(description.to_text())),
        )
    else:
        name = str(facts["name"])
        if db.execute("SELECT 1 FROM waiting WHERE name = ?", (name,)).fetchone():
            raise _taken(name)
        db.execute(
            "UPDATE roll SET name = ?, process = ?, format_key = ?, frames_expected = ?, "
            "strip_length = ?, notes = ?, description = ? WHERE id = ?",
            (
                *(name, FilmProcess(facts["film"]).value, facts["format"]),
                *(facts["frames_expected"], facts["strip_length"], utf8_safe(facts["notes"])),
                utf8_safe(RollDescription.read(facts["description"]).to_text()),
                owner,
            ),
        )
    owe_copy(db, owner)
    return owner


def _text(facts: Mapping[str, Any] | None) -> str:
    return utf8_safe(json.dumps(facts, ensure_ascii=False))


@contextlib.contextmanager
def _one_name_each() -> Iterator[None]:
    """Say in words that a name is taken."""
    try:
        yield
    except sqlite3.IntegrityError as error:
        raise RollError(
            "Two rolls would have one name.", kept="Nothing was changed.", todo="Give another name."
        ) from error


def _taken(name: str) -> RollError:
    return RollError(
        f"The archive already has a roll '{printable(name)}'.",
        kept="Nothing was changed.",
        todo="Give another name.",
    )
