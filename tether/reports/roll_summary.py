"""What was done, and where the files lie: the words at the end of a sitting."""

from __future__ import annotations

import shlex
import shutil
import textwrap
from collections import Counter
from dataclasses import dataclass
from datetime import timedelta

from tether.archive.archive import Archive, is_rehearsals
from tether.archive.records import Frame, FrameState
from tether.findings import Severity, Verdict
from tether.reports.pace import pace_of_roll
from tether.reports.rolls import go_on, program
from tether.settings import PlanningSettings
from tether.text import plural, printable


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
            takes = ", ".join(f"{frame} ({takes})" for frame, takes in self.again)
            said.append(f"Shot again, with the number of takes: {takes}.")
        said += [f"Look at frame {frame} again: {why}" for frame, why in self.look]
        if self.seconds is not None:
            left = f", {plural(self.pauses, 'pause')} left out" if self.pauses else ""
            said.append(f"Time a frame: {self.seconds:.0f} s{left}.")
        said.append(f"The files lie in {self.folder}")
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
    """Say why a kept frame deserves another look, "" when it does not."""
    chosen = frame.chosen
    if frame.state is not FrameState.KEPT or chosen is None or chosen.verdict is Verdict.KEEP:
        return ""
    texts = [f.text for f in chosen.facts.findings if f.severity is not Severity.NOTE]
    return printable(" ".join(texts) or f"its verdict is {chosen.verdict}", 300)


def _copy(archive: Archive) -> str:
    if archive.second_copy is not None:
        return archive.second_copy.state().sentence()
    if is_rehearsals(archive.root):
        return "Of a rehearsal no second copy is made."
    return "There is no second copy: --copy FOLDER, on another disk, makes one of every file."


def _next(archive: Archive, roll_name: str, upcoming: int | None) -> tuple[str, ...]:
    if upcoming is not None:
        return (f"Go on at frame {upcoming}: {go_on(archive, roll_name)}",)
    before = "-- " if roll_name.startswith("-") else ""
    where = f"--archive {shlex.quote(str(archive.root))}"
    deliver = f"{program()} deliver {where} {before}{shlex.quote(roll_name)}"
    return (
        "The roll is complete.",
        "Put the film back into its sleeve, strip by strip, the lowest frame number first.",
        f"Make the positives: {printable(deliver, len(deliver))}",
        "Before the bench is left: lamp off, nothing left in the gate, a cap on the lens.",
    )


_WHOLE = ("The files lie in", "Go on at", "Make the positives")
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
