"""A day's account: rolls, frames and hours at the bench, and what waits."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from tether.archive.archive import Archive
from tether.archive.pauses import pauses_of
from tether.archive.rolls import RollFilter
from tether.reports.pace import Taken, pace_of
from tether.text import plural, printable

_PAGE = 2000


@dataclass(frozen=True, slots=True)
class Day:
    """What was done on a day, by the clock of this computer.

    Attributes
    ----------
    rolls
        (name, frames photographed) of each roll, the first one first.
    frames, takes
        Frames photographed, and raw files of them: retakes count as takes.
    hours, pauses
        Time from picture to picture without pauses, and how many pauses were left out.
    frames_an_hour
        None where too few frames were taken to say it.
    unfinished, to_check, not_delivered, behind, waiting
        Rolls in the archive with open frames, with frames to check, never delivered, not wholly
        copied, and on the list.
    """

    day: date
    rolls: tuple[tuple[str, int], ...]
    frames: int
    takes: int
    hours: float
    pauses: int
    frames_an_hour: float | None
    unfinished: int
    to_check: int
    not_delivered: int
    behind: int
    waiting: int

    def lines(self) -> list[str]:
        """Say it, a line a fact."""
        if not self.takes:
            said = [f"{self.day.isoformat()}: no frame was photographed."]
        else:
            again = f", {plural(self.takes - self.frames, 'retake')}"
            said = [
                f"{self.day.isoformat()}: {plural(self.frames, 'frame')} of "
                f"{plural(len(self.rolls), 'roll')}{again if self.takes > self.frames else ''}."
            ]
        if self.frames_an_hour is not None:
            left = f", without {plural(self.pauses, 'pause')}" if self.pauses else ""
            said.append(f"{self.hours:.1f} hours{left}: {self.frames_an_hour:.0f} frames per hour.")
        said += [f"  {printable(name, 60)}: {plural(n, 'frame')}" for name, n in self.rolls]
        waits = [
            (self.unfinished, "unfinished", "--unfinished"),
            (self.to_check, "with frames to check", "--to-check"),
            (self.not_delivered, "not delivered", "--not-delivered"),
            (self.behind, "not copied yet", "--no-copy"),
        ]
        said += [
            f"{plural(n, 'roll')} {what}: tether rolls {option}" for n, what, option in waits if n
        ]
        if self.waiting:
            said.append(f"{plural(self.waiting, 'roll')} waiting on the list.")
        return said


def account(archive: Archive, day: date, pause: timedelta) -> Day:
    """Return a day's account; ``pause`` is the gap between two pictures that is one."""
    store = archive.store
    taken = _taken_on(archive, day)
    ids = list(dict.fromkeys(one.roll for one in taken))
    said = [s for roll in ids for s in pauses_of(store.journal.log_since(roll, 0))]
    pace = pace_of(taken, pause, said)
    frames = {(one.roll, one.frame) for one in taken}
    by_roll = Counter(roll for roll, _ in frames)

    def count(wanted: RollFilter) -> int:
        return len(store.rolls.lines(None, wanted))

    return Day(
        day,
        tuple((store.rolls.by_id(number).name, by_roll[number]) for number in ids),
        len(frames),
        len(taken),
        pace.timed * (pace.seconds or 0) / 3600,
        pace.pauses,
        3600 / pace.seconds if pace.seconds else None,
        store.rolls.totals().unfinished,
        count(RollFilter(to_check=True)),
        count(RollFilter(not_delivered=True)),
        store.journal.count_behind(),
        store.waiting.count(),
    )


def _taken_on(archive: Archive, day: date) -> list[Taken]:
    """Return the pictures taken at the bench on a day, the first one first.

    Captures are looked through from the newest back, until a page has none of the day or later.
    """
    found: list[Taken] = []
    before: int | None = None
    while page := archive.store.frames.newest(_PAGE, before):
        at = [(number, _local(text), rest) for number, text, *rest in page]
        found += [Taken(t, *rest) for _, t, rest in at if t is not None and t.date() == day]
        if all(t is None or t.date() < day for _, t, _ in at):
            break
        before = at[-1][0]
    return found[::-1]


def _local(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text).astimezone()
    except (ValueError, OverflowError):
        return None
