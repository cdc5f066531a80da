"""Rolls in words: their list, the progress of each, and the command that resumes it."""

from __future__ import annotations

import json
import os
import shlex
import shutil
import sys
import textwrap
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

from tether.archive.archive import Archive, is_rehearsals
from tether.archive.records import Frame, FrameState, NewRoll
from tether.archive.rolls import ALL_ROLLS, RollFilter
from tether.archive.store import options_of
from tether.findings import Severity, Verdict
from tether.reports.pace import pace_of_roll
from tether.settings import PlanningSettings
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
    archive: Archive, newest: int | None = None, wanted: RollFilter = ALL_ROLLS
) -> Iterator[dict[str, Any]]:
    """Yield one object a roll, the newest last; the keys are documented in docs/json.md."""
    command = _Command(archive, rehearsal=is_rehearsals(archive.root))
    for roll in archive.store.rolls.lines(newest, wanted):
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
        *("--frames", str(new.frames_expected), "--frames-per-strip", str(new.strip_length)),
        *(("--notes", new.notes) if new.notes else ()),
        *(
            part
            for key, text in new.description.texts().items()
            if key != "former_names"
            for part in ("--fact", f"{key}={text}")
        ),
    )
    command = _Command(archive, *said, rehearsal=False).for_roll(new.name)
    return (
        f"The roll '{printable(new.name, 40)}' was not made. This command makes it:\n"
        f"{printable(command, len(command))}"
    )


def listing_text(archive: Archive, newest: int | None, wanted: RollFilter = ALL_ROLLS) -> str:
    """Return a list of the newest rolls, and how far all are, as text for a terminal."""
    totals = archive.store.rolls.totals()
    if not totals.rolls and not archive.store.waiting.count():
        return "No rolls in the archive yet. Start one: tether shoot NAME"
    rows = list(listing(archive, newest, wanted))
    lines = []
    if wanted[1:] != ALL_ROLLS[1:]:
        if len(rows) == newest:
            lines.append(f"There may be older ones: --newest {2 * len(rows)}")
        elif not rows:
            lines.append("No such roll.")
    elif left_out := (totals.unfinished if wanted.unfinished else totals.rolls) - len(rows):
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
    if waiting := archive.store.waiting.next():
        name = printable(waiting.new.name, 40)
        lines.append(f"{plural(archive.store.waiting.count(), 'roll')} waiting, next: {name}")
    unfinished_rows = archive.store.rolls.lines(1, RollFilter(unfinished=True))
    if unfinished_rows:
        lines.append(f"Resume: {go_on(archive, unfinished_rows[0].name)}")
    return "\n".join(lines)


@dataclass(frozen=True, slots=True)
class Statement:
    """What there is to say of a roll.

    Attributes
    ----------
    roll
        Its name, safe to show.
    counts
        How many frames are in each state that occurs, in the states' order.
    raw_files
        Files of captures.
    again
        Frames with more than one take, with the number of takes.
    look
        Kept frames that want another look, with the reason.
    seconds
        Time a frame, retakes and changes of strips included, pauses left out; None where too few
        were taken.
    pauses
        Pauses that were left out of it.
    copy
        How the copies on the second disk stand.
    next
        What to do now, a line each.
    folder
        Where the files lie.
    """

    roll: str
    counts: tuple[tuple[FrameState, int], ...]
    raw_files: int
    again: tuple[tuple[int, int], ...]
    look: tuple[tuple[int, str], ...]
    seconds: float | None
    pauses: int
    copy: str
    next: tuple[str, ...]
    folder: str

    def lines(self) -> list[str]:
        """Say it, a line a fact."""
        counted = ", ".join(f"{count} {state.value}" for state, count in self.counts)
        said = [f"{self.roll}: {counted}; {plural(self.raw_files, 'raw file')}."]
        if self.again:
            takes = ", ".join(f"frame {frame} ({takes} takes)" for frame, takes in self.again)
            said.append(f"Reshot: {takes}.")
        said += [f"Check frame {frame}: {why}" for frame, why in self.look]
        if self.seconds is not None:
            left = f", without {plural(self.pauses, 'pause')}" if self.pauses else ""
            said.append(f"Time per frame: {self.seconds:.0f} s{left}.")
        said.append(f"Files: {self.folder}")
        return said


def statement(archive: Archive, roll_name: str, pause: timedelta) -> Statement:
    """Put a roll's statement together; ``pause`` is the gap between two pictures that is one."""
    roll = archive.store.rolls.named(roll_name)
    frames = archive.store.frames.of(roll)
    states = Counter(f.state for f in frames)
    pace = pace_of_roll(archive, roll, pause)
    upcoming = roll.next_frame(frames)
    return Statement(
        roll=printable(roll.name),
        counts=tuple((s, n) for s in FrameState if (n := states.get(s, 0))),
        raw_files=sum(len(f.captures) for f in frames),
        again=tuple((f.number, len(f.captures)) for f in frames if len(f.captures) > 1),
        look=tuple((f.number, why) for f in frames if (why := _why(f))),
        seconds=pace.seconds,
        pauses=pace.pauses,
        copy=_copy(archive),
        next=_next(archive, roll.name, upcoming),
        folder=printable(str(archive.folder(roll)), 1000),
    )


def _why(frame: Frame) -> str:
    """Say why a kept frame should be checked, "" when it should not."""
    chosen = frame.chosen
    kept = frame.state in (FrameState.KEPT, FrameState.DAMAGED)
    if not kept or chosen is None or chosen.verdict is Verdict.KEEP:
        return ""
    texts = [f.text for f in chosen.facts.findings if f.severity is not Severity.NOTE]
    return printable(" ".join(texts) or f"its verdict is {chosen.verdict}", 300)


def _copy(archive: Archive) -> str:
    if archive.second_copy is not None:
        return archive.second_copy.state().sentence()
    if is_rehearsals(archive.root):
        return "A rehearsal is not copied to a copy folder."
    return "No backup copy. Start with --copy FOLDER (another disk) to get one."


def _next(archive: Archive, roll_name: str, upcoming: int | None) -> tuple[str, ...]:
    if upcoming is not None:
        return (f"Resume at frame {upcoming}: {go_on(archive, roll_name)}",)
    before = "-- " if roll_name.startswith("-") else ""
    where = f"--archive {shlex.quote(str(archive.root))}"
    deliver = f"{program()} deliver {where} {before}{shlex.quote(roll_name)}"
    return (
        "The roll is complete.",
        "Put the film back into its sleeve, lowest frame number first.",
        f"Make the positives: {printable(deliver, len(deliver))}",
        "Before you leave the bench: lamp off, gate empty, cap on the lens.",
    )


_WHOLE = ("Files:", "Resume at", "Make the positives")
_PAUSE = timedelta(minutes=PlanningSettings().pause_minutes)


def summary(archive: Archive, roll_name: str, pause: timedelta = _PAUSE) -> list[str]:
    """Return the lines of a roll's summary."""
    return statement(archive, roll_name, pause).lines()


def leaving_text(archive: Archive, roll_name: str, pause: timedelta = _PAUSE) -> str:
    """Return what is printed when the person leaves the screen.

    How the copies stand is said after it: they may still be under way.
    """
    said = statement(archive, roll_name, pause)
    copies = [] if archive.second_copy is not None else [said.copy]
    width = min(shutil.get_terminal_size().columns, 100)
    # A path or a command stays in one piece, to be marked and pasted.
    return "\n".join(
        line if line.startswith(_WHOLE) else textwrap.fill(line, width)
        for line in (*said.lines(), *copies, *said.next)
    )
