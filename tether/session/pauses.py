"""Pauses: said with a key, kept in the roll's log, and left out of the time a frame takes."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

from tether.archive.records import LogLine
from tether.session.core import Core
from tether.text import plural

Span = tuple[datetime, datetime]
"""Beginning and end of a pause, in UTC."""

_PAUSED = "Paused"
#: Kinds of lines that end a pause: going on, and a start of the program after a stop within one.
_ENDING = frozenset({"pause", "sitting"})


class Pausing(Core):
    """A session that can be paused."""

    def pause(self) -> datetime:
        """Store that a pause begins; return when."""
        self._log("pause", _PAUSED, self.place().frame)
        return datetime.now(UTC)

    def go_on(self, since: datetime) -> str:
        """Store that the pause is over; return what is worth a look after it, "" for nothing."""
        took = max(datetime.now(UTC) - since, timedelta(0))
        self._log("pause", f"Went on after {span(took)}", self.place().frame)
        self.store.journal.touch_sitting(self.sitting.id)
        if took < timedelta(minutes=self.settings.sittings.recheck_minutes):
            return ""
        return (
            f"The pause took {span(took)}. If the lamp was off, let it warm up; then look at light "
            "(3) and focus (2)."
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
