"""The rolls of an archive: how far each is, and how to go on with it."""

from __future__ import annotations

import json
import os
import shlex
import shutil
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from tether.archive.archive import Archive, is_rehearsals
from tether.archive.records import NewRoll
from tether.archive.store import options_of
from tether.text import plural, printable

NEWEST = 200
"""Rolls in a list for reading, unless more are asked for."""


def program() -> str:
    """Return how this program is started here: by its name when the shell finds it."""
    started = Path(sys.argv[0])
    if started.name != "tether" or shutil.which("tether"):
        return "tether"
    return shlex.quote(str(started.absolute()))


def listing(
    archive: Archive, newest: int | None = None, *, unfinished: bool = False
) -> Iterator[dict[str, Any]]:
    """Yield one object a roll, the newest last; the keys are documented in docs/json.md."""
    command = _Command(archive, rehearsal=is_rehearsals(archive.root))
    for roll in archive.store.rolls.lines(newest, unfinished=unfinished):
        yield {
            "name": roll.name,
            "film": roll.process,
            "format": roll.format_key,
            "frames_expected": roll.frames_expected,
            "frames_done": roll.frames_done,
            "next": f"frame {roll.next_frame}" if roll.next_frame else None,
            "folder": f"{archive.root}{os.sep}{roll.folder}",
            "go_on": command.for_roll(roll.name) if roll.next_frame else None,
        }


def listing_json(rows: Iterable[dict[str, Any]]) -> Iterator[str]:
    """Yield the list as JSON text, a line a roll, so that a long one begins at once."""
    before = "["
    for row in rows:
        yield f"{before}\n {json.dumps(row, ensure_ascii=False)}"
        before = ","
    yield "[]" if before == "[" else "\n]"


class _Command:
    """The command that opens a roll of an archive, to paste into a shell."""

    def __init__(self, archive: Archive, *more: str, rehearsal: bool) -> None:
        # Either may have been started last: each is given what it takes.
        taken = ("--seed", "--settings") if rehearsal else ("--camera", "--settings")
        options = ("--archive", str(archive.root), *options_of(archive.store, taken), *more)
        command = "rehearse" if rehearsal else "shoot"
        self._start = f"{program()} {command} {shlex.join(options)}"

    def for_roll(self, name: str) -> str:
        # A name that begins with a dash would be read as an option.
        before = "-- " if name.startswith("-") else ""
        return f"{self._start} {before}{shlex.quote(name)}"


def go_on(archive: Archive, roll_name: str) -> str:
    """Return the command that goes on with a roll, with the options of the last start.

    It is safe to show, and whole however long its paths are.
    """
    command = _Command(archive, rehearsal=is_rehearsals(archive.root)).for_roll(roll_name)
    return printable(command, len(command))


def not_made(archive: Archive, new: NewRoll) -> str:
    """Return what to say of a roll that was described and not stored: the command that makes it."""
    said = (
        *("--film", new.process.value, "--format", new.format_key),
        *("--frames", str(new.frames_expected), "--strips", str(new.strip_length)),
        *(("--notes", new.notes) if new.notes else ()),
    )
    command = _Command(archive, *said, rehearsal=False).for_roll(new.name)
    return (
        f"The roll '{printable(new.name, 40)}' was not made. This makes it as described:\n"
        f"{printable(command, len(command))}"
    )


def listing_text(archive: Archive, newest: int | None, *, unfinished: bool = False) -> str:
    """Return a list of the newest rolls, and how far all are, as text for a terminal."""
    totals = archive.store.rolls.totals()
    if not totals.rolls:
        return "The archive holds no rolls yet. Start one: tether shoot NAME"
    rows = list(listing(archive, newest, unfinished=unfinished))
    lines = []
    if left_out := (totals.unfinished if unfinished else totals.rolls) - len(rows):
        lines.append(f"… {plural(left_out, 'older roll')}: --newest {len(rows) + left_out}")
    for row in rows:
        state = f"next: {row['next']}" if row["next"] else "complete"
        lines.append(
            f"{printable(row['name'], 40):<24} {row['film']:<16} "
            f"{row['frames_done']:>3} of {row['frames_expected']:<3}  {state}"
        )
    lines.append(
        f"{plural(totals.rolls, 'roll')}, {totals.frames_done} of {totals.frames_expected} "
        "frames done."
    )
    unfinished_rows = archive.store.rolls.lines(1, unfinished=True)
    if unfinished_rows:
        lines.append(f"Go on: {go_on(archive, unfinished_rows[0].name)}")
    return "\n".join(lines)
