"""Opening an archive's database, and one transaction on it at a time."""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import stat
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from tether.archive.file_system import FileSystem, file_system_of
from tether.archive.layout import rebuild_command
from tether.archive.schema import VERSION, bring_up_to_date
from tether.clock import Clock, stamp, system_clock
from tether.disk import FileLock, HeldElsewhere, flush_file, flush_folder
from tether.errors import TetherError
from tether.text import printable

_Fact = TypeVar("_Fact")

HOLD_FILE = ".tether-in-use"
"""Lock of the program that has an archive on a network disk open."""

BUSY_SECONDS = 10.0
"""How long a change waits for another program's change."""


class ArchiveDatabaseError(TetherError):
    """The archive's database cannot be used as it is."""


class ArchiveDatabaseDamaged(ArchiveDatabaseError):
    """The archive's database is no database any more, or not a whole one."""


class Database:
    """A connection that several threads may use, one call at a time.

    WAL lets read-only commands look while a session writes. On a disk that several computers may
    have open it has no place: there a rollback journal is used, and one program at a time may
    write (see `tether.archive.file_system`). ``synchronous=FULL`` makes every commit reach the
    disk before it is reported (https://sqlite.org/pragma.html#pragma_synchronous).

    Parameters
    ----------
    path
        The database's file.
    create
        Make the file and its tables where they are missing.
    read_only
        Change nothing, and need no write access: where even SQLite's own helper files cannot
        be made, or the tables are older than this program, a private copy is read.
    clock
        What tells the time that is stored.

    Raises
    ------
    ArchiveDatabaseError
        When the file is no database, is damaged, or was written by a newer program; on a disk of
        several computers when another program has it, or locks are not shared.

    Attributes
    ----------
    disk
        The file system that it is on.
    """

    def __init__(
        self,
        path: Path,
        *,
        create: bool = True,
        read_only: bool = False,
        clock: Clock = system_clock,
    ) -> None:
        self.path = path
        self.clock = clock
        self.read_only = read_only
        self._lock = threading.RLock()
        self.disk = file_system_of(path.parent)
        self._held = _hold(path, self.disk) if self.disk.is_shared and not read_only else None
        try:
            with _told(path):
                self._db = self._open_to_read() if read_only else self._open_to_write(create)
        except BaseException:
            self._let_go()
            raise

        self._file = path.stat()

    def is_in_place(self) -> bool:
        """Tell whether the file that is open still has its name."""
        try:
            return os.path.samestat(self._file, self.path.stat())
        except OSError:
            return False

    def close(self) -> None:
        """Close the database. May be called twice."""
        self._db.close()
        self._let_go()

    def _let_go(self) -> None:
        if self._held is not None:
            self._held.release()

    def _open_to_write(self, create: bool) -> sqlite3.Connection:
        return _open(self.path, self.clock, create=create, with_log=self._held is None)

    def stamp(self) -> str:
        """Return the time as it is stored."""
        return stamp(self.clock())

    def _open_to_read(self) -> sqlite3.Connection:
        # A log that an older program left on a network disk needs memory that cannot be shared.
        if not (self.disk.is_shared and _has_log(self.path)):
            try:
                found = _connect(f"{self.path.absolute().as_uri()}?mode=ro")
                version = _version(found, self.path)
            except sqlite3.OperationalError:
                if not self.path.is_file():
                    raise
            else:
                if version == VERSION:
                    return found
                found.close()
        with _short_lived_folder(self.path.name) as folder:
            copy = folder / self.path.name
            for ending in ("", "-wal", "-journal"):
                with contextlib.suppress(FileNotFoundError):
                    shutil.copyfile(f"{self.path}{ending}", f"{copy}{ending}")
            connection = _open(copy, self.clock, create=False, keep_copy=False)
            # What the log beside it holds goes into the file, which then needs no name.
            connection.execute("PRAGMA journal_mode = DELETE")
            return connection

    @contextmanager
    def change(self) -> Iterator[sqlite3.Connection]:
        """Run a block as one transaction: all of it reaches the disk, or none.

        Raises
        ------
        ArchiveDatabaseError
            When it could not be stored (the disk is full, the file is damaged).
        """
        with self._lock, _told(self.path):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
                self._db.execute("COMMIT")
            except BaseException:
                # SQLite has rolled back by itself after some errors.
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise

    def all(self, sql: str, *values: Any) -> list[sqlite3.Row]:
        """Return all rows of a query."""
        with self._lock, _told(self.path):
            return self._db.execute(sql, values).fetchall()

    def one(self, sql: str, *values: Any) -> sqlite3.Row | None:
        """Return the first row of a query."""
        with self._lock, _told(self.path):
            row: sqlite3.Row | None = self._db.execute(sql, values).fetchone()
            return row

    def read(self, convert: Callable[[sqlite3.Row], _Fact], sql: str, *values: Any) -> list[_Fact]:
        """Return what ``convert`` makes of each row of a query; raises as `making_sense` does."""
        rows = self.all(sql, *values)
        with self.making_sense():
            return [convert(row) for row in rows]

    @contextmanager
    def making_sense(self) -> Iterator[None]:
        """Take every value that makes no sense for what it is: damage of the database.

        Raises
        ------
        ArchiveDatabaseDamaged
            Where the block raises what converting a value raises.
        """
        try:
            yield
        except (ValueError, LookupError, TypeError, ArithmeticError, RecursionError) as error:
            raise _damaged(self.path, error) from error

    def missing_parts(self) -> list[str]:
        """Return the names of tables, indexes and triggers that are missing or were changed."""
        query = "SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL"
        with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as fresh:
            bring_up_to_date(fresh)
            wanted = fresh.execute(query).fetchall()
        found = {(row["name"], row["sql"]) for row in self.all(query)}
        return [name for name, sql in wanted if (name, sql) not in found]

    def damage(self) -> list[str]:
        """Return what SQLite finds wrong in its file, nothing for a sound one."""
        with self._lock, _told(self.path):
            found = [str(row[0]) for row in self._db.execute("PRAGMA quick_check(20)")]
        if _is_of_unknown_format(self.path):
            return [*found, "its header forbids writing to it"]
        return [] if found == ["ok"] else found


