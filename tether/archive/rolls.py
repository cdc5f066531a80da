"""Rolls in the database, and how far each is."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from typing import NamedTuple

from tether.archive.database import Database
from tether.archive.journal import owe_copy
from tether.archive.layout import folder_name, with_digest
from tether.archive.records import (
    LONGEST_ROLL,
    NewRoll,
    Roll,
    RollError,
    RollLine,
    RollProgress,
    Totals,
    utf8_safe,
    within,
)
from tether.description import RollDescription
from tether.film import FILM_FORMATS, FilmProcess
from tether.text import printable


class RollFilter(NamedTuple):
    """Which rolls a list has: those of which all is true that is asked for."""

    unfinished: bool = False
    to_check: bool = False
    """A kept frame's verdict is not *keep*."""
    not_delivered: bool = False
    """Frames are kept, and no delivery is in its log."""
    no_copy: bool = False
    """The copy folder lacks something of it."""
    box: str | None = None

    def sql(self) -> str:
        """Return the conditions; ``?1`` is the box."""
        wanted = [
            (self.unfinished, "c.next_open IS NOT NULL"),
            (
                self.to_check,
                "EXISTS (SELECT 1 FROM capture k JOIN frame f ON f.roll_id = k.roll_id "
                "AND f.number = k.frame WHERE k.roll_id = r.id AND k.decision = 'chosen' "
                "AND k.verdict <> 'keep' AND f.state = 'kept')",
            ),
            (
                self.not_delivered,
                "EXISTS (SELECT 1 FROM frame f WHERE f.roll_id = r.id AND f.state = 'kept') AND "
                "NOT EXISTS (SELECT 1 FROM log l WHERE l.roll_id = r.id AND l.kind = 'deliver')",
            ),
            (self.no_copy, "EXISTS (SELECT 1 FROM copy_behind b WHERE b.roll_id = r.id)"),
            (self.box is not None, "json_extract(r.description, '$.box') = ?1"),
        ]
        return " AND ".join(["?1 IS ?1", *(text for asked, text in wanted if asked)])


ALL_ROLLS = RollFilter()


