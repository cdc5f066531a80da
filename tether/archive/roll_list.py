"""A list of rolls as a table: its headings matched, what it would change, and the list written.

Empty cells change nothing. A value that is there already is overwritten only where that was asked
for. Number of frames, format and kind of film of a begun roll are never changed by a list.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from tether.archive.edits import Edit, edit_frame, edit_roll, edit_waiting
from tether.archive.records import Frame, NewRoll, Roll, RollError, checked_name
from tether.archive.roll_values import (
    FRAME_KEYS,
    ROLL_KEYS,
    Change,
    changed_roll,
    frame_values,
    roll_values,
)
from tether.archive.store import Store
from tether.archive.waiting import WaitingRoll
from tether.description import ROLL_FIELDS
from tether.errors import TetherError
from tether.film import FilmProcess
from tether.spreadsheet import Table, csv_line
from tether.text import printable

COLUMNS = (ROLL_KEYS[0], "frame", *ROLL_KEYS[1:], "caption")
"""Of the list that is written. A line with a ``frame`` is about that frame: its notes are the
frame's, as are date, place, people, keywords and caption."""

#: Headings of people's lists, beside the keys and their words; common practice, no source.
_HEADINGS = {
    "name": ("roll", "roll name", "roll no", "roll number", "film no", "film number", "title"),
    "frame": ("frame no", "frame number", "negative", "negative no"),
    "film": ("kind of film", "film type", "process"),
    "frames": ("number of frames", "exposures", "frame count"),
    "frames_per_strip": ("frames per strip", "strip length"),
    "notes": ("note", "remarks", "comment", "comments"),
    "photographer": ("creator", "author", "artist"),
    "rights": ("copyright", "licence", "license", "rights holder"),
    "date": ("date", "year", "date taken", "period", "taken"),
    "place": ("location", "where"),
    "subject": ("description", "topic"),
    "people": ("persons", "person", "who"),
    "film_stock": ("stock", "emulsion"),
    "camera": ("camera",),
    "lens": ("lens",),
    "development": ("developer",),
    "box": ("box no", "box number"),
    "sleeve": ("sleeve no", "sleeve number", "page"),
    "identifiers": ("identifier", "id", "inventory number", "accession number", "shelf mark"),
    "keywords": ("tags", "keyword"),
    "organisation": ("organization", "institution", "owner"),
    "caption": ("captions",),
}
_KEYS = {
    heading: key
    for key in COLUMNS
    for heading in (
        key.replace("_", " "),
        *(_HEADINGS.get(key, ())),
        *([ROLL_FIELDS[key].words.casefold()] if key in ROLL_FIELDS else ()),
    )
}


@dataclass(frozen=True, slots=True)
class Matched:
    """Which column is which fact, and the headings that are none."""

    columns: Mapping[int, str]
    unknown: tuple[str, ...]


def match_headings(table: Table, given: Mapping[str, str]) -> Matched:
    """Match a table's headings with facts; ``given`` maps headings as a person said.

    Raises
    ------
    TetherError
        When no column has the rolls' names, two columns are one fact, or a heading that was given
        is not there.
    """
    wanted = {_plain(heading): key for heading, key in given.items()}
    headings = [_plain(heading) for heading in table.headings]
    if missing := wanted.keys() - set(headings):
        raise _unmatched(table, f"The list has no column '{printable(min(missing), 40)}'.")
    if wrong := set(wanted.values()) - set(COLUMNS):
        raise _unmatched(table, f"There is no fact '{printable(min(wrong), 40)}'.")
    found = {i: wanted.get(h) or _KEYS.get(h) for i, h in enumerate(headings)}
    columns = {i: key for i, key in found.items() if key}
    keys = list(columns.values())
    if twice := {key for key in keys if keys.count(key) > 1}:
        raise _unmatched(table, f"Two columns would be '{min(twice)}'.")
    if "name" not in keys:
        raise _unmatched(table, "No column of the list has the rolls' names.")
    unknown = tuple(table.headings[i] for i, key in found.items() if not key and headings[i])
    return Matched(columns, unknown)


def _plain(heading: str) -> str:
    return " ".join(re.sub(r"[^\w]+|_", " ", heading.casefold()).split())


def _unmatched(table: Table, what: str) -> RollError:
    headings = ", ".join(printable(h, 30) for h in table.headings[:20])
    return RollError(
        what,
        kept="Nothing was changed.",
        todo=f"Say which column is what: --column HEADING=FACT. Its headings: {headings}. "
        f"The facts: {', '.join(COLUMNS)}.",
    )


@dataclass
class ListPlan:
    """What a list would change.

    Attributes
    ----------
    new, filled
        Rolls for the list of those that wait; values for what had none.
    overwriting
        The same with the values that are there already overwritten.
    differing
        Name of the roll or frame, and a value that the list has otherwise.
    problems
        What cannot be taken over, a sentence each; ``unchanged`` counts lines that say nothing new.
    """

    new: list[Edit] = field(default_factory=list)
    filled: list[Edit] = field(default_factory=list)
    overwriting: list[Edit] = field(default_factory=list)
    differing: list[tuple[str, Change]] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    unchanged: int = 0

    def edits(self, *, overwrite: bool) -> list[Edit]:
        """Return the changes to be stored."""
        return [*self.new, *(self.overwriting if overwrite else self.filled)]