def _connect(uri: str) -> sqlite3.Connection:
    connection = sqlite3.connect(
        uri, uri=True, timeout=BUSY_SECONDS, isolation_level=None, check_same_thread=False
    )
    connection.row_factory = sqlite3.Row
    return connection


def _has_log(path: Path) -> bool:
    """Whether a database has a write-ahead log (https://sqlite.org/fileformat2.html, 1.3.3)."""
    with path.open("rb") as file:
        return file.read(20)[18:] == b"\x02\x02"


def _is_of_unknown_format(path: Path) -> bool:
    """Whether a database's header names a format that SQLite does not write (see `_has_log`)."""
    with contextlib.suppress(OSError), path.open("rb") as file:
        return file.read(20)[18:19] not in (b"\x01", b"\x02")
    return False


def _version(connection: sqlite3.Connection, path: Path) -> int:
    try:
        found = int(connection.execute("PRAGMA user_version").fetchone()[0])
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except BaseException:
        connection.close()
        raise
    if found > VERSION:
        connection.close()
        raise ArchiveDatabaseError(
            f"The archive's database {printable(str(path))} was written by a newer version of "
            "this program.",
            kept="Nothing was changed.",
            todo="Use the newer version for this archive.",
        )
    return found


_KEEP_NEAR = "Keep the archive on a disk of this computer, and name the network disk with --copy."


def _hold(path: Path, disk: FileSystem) -> FileLock:
    """Keep other programs on this and other computers from writing while this one is open."""
    where = f"The archive {printable(str(path.parent))} is on a network disk ({disk.kind})"
    if why := disk.keeps_locks_to_itself:
        raise ArchiveDatabaseError(
            f"{where} on which locks are not shared between computers: {why}.",
            kept="Nothing was changed.",
            todo=f"Have it mounted with shared locks. {_KEEP_NEAR}",
        )
    try:
        return FileLock(path.with_name(HOLD_FILE))
    except HeldElsewhere as error:
        raise ArchiveDatabaseError(
            f"{where}, and another program has it open{f' ({error})' if str(error) else ''}.",
            kept="Nothing was changed.",
            todo="End that program first: on a network disk one at a time can use an archive.",
        ) from error
    except OSError as error:
        raise ArchiveDatabaseError(
            f"{where} that cannot be locked: {error.strerror}.",
            kept="Nothing was changed.",
            todo=_KEEP_NEAR,
        ) from error