class Rolls:
    """Rolls: new ones, the one by its name, the list of them, what is remembered of each."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def add(
        self, new: NewRoll, *, folder: str | None = None, created_at: str | None = None
    ) -> Roll:
        """Store a new roll; ``folder`` and ``created_at`` are known for one that was found.

        Raises
        ------
        RollError
            When its facts make no sense or the name is taken.
        """
        new = new.checked()
        if folder is None:
            folder = folder_name(new.name)
            # Some disks hold 'harbour' and 'Harbour' for the same folder.
            if self._db.one("SELECT 1 FROM roll WHERE folder = ? COLLATE NOCASE", folder):
                folder = with_digest(folder, new.name)
        try:
            with self._db.change() as db:
                db.execute(
                    "INSERT INTO roll (name, folder, process, format_key, frames_expected, "
                    "strip_length, notes, created_at, description) "
                    "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    (
                        new.name,
                        folder,
                        new.process.value,
                        new.format_key,
                        new.frames_expected,
                        new.strip_length,
                        new.notes,
                        created_at or self._db.stamp(),
                        utf8_safe(new.description.to_text()),
                    ),
                )
                db.execute("DELETE FROM waiting WHERE name = ?", (new.name,))
        except sqlite3.IntegrityError as error:
            raise RollError(
                f"The archive already has a roll '{printable(new.name)}'.",
                kept="Nothing was changed.",
                todo="Give the new roll another name, or resume the old one.",
            ) from error
        return self.named(new.name)

    def named(self, name: str) -> Roll:
        """Return the roll of that name.

        Raises
        ------
        RollError
            When there is none; the message names the newest rolls.
        """
        found = self._db.read(_roll_of, f"SELECT {_COLUMNS} FROM roll r WHERE r.name = ?", name)
        if not found:
            if former := self.formerly(name):
                raise RollError(
                    f"The roll '{printable(name)}' is called '{printable(former.name)}' now.",
                    todo="Use that name.",
                )
            like = [
                r["name"] for r in self._db.all("SELECT name FROM roll ORDER BY id DESC LIMIT 5")
            ]
            known = f"Its newest rolls: {', '.join(map(printable, like))}." if like else ""
            raise RollError(
                f"The archive has no roll '{printable(name)}'.",
                kept=known or "It holds no rolls yet.",
                todo="Check the name with 'tether rolls', or start it with 'tether shoot'.",
            )
        return found[0]

    def by_id(self, roll_id: int) -> Roll:
        """Return a roll that is known to be there, as it is stored now."""
        found = self._db.read(_roll_of, f"SELECT {_COLUMNS} FROM roll r WHERE r.id = ?", roll_id)
        with self._db.making_sense():  # a roll is never deleted
            return found[0]

    def in_folder(self, folder: str) -> Roll | None:
        """Return the roll whose folder has that name, None where there is none."""
        found = self._db.read(_roll_of, f"SELECT {_COLUMNS} FROM roll r WHERE folder = ?", folder)
        return found[0] if found else None

    def formerly(self, name: str) -> Roll | None:
        """Return the roll that had that name before it was given another one."""
        found = self._db.read(
            _roll_of,
            f"SELECT {_COLUMNS} FROM roll r WHERE instr(r.description, 'former_names') "
            "ORDER BY r.id DESC",
        )
        return next((roll for roll in found if name in roll.description.former_names), None)

    def has(self, name: str) -> bool:
        """Tell whether a roll of that name is stored."""
        return self._db.one("SELECT 1 FROM roll WHERE name = ?", name) is not None

    def all(self) -> Iterator[Roll]:
        """Yield every roll, oldest first; a hundred are held in memory at a time."""
        last = 0
        while page := self._db.read(
            _roll_of, f"SELECT {_COLUMNS} FROM roll r WHERE r.id > ? ORDER BY r.id LIMIT 100", last
        ):
            yield from page
            last = page[-1].id

    def change(self, roll_id: int, *, frames_expected: int) -> None:
        """Change how many frames a roll has."""
        with self._db.change() as db:
            db.execute(
                "UPDATE roll SET frames_expected = ? WHERE id = ?", (frames_expected, roll_id)
            )

    def describe(self, roll_id: int, description: RollDescription) -> None:
        """Store what is said of a roll."""
        with self._db.change() as db:
            db.execute(
                "UPDATE roll SET description = ? WHERE id = ?",
                (utf8_safe(description.to_text()), roll_id),
            )
            owe_copy(db, roll_id)

    def move(self, roll_id: int, folder: str) -> None:
        """Store the folder that a person gave a roll."""
        with self._db.change() as db:
            db.execute("UPDATE roll SET folder = ? WHERE id = ?", (folder, roll_id))

    def created_at(self, roll_id: int) -> str:
        """Return when a roll was first stored."""
        row = self._db.one("SELECT created_at FROM roll WHERE id = ?", roll_id)
        return str(row["created_at"]) if row else ""

    def set_cursor(self, roll_id: int, frame: int | None) -> None:
        """Store which frame the person asked to go to, None for the next open one."""
        with self._db.change() as db:
            db.execute("UPDATE roll SET cursor = ? WHERE id = ?", (frame, roll_id))

    def progress(
        self,
        limit: int | None = None,
        *,
        unfinished: bool = False,
        skip: int = 0,
        before: int | None = None,
    ) -> list[RollProgress]:
        """Return rolls with how far each is, the newest last.

        Parameters
        ----------
        limit
            The newest so many; None for all.
        unfinished
            Only rolls with an open frame.
        skip
            Leave out the newest so many; for a page far back ``before`` takes less time.
        before
            Only rolls older than the one with this number: the page before.
        """
        rows = self._db.read(
            _progress_of,
            f"SELECT {_COLUMNS}, c.done, c.next_open FROM roll_count c "
            "JOIN roll r ON r.id = c.roll_id "
            f"WHERE c.roll_id < ? {'AND c.next_open IS NOT NULL ' if unfinished else ''}"
            "ORDER BY c.roll_id DESC LIMIT ? OFFSET ?",
            (1 << 62) if before is None else before,
            -1 if limit is None else limit,
            skip,
        )
        return rows[::-1]

    def lines(self, newest: int | None = None, wanted: RollFilter = ALL_ROLLS) -> list[RollLine]:
        """Return what a list shows of rolls, the newest last; see `progress`, which tells more.

        All 100,000 rolls of a large archive take about as long as 10,000 of `progress`.
        """
        found = self._db.all(
            "SELECT r.name, r.folder, r.process, r.format_key, c.expected, c.done, "
            "coalesce(r.cursor, c.next_open) FROM roll_count c JOIN roll r ON r.id = c.roll_id "
            f"WHERE {wanted.sql()} ORDER BY c.roll_id DESC LIMIT ?2",
            wanted.box,
            -1 if newest is None else newest,
        )
        return [RollLine._make(row) for row in reversed(found)]

    def at_hand(self, newest: int) -> list[RollProgress]:
        """Return the ``newest`` rolls and the ``newest`` unfinished ones, the newest last."""
        found = {p.roll.id: p for p in self.progress(newest, unfinished=True)}
        found |= {p.roll.id: p for p in self.progress(newest)}
        return [found[number] for number in sorted(found)]

    def unfinished(self) -> Iterator[RollProgress]:
        """Yield every unfinished roll, the newest first; a hundred are held in memory at a time."""
        before: int | None = None
        while page := self.progress(100, unfinished=True, before=before):
            yield from reversed(page)
            before = page[0].roll.id

    def totals(self) -> Totals:
        """Return how far all rolls are together, without listing them."""
        row = self._db.one("SELECT rolls, unfinished, expected, done FROM roll_total")
        with self._db.making_sense():
            if row is None:
                raise LookupError("the sums over all rolls are missing")
            return Totals(row["rolls"], row["unfinished"], row["expected"], row["done"])

    def memory(self, roll_id: int) -> bytes:
        """Return what the measurements remember of the roll, b"" at its start."""
        row = self._db.one("SELECT memory FROM roll WHERE id = ?", roll_id)
        return bytes(row["memory"]) if row and row["memory"] else b""

    def memory_source(self, roll_id: int) -> str | None:
        """Return the file name of the capture whose memory the roll has, None for none."""
        row = self._db.one(
            "SELECT c.file_name FROM roll r JOIN capture c ON c.roll_id = r.id "
            "AND c.memory = r.memory WHERE r.id = ? ORDER BY c.id DESC LIMIT 1",
            roll_id,
        )
        return str(row["file_name"]) if row else None

    def remember_of(self, roll_id: int, file_name: str | None) -> None:
        """Make a capture's memory the roll's; None, or one without a memory: nothing."""
        with self._db.change() as db:
            db.execute(
                "UPDATE roll SET memory = (SELECT memory FROM capture WHERE roll_id = ?1 "
                "AND file_name = ?2) WHERE id = ?1",
                (roll_id, file_name),
            )


_COLUMNS = (
    "r.id, r.name, r.folder, r.process, r.format_key, r.frames_expected, r.strip_length, "
    "r.notes, r.cursor, r.description"
)


def _roll_of(row: sqlite3.Row) -> Roll:
    """Read a roll from a row with `_COLUMNS`."""
    if row["format_key"] not in FILM_FORMATS:
        raise ValueError(f"'{row['format_key']}' is no film format")
    return Roll(
        row["id"],
        row["name"],
        row["folder"],
        FilmProcess(row["process"]),
        row["format_key"],
        within("frames", row["frames_expected"], 1, LONGEST_ROLL),
        within("frames per strip", row["strip_length"], 0, LONGEST_ROLL),
        row["notes"],
        None if row["cursor"] is None else within("frame", row["cursor"], 1, LONGEST_ROLL),
        RollDescription.from_text(row["description"]),
    )


def _progress_of(row: sqlite3.Row) -> RollProgress:
    """Read how far a roll is from a row with `_COLUMNS`, ``done`` and ``next_open``."""
    roll = _roll_of(row)
    return RollProgress(roll, row["done"], row["next_open"] if roll.cursor is None else roll.cursor)
