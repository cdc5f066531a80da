"""A folder of this process for a copy of a database, and the end of those of processes that died.

The folder is held by the operating system's lock (``flock``), which ends with its process whatever
happened to it. What a killed process left is removed when the next copy is made: only folders of
this account that nobody holds, of them only the files that such a copy is made of, and nothing
through a link.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import stat
import tempfile
import time
import weakref
from pathlib import Path

PREFIX = "tether-read-"
_ENDINGS = ("", "-wal", "-shm", "-journal")
_YOUNG_SECONDS = 60.0
"""Age below which a folder is left alone: its owner may be about to hold it."""
_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC


class PrivateCopy:
    """A new folder that no other account may look into.

    Parameters
    ----------
    name
        The copy's file name.

    Raises
    ------
    OSError
        When there is no room for temporary files.
    """

    def __init__(self, name: str) -> None:
        self._name = name
        clear_dead(Path(tempfile.gettempdir()), name)
        self.folder = Path(tempfile.mkdtemp(prefix=PREFIX))
        self._held = os.open(self.folder, _FOLDER)
        with contextlib.suppress(OSError):  # a disk without locks: it is young, and soon gone
            fcntl.flock(self._held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        # Also where nobody closes it: when it is forgotten, and when the program ends.
        self._end = weakref.finalize(self, _remove, self._held, self.folder, name)

    @property
    def path(self) -> Path:
        """Where the copy lies."""
        return self.folder / self._name

    def close(self) -> None:
        """Remove it. May be called twice."""
        self._end()


def _remove(held: int, path: Path, name: str) -> None:
    _empty(held, path, name)
    os.close(held)


def clear_dead(where: Path, name: str, now: float | None = None) -> None:
    """Remove the copies of a file ``name`` that processes which died have left in a folder.

    ``now`` is in seconds since 1970, None for the clock. What cannot be removed is left.
    """
    with contextlib.suppress(OSError):
        for path in list(where.glob(f"{PREFIX}*")):
            with contextlib.suppress(OSError):
                _clear(path, name, time.time() if now is None else now)


def _clear(path: Path, name: str, now: float) -> None:
    folder = os.open(path, _FOLDER)  # fails for a link, a file, and another account's
    try:
        facts = os.fstat(folder)
        ours = facts.st_uid == os.geteuid() and stat.S_IMODE(facts.st_mode) == stat.S_IRWXU
        if not ours or now - facts.st_mtime < _YOUNG_SECONDS:
            return
        fcntl.flock(folder, fcntl.LOCK_EX | fcntl.LOCK_NB)
        _empty(folder, path, name)
    finally:
        os.close(folder)


def _empty(folder: int, path: Path, name: str) -> None:
    """Unlink the copy's files in an open folder, then the folder if it is that one and empty."""
    for ending in _ENDINGS:
        with contextlib.suppress(OSError):
            os.unlink(f"{name}{ending}", dir_fd=folder)
    with contextlib.suppress(OSError):
        if os.path.samestat(os.fstat(folder), os.lstat(path)):
            path.rmdir()
