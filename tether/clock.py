"""The time, as something that is handed on: a test holds it still, or sets it back.

What is stored is in UTC. The order of things never hangs on it: a computer's clock may be wrong,
and may be put right in the middle of a roll.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

Clock = Callable[[], datetime]
"""Tells the time, aware and in UTC."""


def system_clock() -> datetime:
    """Return the time by the computer's clock."""
    return datetime.now(UTC)


def moment(text: str) -> str:
    """Return a stored moment as it is.

    Raises
    ------
    ValueError
        When it is none, or says no time zone.
    """
    if datetime.fromisoformat(text).tzinfo is None:
        raise ValueError(f"{text!r} has no time zone")
    return text


def stamp(moment: datetime) -> str:
    """Write a moment as it is stored: ISO 8601 in UTC, to the millisecond."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds")
