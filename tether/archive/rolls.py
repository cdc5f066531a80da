"""The store's part about rolls and how far they are."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator

from tether.archive.database import Database
from tether.archive.layout import apart, folder_name
from tether.archive.records import NewRoll, Roll, RollError
from tether.archive.rows import ROLL_COLUMNS, RollLine, RollProgress, Totals, roll_of
from tether.text import printable


class Rolls(Database):
    """Rolls: new ones, the one by its name, the list of them."""

    def add_roll(
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
            if self.one("SELECT 1 FROM roll WHERE folder = ? COLLATE NOCASE", folder):
                folder = apart(folder, new.name)
        try:
            with self.change() as db:
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
                        created_at or self.stamp(),
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
            When there is none; the message names the newest rolls.
        """
        row = self.one(f"SELECT {ROLL_COLUMNS} FROM roll r WHERE r.name = ?", name)
        if row is None:
            like = [r["name"] for r in self.all("SELECT name FROM roll ORDER BY id DESC LIMIT 5")]
            known = f"Its newest rolls: {', '.join(map(printable, like))}." if like else ""
            raise RollError(
                f"The archive has no roll '{printable(name)}'.",
                kept=known or "It holds no rolls yet.",
                todo="Check the name with 'tether rolls', or start it with 'tether shoot'.",
            )
        return roll_of(row)

    def roll_by_id(self, roll_id: int) -> Roll:
        """Return a roll that is known to be there, as it is stored now."""
        row = self.one(f"SELECT {ROLL_COLUMNS} FROM roll r WHERE r.id = ?", roll_id)
        assert row is not None, "a roll is never deleted"
        return roll_of(row)

    def has_roll(self, name: str) -> bool:
        """Tell whether a roll of that name is stored."""
        return self.one("SELECT 1 FROM roll WHERE name = ?", name) is not None

    def rolls(self) -> Iterator[Roll]:
        """Yield every roll, oldest first; a hundred are held in memory at a time."""
        last = 0
        while page := self.all(
            f"SELECT {ROLL_COLUMNS} FROM roll r WHERE r.id > ? ORDER BY r.id LIMIT 100", last
        ):
            yield from map(roll_of, page)
            last = page[-1]["id"]

    def change_roll(self, roll_id: int, *, frames_expected: int) -> None:
        """Change how many frames a roll has."""
        with self.change() as db:
            db.execute(
                "UPDATE roll SET frames_expected = ? WHERE id = ?", (frames_expected, roll_id)
            )

    def move_roll(self, roll_id: int, folder: str) -> None:
        """Store the folder that a person gave a roll."""
        with self.change() as db:
            db.execute("UPDATE roll SET folder = ? WHERE id = ?", (folder, roll_id))

    def created_at(self, roll_id: int) -> str:
        """Return when a roll was first stored."""
        row = self.one("SELECT created_at FROM roll WHERE id = ?", roll_id)
        return str(row["created_at"]) if row else ""

    def set_cursor(self, roll_id: int, frame: int | None) -> None:
        """Store which frame the person asked to go to, None for the next open one."""
        with self.change() as db:
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
        rows = self.all(
            f"SELECT {ROLL_COLUMNS}, c.done, c.next_open FROM roll_count c "
            "JOIN roll r ON r.id = c.roll_id "
            f"WHERE c.roll_id < ? {'AND c.next_open IS NOT NULL ' if unfinished else ''}"
            "ORDER BY c.roll_id DESC LIMIT ? OFFSET ?",
            (1 << 62) if before is None else before,
            -1 if limit is None else limit,
            skip,
        )
        return [
            RollProgress(
                roll_of(row),
                row["done"],
                row["next_open"] if row["cursor"] is None else row["cursor"],
            )
            for row in reversed(rows)
        ]

    def lines(self, newest: int | None = None, *, unfinished: bool = False) -> list[RollLine]:
        """Return what a list shows of rolls, the newest last; see `progress`, which tells more.

        All 100,000 rolls of a large archive take about as long as 10,000 of `progress`.
        """
        found = self.all(
            "SELECT r.name, r.folder, r.process, r.format_key, c.expected, c.done, "
            "coalesce(r.cursor, c.next_open) FROM roll_count c JOIN roll r ON r.id = c.roll_id "
            f"{'WHERE c.next_open IS NOT NULL ' if unfinished else ''}"
            "ORDER BY c.roll_id DESC LIMIT ?",
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
        row = self.one("SELECT rolls, unfinished, expected, done FROM roll_total")
        assert row is not None, "the triggers keep one row"
        return Totals(row["rolls"], row["unfinished"], row["expected"], row["done"])

    def memory(self, roll_id: int) -> bytes:
        """Return what the measurements remember of the roll, b"" at its start."""
        row = self.one("SELECT memory FROM roll WHERE id = ?", roll_id)
        return bytes(row["memory"]) if row and row["memory"] else b""

    def fact(self, key: str) -> str | None:
        """Return a fact about the archive as a whole."""
        row = self.one("SELECT value FROM archive_fact WHERE key = ?", key)
        return str(row["value"]) if row else None

    def set_fact(self, key: str, value: str | None) -> None:
        """Store a fact about the archive as a whole, None to forget it."""
        with self.change() as db:
            db.execute("DELETE FROM archive_fact WHERE key = ?", (key,))
            if value is not None:
                db.execute("INSERT INTO archive_fact VALUES (?, ?)", (key, value))
