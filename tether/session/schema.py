"""The tables of an archive's database and the way from one version of them to the next."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from tether.errors import TetherError

VERSION = 1

_V1 = """
CREATE TABLE roll (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE,
    folder TEXT NOT NULL UNIQUE,
    process TEXT NOT NULL,
    format_key TEXT NOT NULL,
    frames_expected INTEGER NOT NULL CHECK (frames_expected > 0),
    strip_length INTEGER NOT NULL CHECK (strip_length >= 0),
    notes TEXT NOT NULL DEFAULT '',
    cursor INTEGER,
    memory BLOB,
    created_at TEXT NOT NULL
) STRICT;

-- A frame has a row from the moment something was decided or noted about it.
CREATE TABLE frame (
    roll_id INTEGER NOT NULL REFERENCES roll (id),
    number INTEGER NOT NULL CHECK (number > 0),
    state TEXT NOT NULL DEFAULT 'open',
    note TEXT NOT NULL DEFAULT '',
    PRIMARY KEY (roll_id, number)
) STRICT, WITHOUT ROWID;

CREATE TABLE capture (
    id INTEGER PRIMARY KEY,
    roll_id INTEGER NOT NULL REFERENCES roll (id),
    frame INTEGER NOT NULL CHECK (frame > 0),
    take INTEGER NOT NULL CHECK (take > 0),
    file_name TEXT NOT NULL,
    size INTEGER NOT NULL,
    sha256 TEXT NOT NULL,
    taken_at TEXT NOT NULL,
    origin TEXT NOT NULL,
    decision TEXT,
    verdict TEXT NOT NULL DEFAULT 'unjudged',
    facts TEXT NOT NULL DEFAULT '{}',
    settings TEXT NOT NULL DEFAULT '{}',
    memory BLOB,
    UNIQUE (roll_id, frame, take),
    UNIQUE (roll_id, file_name)
) STRICT;

-- Other files of the same release: the camera's own JPEG beside the raw file.
CREATE TABLE companion (
    roll_id INTEGER NOT NULL REFERENCES roll (id),
    file_name TEXT NOT NULL,
    capture_id INTEGER REFERENCES capture (id),
    size INTEGER NOT NULL,
    sha256 TEXT NOT NULL,
    PRIMARY KEY (roll_id, file_name)
) STRICT, WITHOUT ROWID;

-- One sitting is one stretch of work at the bench; it outlives a crash, not a night's sleep.
CREATE TABLE sitting (
    id INTEGER PRIMARY KEY,
    started_at TEXT NOT NULL,
    active_at TEXT NOT NULL,
    camera TEXT NOT NULL,
    short INTEGER NOT NULL DEFAULT 0
) STRICT;

-- Confirmed steps, in the order in which they were confirmed.
CREATE TABLE step (
    id INTEGER PRIMARY KEY,
    sitting_id INTEGER NOT NULL REFERENCES sitting (id),
    roll_id INTEGER REFERENCES roll (id),
    scope TEXT NOT NULL,
    place INTEGER NOT NULL,
    key TEXT NOT NULL
) STRICT;
CREATE INDEX step_by_sitting ON step (sitting_id, roll_id, scope);

-- What is about to be done and cannot be undone by a crash: a shutter about to be released
-- ('release'), a file about to get its final name ('arrival').
CREATE TABLE intent (
    id INTEGER PRIMARY KEY,
    roll_id INTEGER NOT NULL REFERENCES roll (id),
    kind TEXT NOT NULL,
    frame INTEGER NOT NULL,
    facts TEXT NOT NULL,
    begun_at TEXT NOT NULL
) STRICT;

-- Files known to lie on a camera's card that are not waiting to be fetched.
CREATE TABLE card_file (
    camera TEXT NOT NULL,
    folder TEXT NOT NULL,
    name TEXT NOT NULL,
    size INTEGER NOT NULL,
    modified INTEGER NOT NULL,
    PRIMARY KEY (camera, folder, name, size, modified)
) STRICT, WITHOUT ROWID;

CREATE TABLE log (
    id INTEGER PRIMARY KEY,
    at TEXT NOT NULL,
    roll_id INTEGER REFERENCES roll (id),
    frame INTEGER,
    kind TEXT NOT NULL,
    text TEXT NOT NULL
) STRICT;
CREATE INDEX log_by_roll ON log (roll_id, id);
CREATE TRIGGER log_only_grows_1 BEFORE UPDATE ON log
    BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER log_only_grows_2 BEFORE DELETE ON log
    BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
"""


class ArchiveDatabaseError(TetherError):
    """The archive's database cannot be used as it is."""


def open_database(path: Path, *, create: bool) -> sqlite3.Connection:
    """Open the database of an archive with the safety that it needs.

    WAL lets read-only commands look while a session writes. ``synchronous=FULL`` makes every
    commit reach the disk before it is reported (https://sqlite.org/pragma.html#pragma_synchronous).

    Raises
    ------
    ArchiveDatabaseError
        When the file is no database, is damaged, or was written by a newer program.
    """
    try:
        connection = sqlite3.connect(
            path, timeout=10.0, isolation_level=None, check_same_thread=False
        )
        connection.row_factory = sqlite3.Row
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA synchronous = FULL")
        found = connection.execute("PRAGMA user_version").fetchone()[0]
        if found > VERSION:
            connection.close()
            raise ArchiveDatabaseError(
                f"The archive's database {path} was written by a newer version of this program.",
                kept="Nothing was changed.",
                todo="Use the newer version for this archive.",
            )
        if found == 0 and create:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.executescript(f"BEGIN IMMEDIATE; {_guarded()} COMMIT;")
    except sqlite3.DatabaseError as error:
        raise ArchiveDatabaseError(
            f"The archive's database {path} cannot be opened: {error}.",
            kept="The raw files beside it are untouched.",
            todo="Check that the disk is there, has room and may be written to; if the file is "
            "damaged, move it away together with the files of the same name ending in -wal and "
            "-shm, and keep all three.",
        ) from error
    return connection


def _guarded() -> str:
    return f"{_V1} PRAGMA user_version = {VERSION};"
