"""What is known about the archive, in SQLite: rolls, frames, captures, steps, intents, the log.

Every method is one transaction. The store knows nothing of files but their names, and those are
untrusted when they are read back: `tether.archive.archive.Archive` checks them before a path
is made of them.
"""

from __future__ import annotations

from tether.archive.database import ArchiveDatabaseDamaged, ArchiveDatabaseError
from tether.archive.frames import Captures
from tether.archive.journal import Begun, Behind, Log, LogLine, Sittings
from tether.archive.rolls import Rolls
from tether.archive.rows import (
    Companion,
    Confirmed,
    Intent,
    Recorded,
    RollLine,
    RollProgress,
    Sitting,
    Totals,
    card_key,
)

__all__ = [
    "ArchiveDatabaseDamaged",
    "ArchiveDatabaseError",
    "Companion",
    "Confirmed",
    "Intent",
    "LogLine",
    "Recorded",
    "RollLine",
    "RollProgress",
    "Sitting",
    "Store",
    "Totals",
    "card_key",
]


class Store(Rolls, Captures, Sittings, Begun, Log, Behind):
    """The database of one archive. Safe to use from several threads, one call at a time."""
