"""The tables of an archive's database, version by version.

A new database goes through the same steps as an old one, so that both end up alike. A step that
was published is never edited: what comes later is a step of its own.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator

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
-- ('release'), files about to get their final names ('arrival').
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

# How far a roll is, in a narrow table of its own: a list of 100,000 rolls is read without their
# notes and without counting frames. `next_open` is the lowest frame that nothing was decided
# about, NULL when there is none. Only the triggers write here.
_RECOUNT = """
    UPDATE roll_count SET
        expected = (SELECT frames_expected FROM roll WHERE id = {roll}),
        done = (SELECT count(*) FROM frame WHERE roll_id = {roll} AND state <> 'open'
            AND number <= (SELECT frames_expected FROM roll WHERE id = {roll})),
        next_open = (SELECT min(n) FROM (SELECT 1 AS n UNION ALL
            SELECT number + 1 FROM frame WHERE roll_id = {roll} AND state <> 'open')
            WHERE n <= (SELECT frames_expected FROM roll WHERE id = {roll})
            AND NOT EXISTS (SELECT 1 FROM frame WHERE roll_id = {roll} AND number = n
                AND state <> 'open'))
    WHERE roll_id = {roll};
"""

_V2 = f"""
CREATE TABLE roll_count (
    roll_id INTEGER PRIMARY KEY REFERENCES roll (id),
    expected INTEGER NOT NULL,
    done INTEGER NOT NULL,
    next_open INTEGER
) STRICT;
CREATE INDEX roll_unfinished ON roll_count (roll_id) WHERE next_open IS NOT NULL;
INSERT INTO roll_count SELECT r.id, r.frames_expected,
    (SELECT count(*) FROM frame f WHERE f.roll_id = r.id AND f.state <> 'open'
        AND f.number <= r.frames_expected),
    (SELECT min(n) FROM (SELECT 1 AS n UNION ALL
        SELECT f.number + 1 FROM frame f WHERE f.roll_id = r.id AND f.state <> 'open')
        WHERE n <= r.frames_expected AND NOT EXISTS (SELECT 1 FROM frame g
            WHERE g.roll_id = r.id AND g.number = n AND g.state <> 'open'))
    FROM roll r;
CREATE TRIGGER count_new_roll AFTER INSERT ON roll
    BEGIN INSERT INTO roll_count VALUES (NEW.id, NEW.frames_expected, 0, 1); END;
CREATE TRIGGER count_longer_roll AFTER UPDATE OF frames_expected ON roll
    BEGIN {_RECOUNT.format(roll="NEW.id")} END;
CREATE TRIGGER count_new_frame AFTER INSERT ON frame
    BEGIN {_RECOUNT.format(roll="NEW.roll_id")} END;
CREATE TRIGGER count_changed_frame AFTER UPDATE OF state ON frame
    WHEN OLD.state <> NEW.state
    BEGIN {_RECOUNT.format(roll="NEW.roll_id")} END;

CREATE INDEX intent_by_roll ON intent (roll_id, id);

-- 1 for a picture that the camera made while nobody was looking: it is offered, not fetched.
ALTER TABLE card_file ADD COLUMN unfetched INTEGER NOT NULL DEFAULT 0;
CREATE INDEX card_file_unfetched ON card_file (camera) WHERE unfetched = 1;