def plan_list(store: Store, table: Table, matched: Matched) -> ListPlan:
    """Return what a list would change, line by line; a line that is wrong is left out and named."""
    plan = ListPlan()
    seen: dict[tuple[str, str], int] = {}
    frames: dict[int, tuple[Frame, ...]] = {}
    for number, cells in table.rows:
        values = {key: cells[i].strip() for i, key in matched.columns.items() if cells[i].strip()}
        name, frame = values.get("name", ""), values.pop("frame", "")
        before = seen.setdefault((name, frame), number)
        try:
            if before != number:
                raise RollError(f"Line {before} has this name too.")
            _plan_line(store, plan, values, frame, frames)
        except TetherError as error:
            plan.problems.append(
                f"Line {number} ({printable(name, 40) or 'no name'}): {error.what}"
            )
    return plan


def _plan_line(
    store: Store,
    plan: ListPlan,
    values: dict[str, str],
    frame: str,
    frames: dict[int, tuple[Frame, ...]],
) -> None:
    values["name"] = name = checked_name(values.get("name", ""))
    waiting = store.waiting.named(name)
    roll = None if waiting else _roll(store, name)
    if frame:
        if roll is None:
            raise RollError("Its frames can be described once the roll is begun.")
        known = frames.setdefault(roll.id, store.frames.of(roll))
        _plan_frame(plan, roll, known, frame, values)
        return
    if values.pop("caption", ""):
        raise RollError("A caption needs the number of its frame in a column 'frame'.")
    if roll is None:
        _plan_waiting(plan, waiting, values)
        return
    before = roll_values(roll.as_new())
    said = {key: values[key] for key in values if key in ROLL_FIELDS or key == "notes"}
    _plan_values(plan, name, before, said, lambda v: edit_roll(roll, (), v))
    wanted = roll_values(changed_roll(roll.as_new(), values))
    for key in ("film", "format", "frames", "frames_per_strip"):
        if wanted[key] != before[key]:
            plan.problems.append(
                f"{printable(name, 40)}: {key.replace('_', ' ')} stays {before[key]}, the list has "
                f"{wanted[key]}. A begun roll is changed with tether edit."
            )


def _roll(store: Store, name: str) -> Roll | None:
    if store.rolls.has(name):
        return store.rolls.named(name)
    if former := store.rolls.formerly(name):
        raise RollError(f"It is called '{printable(former.name, 60)}' now.")
    return None


def _plan_frame(
    plan: ListPlan, roll: Roll, known: tuple[Frame, ...], frame: str, values: dict[str, str]
) -> None:
    number = int(frame) if frame.isascii() and frame.isdecimal() and len(frame) < 6 else 0
    if not 1 <= number <= len(known):
        raise RollError(f"The roll has frames 1 to {len(known)}, not '{printable(frame, 20)}'.")
    values.pop("name")
    if "notes" in values:
        values["note"] = values.pop("notes")
    if other := [key for key in values if key not in FRAME_KEYS]:
        raise RollError(f"A frame has no {', '.join(other)}.")
    found = known[number - 1]
    where = f"{roll.name}, frame {number}"
    _plan_values(plan, where, frame_values(found), values, lambda v: edit_frame(roll, found, v))


def _plan_waiting(plan: ListPlan, waiting: WaitingRoll | None, values: dict[str, str]) -> None:
    if waiting is None:
        blank = WaitingRoll(NewRoll("?", FilmProcess.BW_NEGATIVE), film_known=False)
        plan.new.append(edit_waiting(None, blank.changed(values)))
        return
    values = {"film": "", **values}
    _plan_values(
        plan,
        waiting.new.name,
        waiting.values(),
        {key: text for key, text in values.items() if text},
        lambda v: edit_waiting(waiting, waiting.changed(v)),
    )


def _plan_values(
    plan: ListPlan,
    where: str,
    before: Mapping[str, str],
    said: Mapping[str, str],
    edit: Callable[[Mapping[str, str]], Edit],
) -> None:
    whole = edit(said)
    differing = [change for change in whole.changes if before.get(change.key)]
    filled = {key: text for key, text in said.items() if not before.get(key)}
    if not whole.changes:
        plan.unchanged += 1
        return
    plan.overwriting.append(whole)
    if filled:
        plan.filled.append(edit(filled))
    plan.differing += [(where, change) for change in differing]


def written_list(
    rolls: Iterable[Roll | WaitingRoll], frames: Callable[[Roll], Iterable[Frame]]
) -> Iterator[str]:
    """Yield the lines of a list in CSV with the headings of `COLUMNS`, to be imported again."""
    yield "\ufeff" + csv_line(COLUMNS)
    for roll in rolls:
        if isinstance(roll, WaitingRoll):
            values = roll.values()
            yield csv_line(values.get(key, "") for key in COLUMNS)
            continue
        values = roll_values(roll.as_new())
        yield csv_line(values.get(key, "") for key in COLUMNS)
        for frame in frames(roll):
            said = frame_values(frame)
            if any(said.values()):
                said |= {"name": roll.name, "frame": str(frame.number), "notes": said["note"]}
                yield csv_line(said.get(key, "") for key in COLUMNS)
