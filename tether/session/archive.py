"""The archive folder: one database, and a folder a roll that a file manager can make sense of.

::

    ARCHIVE/
      tether.sqlite3            what is known of every roll
      Harbour 1987/             a folder a roll
        roll.json               the roll's facts
        Harbour 1987_f007_t1.dng   frame 7, first take
        Harbour 1987_f007_t1.jpg   the camera's own JPEG of the same release
        frames/f007.json        what is known of frame 7
        incoming/               files on their way; what is left here was not finished
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path

from tether.errors import TetherError
from tether.session.intake import flush_folder
from tether.session.lock import RollLock
from tether.session.roll import Frame, Roll
from tether.session.store import Store
from tether.text import printable

DATABASE = "tether.sqlite3"


class ArchiveUnusable(TetherError):
    """The archive's folder cannot be used."""


class Archive:
    """An archive on disk with its database.

    Raises
    ------
    ArchiveUnusable
        When the folder is not there (``create`` False), cannot be made, or not be written to.
    """

    def __init__(self, root: Path, *, create: bool = True) -> None:
        self.root = root.expanduser().absolute()
        if create:
            self._prepare()
        elif not (self.root / DATABASE).is_file():
            raise ArchiveUnusable(
                f"There is no archive in {printable(str(self.root))}.",
                todo="Name the right folder with --archive, or start one with 'tether shoot'.",
            )
        self.store = Store(self.root / DATABASE, create=create)

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

    def close(self) -> None:
        """Close the database."""
        self.store.close()

    def folder(self, roll: Roll) -> Path:
        """Return the folder of a roll."""
        return self.root / roll.folder

    def incoming(self, roll: Roll) -> Path:
        """Return the folder for files on their way into a roll."""
        return self.folder(roll) / "incoming"

    def open_roll(self, roll: Roll) -> RollLock:
        """Make the roll's folder where it is missing, and hold it for this process.

        Raises
        ------
        tether.session.lock.RollBusy
            When another program holds it.
        ArchiveUnusable
            When its folder cannot be made.
        """
        folder = self.folder(roll)
        try:
            self.incoming(roll).mkdir(parents=True, exist_ok=True)
            (folder / "frames").mkdir(exist_ok=True)
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
        }
        write_json(self.folder(roll) / "roll.json", facts)

    def write_frame(self, roll: Roll, frame: Frame) -> None:
        """Write what is known of a frame beside its files."""
        facts = {
            "roll": roll.name,
            "frame": frame.number,
            "state": frame.state.value,
            "note": frame.note,
            "captures": [asdict(capture) for capture in frame.captures],
        }
        write_json(self.folder(roll) / "frames" / f"f{frame.number:03d}.json", facts)


def write_json(path: Path, facts: Mapping[str, object]) -> None:
    """Replace one of our own files as a whole: a reader sees the old one or the new one."""
    text = json.dumps(facts, indent=1, ensure_ascii=False, sort_keys=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".new-")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
            file.write(text + "\n")
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    flush_folder(path.parent)