def _open(
    path: Path, clock: Clock, *, create: bool, keep_copy: bool = True, with_log: bool = True
) -> sqlite3.Connection:
    """Open a database for writing; without a write-ahead log where no memory can be shared."""
    connection = _connect(f"{path.absolute().as_uri()}?mode={'rwc' if create else 'rw'}")
    if not with_log:
        # Before the first look: a log that is there is then read without shared memory.
        connection.execute("PRAGMA locking_mode = EXCLUSIVE")
    found = _version(connection, path)
    try:
        connection.execute("PRAGMA foreign_keys = ON")
        if found == 0 and not create:
            raise ArchiveDatabaseDamaged(
                f"The archive's database {printable(str(path))} is empty.",
                kept="The raw files beside it are untouched.",
                todo=f"Build it from the folders: {rebuild_command(path.parent)}",
            )
        if with_log:
            connection.execute("PRAGMA journal_mode = WAL")
        else:
            connection.execute("PRAGMA journal_mode = DELETE")
            connection.execute("PRAGMA locking_mode = NORMAL")
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()  # lets go of it
        connection.execute("PRAGMA synchronous = FULL")
        if found < VERSION:
            if found and keep_copy:
                _keep_copy(connection, path, found, clock)
            bring_up_to_date(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def _keep_copy(connection: sqlite3.Connection, path: Path, version: int, clock: Clock) -> None:
    """Copy a database beside itself before its tables are changed."""
    day = clock().strftime("%Y%m%d-%H%M%S")
    copy = path.with_name(f"{path.name}.version-{version}-{day}")
    part = path.with_name(f".{copy.name}.part")
    part.unlink(missing_ok=True)
    with contextlib.closing(sqlite3.connect(part)) as target:
        connection.backup(target)
    flush_file(part)
    part.replace(copy)
    flush_folder(copy.parent)


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Turn what SQLite says into words for a person."""
    try:
        yield
    except sqlite3.IntegrityError as error:
        if error.sqlite_errorcode in _REFUSALS:
            raise
        raise _damaged(path, error) from error
    except sqlite3.OperationalError as error:
        # An error of Python's own has no code: text that is no UTF-8.
        full = "full" in str(error)
        code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_FULL if full else 1)
        if code & 0xFF not in _SURROUNDINGS or _is_of_unknown_format(path):
            raise _damaged(path, error) from error
        raise ArchiveDatabaseError(
            f"The archive's database {printable(str(path))} did not take it: "
            f"{printable(str(error), 300)}.",
            kept="All that was stored before is safe; the raw files are untouched.",
            todo="Make room on the disk, then continue."
            if full
            else "Check that the disk is attached, has room and may be written to. If the file "
            "is lost or damaged, it can be built again from the folders: "
            f"{rebuild_command(path.parent)}",
        ) from error
    except OSError as error:
        raise ArchiveDatabaseError(
            f"The archive's database {printable(str(path))} could not be written or copied: "
            f"{error.strerror}.",
            kept="The database and the raw files are as they were.",
            todo="Check the disk and the room on it.",
        ) from error
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
        raise _damaged(path, error) from error


#: What the store itself asks for: a name that is taken, a log that only grows.
_REFUSALS = frozenset({sqlite3.SQLITE_CONSTRAINT_UNIQUE, sqlite3.SQLITE_CONSTRAINT_TRIGGER})

#: SQLite's codes for what is wrong around a database and not in it (https://sqlite.org/rescode.html).
_SURROUNDINGS = frozenset(
    {sqlite3.SQLITE_PERM, sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_NOMEM}
    | {sqlite3.SQLITE_READONLY, sqlite3.SQLITE_INTERRUPT, sqlite3.SQLITE_IOERR}
    | {sqlite3.SQLITE_FULL, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PROTOCOL}
)


def _damaged(path: Path, error: Exception) -> ArchiveDatabaseDamaged:
    return ArchiveDatabaseDamaged(
        f"The archive's database {printable(str(path))} is damaged: {printable(str(error), 300)}.",
        kept="The raw files beside it are untouched.",
        todo="Build it again from the folders, which keeps the damaged file: "
        f"{rebuild_command(path.parent)}",
    )


COPY_PREFIX = "tether-read-"
_ENDINGS = ("", "-wal", "-shm", "-journal")
_DEAD_AFTER_SECONDS = 3600.0
"""A copy has a name for the seconds that it takes to make it; an older one was left by a kill."""


@contextmanager
def _short_lived_folder(name: str) -> Iterator[Path]:
    """Give a folder that no other account may look into, for a copy of the database ``name``.

    Its files are unlinked at the end: whoever has them open reads on, and nothing is left.
    """
    clear_dead_copies(Path(tempfile.gettempdir()), name)
    folder = Path(tempfile.mkdtemp(prefix=COPY_PREFIX))
    try:
        yield folder
    finally:
        _unlink_copy(folder, name)


def clear_dead_copies(where: Path, name: str) -> None:
    """Remove copies that killed processes of this account left; what cannot be removed stays."""
    for folder in list(where.glob(f"{COPY_PREFIX}*")):
        with contextlib.suppress(OSError):
            facts = folder.lstat()
            ours = stat.S_ISDIR(facts.st_mode) and facts.st_uid == os.geteuid()
            private = stat.S_IMODE(facts.st_mode) == stat.S_IRWXU
            if ours and private and time.time() - facts.st_mtime > _DEAD_AFTER_SECONDS:
                _unlink_copy(folder, name)


def _unlink_copy(folder: Path, name: str) -> None:
    for ending in _ENDINGS:
        with contextlib.suppress(OSError):
            (folder / f"{name}{ending}").unlink()
    with contextlib.suppress(OSError):  # something else lies in it
        folder.rmdir()