-- Facts about the archive as a whole: its number, where its copy lies.
CREATE TABLE archive_fact (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;

-- Rolls of which the copy folder lacks something; `mark` changes whenever more is to be copied.
CREATE TABLE copy_behind (roll_id INTEGER PRIMARY KEY REFERENCES roll (id), mark INTEGER NOT NULL)
    STRICT;
"""

# The sums over all rolls, in one row: a list of rolls shows them without adding up 100,000.
_V3 = """
CREATE TABLE roll_total (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    rolls INTEGER NOT NULL,
    unfinished INTEGER NOT NULL,
    expected INTEGER NOT NULL,
    done INTEGER NOT NULL
) STRICT;
INSERT INTO roll_total SELECT 1, count(*), count(next_open), coalesce(sum(expected), 0),
    coalesce(sum(done), 0) FROM roll_count;
CREATE TRIGGER total_new_roll AFTER INSERT ON roll_count BEGIN
    UPDATE roll_total SET rolls = rolls + 1,
        unfinished = unfinished + (NEW.next_open IS NOT NULL),
        expected = expected + NEW.expected, done = done + NEW.done;
END;
CREATE TRIGGER total_changed_roll AFTER UPDATE ON roll_count BEGIN
    UPDATE roll_total SET
        unfinished = unfinished + (NEW.next_open IS NOT NULL) - (OLD.next_open IS NOT NULL),
        expected = expected + NEW.expected - OLD.expected, done = done + NEW.done - OLD.done;
END;
"""

# A file's bytes are looked for among all that are recorded; the first 48 bits of the SHA-256 tell
# them well enough apart for an index, which would be four times as large with all of it.
_V4 = """
CREATE INDEX capture_by_digest ON capture (substr(sha256, 1, 12));
CREATE INDEX companion_by_digest ON companion (substr(sha256, 1, 12));
"""

# Files in a roll's folder that a person was asked about and wants left where they are.
_V5 = """
CREATE TABLE left_alone (
    roll_id INTEGER NOT NULL REFERENCES roll (id),
    name TEXT NOT NULL,
    PRIMARY KEY (roll_id, name)
) STRICT, WITHOUT ROWID;
"""

# Test shots: files in a roll's folder "bench" that belong to no frame.
_V6 = """
CREATE TABLE trial (
    roll_id INTEGER NOT NULL REFERENCES roll (id),
    file_name TEXT NOT NULL,
    size INTEGER NOT NULL,
    sha256 TEXT NOT NULL,
    PRIMARY KEY (roll_id, file_name)
) STRICT, WITHOUT ROWID;
CREATE INDEX trial_by_digest ON trial (substr(sha256, 1, 12));
"""

# A camera may describe two files alike. Counted is how many of one description are dealt with:
# where the card has more, a picture waits that was never fetched.
_V7 = """
ALTER TABLE card_file ADD COLUMN dealt INTEGER NOT NULL DEFAULT 1;
UPDATE card_file SET dealt = 0 WHERE unfetched = 1;
DROP INDEX card_file_unfetched;
ALTER TABLE card_file DROP COLUMN unfetched;
"""

# What people say of a roll and of a frame, as a JSON object: see tether.description.
_V8 = """
ALTER TABLE roll ADD COLUMN description TEXT NOT NULL DEFAULT '{}';
ALTER TABLE frame ADD COLUMN description TEXT NOT NULL DEFAULT '{}';
"""

# Rolls that wait to be begun, with the fields of roll.json, and the values of before of what was
# changed by hand: owner is the number of the roll, or of the roll that waits.
_V9 = """
CREATE TABLE waiting (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    name TEXT NOT NULL UNIQUE,
    facts TEXT NOT NULL
) STRICT;
CREATE TABLE edit (
    id INTEGER PRIMARY KEY,
    batch INTEGER NOT NULL,
    at TEXT NOT NULL,
    what TEXT NOT NULL,
    place TEXT NOT NULL,
    owner INTEGER NOT NULL,
    frame INTEGER NOT NULL,
    before TEXT NOT NULL
) STRICT;
CREATE INDEX edit_by_batch ON edit (batch);
CREATE INDEX edit_by_owner ON edit (owner, place, frame, batch);
"""

# Which rolls were changed, for the index of words, which is not in this file: a roll's number, or
# that of one that waits with a minus, under a number that only grows. The mark is this database's.
_MARK_CHANGED = (
    "DELETE FROM find_change WHERE roll = {0}; INSERT INTO find_change (roll) VALUES ({0});"
)
_V10 = f"""
CREATE TABLE find_change (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    roll INTEGER NOT NULL UNIQUE
) STRICT;
INSERT INTO find_change (roll) SELECT id FROM roll ORDER BY id;
INSERT INTO find_change (roll) SELECT -id FROM waiting ORDER BY id;
INSERT INTO archive_fact VALUES ('find index', lower(hex(randomblob(16))));
CREATE TRIGGER find_new_roll AFTER INSERT ON roll
    BEGIN {_MARK_CHANGED.format("NEW.id")} END;
CREATE TRIGGER find_changed_roll AFTER UPDATE OF name, notes, description ON roll
    BEGIN {_MARK_CHANGED.format("NEW.id")} END;
CREATE TRIGGER find_new_frame AFTER INSERT ON frame
    WHEN NEW.note <> '' OR NEW.description <> '{{}}'
    BEGIN {_MARK_CHANGED.format("NEW.roll_id")} END;
CREATE TRIGGER find_changed_frame AFTER UPDATE OF note, description ON frame
    WHEN NEW.note <> OLD.note OR NEW.description <> OLD.description
    BEGIN {_MARK_CHANGED.format("NEW.roll_id")} END;
CREATE TRIGGER find_new_waiting AFTER INSERT ON waiting
    BEGIN {_MARK_CHANGED.format("-NEW.id")} END;
CREATE TRIGGER find_changed_waiting AFTER UPDATE ON waiting
    BEGIN {_MARK_CHANGED.format("-NEW.id")} END;
CREATE TRIGGER find_gone_waiting AFTER DELETE ON waiting
    BEGIN {_MARK_CHANGED.format("-OLD.id")} END;
CREATE INDEX roll_by_box ON roll (json_extract(description, '$.box'));
"""

STEPS = (_V1, _V2, _V3, _V4, _V5, _V6, _V7, _V8, _V9, _V10)
VERSION = len(STEPS)


def bring_up_to_date(connection: sqlite3.Connection) -> None:
    """Take a database from its version to the newest, in one transaction."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        # Another process may have done it while this one waited for its turn.
        found = connection.execute("PRAGMA user_version").fetchone()[0]
        for step in STEPS[found:]:
            for statement in _statements(step):
                connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {max(found, VERSION):d}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _statements(script: str) -> Iterator[str]:
    """Part a script: ``executescript`` would end the transaction that it must run in."""
    statement = ""
    for line in script.splitlines():
        statement += line + "\n"
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""
