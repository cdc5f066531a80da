"""The archive folder: one database, and a folder a roll that a file manager can make sense of.

::

    ARCHIVE/
      tether.sqlite3            what is known of every roll
      archive.json              what belongs to no roll: the bench, the copy folder
      Harbour 1987/             a folder a roll
        roll.json               the roll's facts
        log.jsonl               the roll's log, a line a fact
        Harbour 1987_f007_t1.dng   frame 7, first take
        Harbour 1987_f007_t1.jpg   the camera's own JPEG of the same release
        frames/f007.json        what is known of frame 7
        frames/f007_t1.npz      what the measurements remember of it
        state.json              where the work stands
        bench/                  test exposures, of no frame
        incoming/               files on their way; what is left here was not finished
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
from pathlib import Path

from tether.archive.archive_paths import INCOMING, ArchiveUnusable
from tether.archive.durable import flush_folder
from tether.archive.fact_files import (
    FRAMES_FOLDER,
    ROLL_FILE,
    BesideUnusable,
    read_json,
    write_json,
)
from tether.archive.layout import DATABASE, rebuild_command
from tether.archive.lock import RollLock
from tether.archive.records import Roll
from tether.archive.sidecars import DERIVED_ENDINGS, Sidecars
from tether.archive.store import Store
from tether.clock import Clock, system_clock
from tether.paths import whole_path
from tether.text import plural, printable

__all__ = [
    "DATABASE",
    "DERIVED_ENDINGS",
    "INCOMING",
    "Archive",
    "ArchiveUnusable",
    "write_json",
]


class Archive(Sidecars):
    """An archive on disk with its database.

    Parameters
    ----------
    root
        The archive's folder.
    create
        Make it where it is missing. False also means that nothing is going to be changed: the
        database is opened for reading only.
    clock
        What tells the time: all that works on the archive asks it, and no other.

    Raises
    ------
    ArchiveUnusable
        When the folder is not there (``create`` False), cannot be made, or not be written to,
        or holds rolls but has lost its database.
    """

    def __init__(self, root: Path, *, create: bool = True, clock: Clock = system_clock) -> None:
        self.root = whole_path(root)
        self.clock = clock
        if create:
            self._prepare()
        if not (self.root / DATABASE).is_file():
            self._without_database(create)
        self.store = Store(self.root / DATABASE, create=create, read_only=not create, clock=clock)

    def _prepare(self) -> None:
        try:
            self.root.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryFile(dir=self.root):
                pass
        except OSError as error:
            raise ArchiveUnusable(
                f"The archive folder {printable(str(self.root))} cannot be written to: "
                f"{error.strerror}.",
                kept="Nothing was changed.",
                todo="Check that the disk is attached and not write-protected, or name another "
                "folder with --archive.",
            ) from error

    def _without_database(self, create: bool) -> None:
        """Refuse to begin anew where rolls lie already: their database was lost."""
        where = printable(str(self.root))
        if folders := roll_folders(self.root):
            raise ArchiveUnusable(
                f"The archive's database is missing: {where} holds "
                f"{plural(len(folders), 'roll')}, but no {DATABASE}.",
                kept="The raw files and what is known of them lie in the rolls' folders.",
                todo=f"Build the database from the folders: {rebuild_command(self.root)}",
            )
        if not create:
            raise ArchiveUnusable(
                f"There is no archive in {where}.",
                todo="Name the right folder with --archive, or start one with 'tether shoot'.",
            )

    def close(self) -> None:
        """Stop copying and close the database. May be called twice."""
        if self.mirror is not None:
            self.mirror.close()
        self.store.close()

    def open_roll(self, roll: Roll) -> RollLock:
        """Make the roll's folder where it is missing, and hold it for this process.

        Raises
        ------
        tether.archive.lock.RollBusy
            When another program holds it.
        ArchiveUnusable
            When its folder cannot be made, belongs to another roll, or was moved away.
        """
        folder = self.folder(roll)
        self._check_folder(roll, folder)
        try:
            self.incoming(roll).mkdir(parents=True, exist_ok=True)
            (folder / FRAMES_FOLDER).mkdir(exist_ok=True)
            flush_folder(folder)
            flush_folder(self.root)
            lock = RollLock(folder / ".in-use", roll.name)
        except OSError as error:
            raise ArchiveUnusable(
                f"The folder {printable(str(folder))} cannot be used: {error.strerror}.",
                kept="Nothing was changed.",
                todo="Check the disk and the folder's permissions.",
            ) from error
        try:
            self.write_roll(roll)
        except BaseException:
            lock.release()
            raise
        return lock

    def _check_folder(self, roll: Roll, folder: Path) -> None:
        where = printable(str(folder))
        if not folder.exists() and self.store.frames.recorded(roll.id):
            raise ArchiveUnusable(
                f"The folder of roll '{printable(roll.name)}' is not at {where}.",
                kept="Nothing was changed.",
                todo="If it was moved, move it back. If it was given another name in the archive, "
                f"run: {rebuild_command(self.root)}",
            )
        owner = roll.name
        if (folder / ROLL_FILE).is_file():
            with contextlib.suppress(BesideUnusable):  # damaged: it is written anew
                owner = str(read_json(folder / ROLL_FILE).get("name"))
        if owner != roll.name:
            raise ArchiveUnusable(
                f"The folder {where} belongs to the roll '{printable(owner)}'.",
                kept="Nothing was changed.",
                todo="Give the new roll a name that differs by more than capitals.",
            )

    def free_bytes(self) -> int:
        """Return the room left on the archive's disk."""
        return shutil.disk_usage(self.root).free


def roll_folders(root: Path) -> list[Path]:
    """Return the folders in an archive that hold a roll's facts, by name."""
    try:
        return sorted(p.parent for p in root.glob(f"*/{ROLL_FILE}"))
    except OSError:
        return []
