"""Rolls that wait: on a list, with what is known of them, and not begun yet.

They are stored apart from the rolls that have a folder, so that nothing looks for files of theirs.
A roll that is begun leaves the list.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from tether.archive.database import Database
from tether.archive.records import NewRoll, utf8_safe
from tether.archive.roll_values import changed_roll, roll_values
from tether.description import RollDescription
from tether.film import FilmProcess
from tether.text import parsed_json


@dataclass(frozen=True, slots=True)
class WaitingRoll:
    """A roll on the list. ``film_known`` is False where nobody said what kind of film it is."""

    new: NewRoll
    film_known: bool = True
    id: int = 0

    def stored(self) -> dict[str, Any]:
        """Return what is stored of it: the fields of roll.json, ``film`` null if not known."""
        return {
            "name": self.new.name,
            "film": self.new.process.value if self.film_known else None,
            "format": self.new.format_key,
            "frames_expected": self.new.frames_expected,
            "strip_length": self.new.strip_length,
            "notes": self.new.notes,
            "description": self.new.description.stored,
        }

    @classmethod
    def read(cls, stored: Mapping[str, Any], number: int = 0) -> WaitingRoll:
        """Read what is stored.

        Raises
        ------
        KeyError, TypeError, ValueError
            When it makes no sense.
        tether.archive.records.RollError
            When a name or a number does not.
        """
        film = stored["film"]
        new = NewRoll(
            str(stored["name"]),
            FilmProcess.BW_NEGATIVE if film is None else FilmProcess(film),
            str(stored["format"]),
            int(stored["frames_expected"]),
            int(stored["strip_length"]),
            str(stored.get("notes", "")),
            RollDescription.read(stored.get("description")),
        )
        return cls(new.checked(), film is not None, number)

    def changed(self, values: Mapping[str, str]) -> WaitingRoll:
        """Return it with values that a person typed; raises as `changed_roll` does."""
        new = changed_roll(self.new, values)
        return WaitingRoll(new, self.film_known or bool(values.get("film")), self.id)

    def with_film(self, said: NewRoll) -> NewRoll:
        """Return the roll to begin, with the kind of film and the facts that the command gave."""
        given = said.description.texts()
        description = self.new.description.changed(given) if given else self.new.description
        return replace(self.new, process=said.process, description=description)

    def values(self) -> dict[str, str]:
        """Return its values as a person would type them; no ``film`` where it is not known."""
        values = roll_values(self.new)
        return values if self.film_known else values | {"film": ""}


class Waiting:
    """The list of rolls that wait, in the order in which they came onto it."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def has(self, name: str) -> bool:
        """Tell whether a roll of that name waits."""
        return self._db.one("SELECT 1 FROM waiting WHERE name = ?", name) is not None

    def named(self, name: str) -> WaitingRoll | None:
        """Return the roll of that name, None where none waits."""
        found = self._db.read(_roll_of, "SELECT id, facts FROM waiting WHERE name = ?", name)
        return found[0] if found else None

    def by_id(self, number: int) -> WaitingRoll | None:
        """Return the roll of that number, None where none waits."""
        found = self._db.read(_roll_of, "SELECT id, facts FROM waiting WHERE id = ?", number)
        return found[0] if found else None

    def next(self, after: str = "") -> WaitingRoll | None:
        """Return the first roll on the list, or the one that follows a roll of it."""
        found = self._db.read(
            _roll_of,
            "SELECT id, facts FROM waiting WHERE id > "
            "coalesce((SELECT id FROM waiting WHERE name = ?), 0) ORDER BY id LIMIT 1",
            after,
        )
        return found[0] if found else None

    def all(self) -> Iterator[WaitingRoll]:
        """Yield every roll in order; some hundreds are held in memory at a time."""
        last = 0
        while page := self._db.read(
            _roll_of, "SELECT id, facts FROM waiting WHERE id > ? ORDER BY id LIMIT 500", last
        ):
            yield from page
            last = page[-1].id

    def count(self) -> int:
        """Return how many wait."""
        row = self._db.one("SELECT count(*) AS n FROM waiting")
        return int(row["n"]) if row else 0

    def restore(self, rolls: list[WaitingRoll]) -> None:
        """Put rolls on the list, but those whose names are on it or are rolls."""
        with self._db.change() as db:
            for roll in rolls:
                db.execute(
                    "INSERT OR IGNORE INTO waiting (name, facts) SELECT ?1, ?2 "
                    "WHERE NOT EXISTS (SELECT 1 FROM roll WHERE name = ?1)",
                    (roll.new.name, stored_text(roll)),
                )


def stored_text(roll: WaitingRoll) -> str:
    """Return what the database has of a roll that waits."""
    return utf8_safe(json.dumps(roll.stored(), ensure_ascii=False))


def _roll_of(row: sqlite3.Row) -> WaitingRoll:
    return WaitingRoll.read(parsed_json(row["facts"]), row["id"])
