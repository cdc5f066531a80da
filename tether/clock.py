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


def stamp(moment: datetime) -> str:
    """Write a moment as it is stored: ISO 8601 in UTC, to the millisecond."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds")
