"""What is known about the archive, in SQLite: rolls, frames, captures, steps, intents, the log.

Every method is one transaction. The store knows nothing of files but their names, and those are
untrusted when they are read back: `tether.archive.archive.Archive` checks them before a path
is made of them.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence
from pathlib import Path

from tether.archive.database import Database
from tether.archive.edits import Edits
from tether.archive.frames import Frames
from tether.archive.journal import Journal
from tether.archive.rolls import Rolls
from tether.archive.waiting import Waiting
from tether.clock import Clock, system_clock
from tether.text import parsed_json, printable


class Store:
    """The database of one archive. Safe to use from several threads, one call at a time.

    Takes what `Database` takes, and raises as that does.

    Attributes
    ----------
    rolls, frames, journal, waiting, edits
        What is stored, by what it is about.
    """

    def __init__(
        self,
        path: Path,
        *,
        create: bool = True,
        read_only: bool = False,
        clock: Clock = system_clock,
    ) -> None:
        self.database = Database(path, create=create, read_only=read_only, clock=clock)
        self.rolls = Rolls(self.database)
        self.frames = Frames(self.database)
        self.journal = Journal(self.database)
        self.waiting = Waiting(self.database)
        self.edits = Edits(self.database)

    def close(self) -> None:
        """Close the database. May be called twice."""
        self.database.close()

    def stamp(self) -> str:
        """Return the time as it is stored."""
        return self.database.stamp()

    def damage(self) -> list[str]:
        """Return what SQLite finds wrong in the database's file, nothing for a sound one."""
        return self.database.damage()

    def read_all(self) -> None:
        """Read all that is stored once.

        Raises
        ------
        ArchiveDatabaseDamaged
            When a value makes no sense.
        """
        sitting = self.journal.last_sitting()
        for roll in self.rolls.all():
            self.frames.of(roll)
            self.frames.recorded(roll.id)
            self.journal.intents(roll.id)
            self.journal.log_since(roll.id, 0)
            self.rolls.created_at(roll.id)
            if sitting is not None:
                self.journal.confirmed(sitting.id, roll.id)
        self.rolls.totals()
        self.rolls.lines()
        for _ in self.waiting.all():
            pass

    def database_mark(self) -> tuple[str, int]:
        """Return what marks this database, and the number of the last change of a roll's words."""
        row = self.database.one("SELECT max(id) AS last FROM find_change")
        return self.fact("find index") or "", int(row["last"] or 0) if row else 0

    def changed_since(self, mark: int) -> list[int]:
        """Return the rolls whose words were changed; those that wait have a minus."""
        rows = self.database.all("SELECT roll FROM find_change WHERE id > ? ORDER BY id", mark)
        return [int(row["roll"]) for row in rows]

    def fact(self, key: str) -> str | None:
        """Return a fact about the archive as a whole."""
        row = self.database.one("SELECT value FROM archive_fact WHERE key = ?", key)
        return str(row["value"]) if row else None

    def set_fact(self, key: str, value: str | None) -> None:
        """Store a fact about the archive as a whole, None to forget it."""
        with self.database.change() as db:
            db.execute("DELETE FROM archive_fact WHERE key = ?", (key,))
            if value is not None:
                db.execute("INSERT INTO archive_fact VALUES (?, ?)", (key, value))


_FACT = "options of the last start"
_MOST, _LONGEST = 12, 1000


def remember_options(store: Store, options: Sequence[str]) -> None:
    """Store what was written on the command line, each name with its value, to write it again."""
    before = options_of(store)
    if tuple(options) != before:
        store.set_fact(_FACT, json.dumps(list(options)) if options else None)


def options_of(store: Store, names: Collection[str] | None = None) -> tuple[str, ...]:
    """Return the options of the last start, none where they are not what this program stores.

    ``names`` are those that a command takes: others are left out with their values; None for all.
    """
    try:
        found = parsed_json(store.fact(_FACT) or "[]")
    except ValueError:
        return ()
    if not isinstance(found, list) or len(found) > _MOST or len(found) % 2:
        return ()
    if not all(isinstance(x, str) and printable(x, _LONGEST) == x for x in found):
        return ()
    pairs = zip(found[::2], found[1::2], strict=True)
    return tuple(x for pair in pairs if names is None or pair[0] in names for x in pair)
