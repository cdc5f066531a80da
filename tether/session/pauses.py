"""Pauses: said with a key, kept in the roll's log, and left out of the time a frame takes."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

from tether.archive.open_roll import OpenRoll
from tether.archive.records import LogLine
from tether.session.checklist import Checklist
from tether.text import plural

Span = tuple[datetime, datetime]
"""Beginning and end of a pause, in UTC."""

_PAUSED = "Paused"
#: Kinds of lines that end a pause: going on, and a start of the program after a stop within one.
_ENDING = frozenset({"pause", "sitting"})


class Pauses:
    """Begins and ends the pauses of one roll.

    Parameters
    ----------
    checklist
        Where the work is when a pause begins.
    recheck_minutes
        Length of a pause after which light and focus are worth a look.
    """

    def __init__(self, roll: OpenRoll, checklist: Checklist, recheck_minutes: float) -> None:
        self._roll = roll
        self._checklist = checklist
        self._recheck = timedelta(minutes=recheck_minutes)

    def begin(self) -> datetime:
        """Store that a pause begins; return when."""
        self._roll.log("pause", _PAUSED, self._checklist.next_step().frame)
        return self._roll.archive.clock()

    def end(self, since: datetime) -> str:
        """Store that the pause is over; return what is worth a look after it, "" for nothing."""
        took = max(self._roll.archive.clock() - since, timedelta(0))
        self._roll.log("pause", f"Went on after {span(took)}", self._checklist.next_step().frame)
        self._checklist.touch()
        if took < self._recheck:
            return ""
        return (
            f"The pause took {span(took)}. If the lamp was off, let it warm up; then look at light "
            "and focus."
        )


def pauses_of(lines: Iterable[LogLine]) -> tuple[Span, ...]:
    """Return the pauses that a roll's log tells of, in order.

    A program that was stopped within a pause leaves its end to the next start; one that never
    ended has no end to go by and is left out.
    """
    found: list[Span] = []
    began: datetime | None = None
    for line in lines:
        if line.kind not in _ENDING or (at := _time(line.at)) is None:
            continue
        if began is not None and at >= began:
            found.append((began, at))
        began = at if line.kind == "pause" and line.text == _PAUSED else None
    return tuple(found)


def overlap(pauses: Iterable[Span], begin: datetime, end: datetime) -> timedelta:
    """Return how much of the time from ``begin`` to ``end`` was pause."""
    parts = (min(b, end) - max(a, begin) for a, b in pauses)
    return sum((part for part in parts if part > timedelta(0)), timedelta(0))


def span(time: timedelta) -> str:
    """Return ``40 seconds``, ``12 minutes`` or ``1 h 05 min``."""
    seconds = int(time.total_seconds())
    if seconds < 60:
        return plural(seconds, "second")
    if seconds < 3600:
        return plural(seconds // 60, "minute")
    return f"{seconds // 3600} h {seconds % 3600 // 60:02d} min"


def _time(text: str) -> datetime | None:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return None
    return at.replace(tzinfo=UTC) if at.tzinfo is None else at
