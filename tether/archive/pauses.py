"""Pauses: kept in the roll's log, and not counted as time per frame."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

from tether.archive.records import LogLine
from tether.text import plural

Span = tuple[datetime, datetime]
"""Beginning and end of a pause, in UTC."""

PAUSED = "Paused"
"""The line of kind ``pause`` with which one begins."""

_ENDING = frozenset({"pause", "sitting"})
"""Kinds of lines that end a pause; the second is a start of the program after an interruption."""


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
        began = at if line.kind == "pause" and line.text == PAUSED else None
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
