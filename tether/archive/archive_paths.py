"""Where things lie in an archive. What the database says of it is not trusted."""

from __future__ import annotations

from pathlib import Path

from tether.archive.layout import TRIALS_FOLDER, is_plain, rebuild_command
from tether.archive.records import Roll
from tether.archive.store import Store
from tether.errors import TetherError
from tether.text import printable

INCOMING = "incoming"
"""Folder of a roll for files on their way."""


class ArchiveUnusable(TetherError):
    """The archive's folder cannot be used."""


class Paths:
    """The folders and files of an archive; ``store`` is its database."""

    root: Path
    store: Store

    def folder(self, roll: Roll) -> Path:
        """Return the folder of a roll.

        Raises
        ------
        ArchiveUnusable
            When what the database gives for it is no name of a folder in the archive.
        """
        return self._inside(self.root, roll.folder)

    def file(self, roll: Roll, name: str) -> Path:
        """Return the path of a recorded file of a roll; raises as `folder` does.

        A test exposure's name begins with the folder that they are in.
        """
        folder, trials = self.folder(roll), f"{TRIALS_FOLDER}/"
        if isinstance(name, str) and name.startswith(trials):
            return self._inside(folder / TRIALS_FOLDER, name.removeprefix(trials))
        return self._inside(folder, name)

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
