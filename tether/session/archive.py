"""The archive folder: one database, and a folder a roll that a file manager can make sense of.

::

    ARCHIVE/
      tether.sqlite3            what is known of every roll
      Harbour 1987/             a folder a roll
        roll.json               the roll's facts
        log.jsonl               the roll's log, a line a fact
        Harbour 1987_f007_t1.dng   frame 7, first take
        Harbour 1987_f007_t1.jpg   the camera's own JPEG of the same release
        frames/f007.json        what is known of frame 7
        incoming/               files on their way; what is left here was not finished
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from tether.errors import TetherError
from tether.session.beside import (
    FRAMES_FOLDER,
    LOG_FILE,
    ROLL_FILE,
    BesideUnusable,
    append_log,
    last_logged,
    read_json,
    write_json,
)
from tether.session.intake import flush_folder
from tether.session.lock import RollLock
from tether.session.names import DATABASE, is_plain, rebuild_command
from tether.session.roll import Frame, FrameState, Roll
from tether.session.store import Store
from tether.text import plural, printable

if TYPE_CHECKING:
    from tether.session.mirror import Mirror

__all__ = ["DATABASE", "Archive", "ArchiveUnusable", "write_json"]

INCOMING = "incoming"

#: Endings of what the program and its reports write beside the raw files.
DERIVED_ENDINGS = frozenset({".json", ".jsonl", ".xmp", ".txt", ".csv", ".html", ".pdf", ".md"})


class ArchiveUnusable(TetherError):
    """The archive's folder cannot be used."""


class Archive:
    """An archive on disk with its database.

    Parameters
    ----------
    root
        The archive's folder.
    create
        Make it where it is missing. False also means that nothing is going to be changed: the
        database is opened for reading only.

    Raises
    ------
    ArchiveUnusable
        When the folder is not there (``create`` False), cannot be made, or not be written to,
        or holds rolls but has lost its database.
    """

    def __init__(self, root: Path, *, create: bool = True) -> None:
        self.root = root.expanduser().absolute()
        if create:
            self._prepare()
        if not (self.root / DATABASE).is_file():
            self._without_database(create)
        self.store = Store(self.root / DATABASE, create=create, read_only=not create)
        self.mirror: Mirror | None = None

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

    def folder(self, roll: Roll) -> Path:
        """Return the folder of a roll.

        Raises
        ------
        ArchiveUnusable
            When what the database gives for it is no name of a folder in the archive.
        """
        return self._inside(self.root, roll.folder)

    def file(self, roll: Roll, name: str) -> Path:
        """Return the path of a recorded file of a roll; raises as `folder` does."""
        return self._inside(self.folder(roll), name)

    def _inside(self, folder: Path, name: str) -> Path:
        if not is_plain(name):
            raise ArchiveUnusable(
                f"The database names '{printable(str(name), 80)}', which is no name of a file in "
                f"{printable(str(folder))}.",
                kept="Nothing was read or changed.",
                todo="The database was edited by something else. Move it away, keep it, and build "
                f"it from the folders: {rebuild_command(self.root)}",
            )
        return folder / name

    def incoming(self, roll: Roll) -> Path:
        """Return the folder for files on their way into a roll."""
        return self.folder(roll) / INCOMING

    def open_roll(self, roll: Roll) -> RollLock:
        """Make the roll's folder where it is missing, and hold it for this process.

        Raises
        ------
        tether.session.lock.RollBusy
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
        if not folder.exists() and self.store.recorded(roll.id):
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

    def write_roll(self, roll: Roll) -> None:
        """Write the roll's facts beside its files, so that they survive the database."""
        facts = {
            "name": roll.name,
            "film": roll.process.value,
            "format": roll.format_key,
            "frames_expected": roll.frames_expected,
            "strip_length": roll.strip_length,
            "notes": roll.notes,
            "created_at": self.store.created_at(roll.id),
        }
        write_json(self.folder(roll) / ROLL_FILE, facts)

    def write_frame(self, roll: Roll, frame: Frame) -> None:
        """Write what is known of a frame beside its files, and what the log has of it."""
        self._write_frame(roll, frame)
        self.write_log(roll)
        if self.mirror is not None:
            self.mirror.nudge(roll)

    def _write_frame(self, roll: Roll, frame: Frame) -> None:
        takes = {c.take for c in frame.captures}
        facts = {
            "roll": roll.name,
            "frame": frame.number,
            "state": frame.state.value,
            "note": frame.note,
            "captures": [asdict(capture) for capture in frame.captures],
            "companions": [
                asdict(c)
                for c in self.store.companions(roll.id)
                if c.frame == frame.number and c.take in takes
            ],
        }
        write_json(self._frame_file(roll, frame.number), facts)

    def _frame_file(self, roll: Roll, number: int) -> Path:
        return self.folder(roll) / FRAMES_FOLDER / f"f{number:03d}.json"

    def write_log(self, roll: Roll) -> None:
        """Append to the roll's log file what it lacks."""
        path = self.folder(roll) / LOG_FILE
        append_log(path, self.store.log_since(roll.id, last_logged(path)))

    def write_all_beside(self, roll: Roll) -> None:
        """Write everything beside a roll's files that does not say what the database says."""
        self.write_roll(roll)
        for frame in self.store.frames(roll):
            decided = frame.captures or frame.note or frame.state is not FrameState.OPEN
            if decided or self._frame_file(roll, frame.number).exists():
                self._write_frame(roll, frame)
        self.write_log(roll)
        if self.mirror is not None:
            self.mirror.nudge(roll)

    def strangers(self, roll: Roll) -> list[str]:
        """Return the names of files in a roll's folder that nobody recorded.

        Left out are folders, hidden files, and what the program and its reports write.
        """
        known = self.store.file_names(roll.id)
        return sorted(
            p.name
            for p in self.folder(roll).iterdir()
            if p.name not in known
            and not p.name.startswith(".")
            and p.suffix.lower() not in DERIVED_ENDINGS
            and not p.is_dir()
        )


def roll_folders(root: Path) -> list[Path]:
    """Return the folders in an archive that hold a roll's facts, by name."""
    try:
        return sorted(p.parent for p in root.glob(f"*/{ROLL_FILE}"))
    except OSError:
        return []
