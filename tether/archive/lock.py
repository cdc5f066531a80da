"""One writer a roll: a lock that dies with its process."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import socket
from pathlib import Path

from tether.errors import TetherError
from tether.text import printable

#: A link in its place is not followed: it would have us write into another file.
_FLAGS = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW


class RollBusy(TetherError):
    """Another program is at work on the roll."""


class RollLock:
    """Holds a roll for this process.

    The lock is the operating system's (``flock``), so that it ends with the process whatever
    happened to it; Linux carries it over NFS as well (nfs(5)). The text in the file only serves
    the message that another program shows.
    """

    def __init__(self, path: Path, roll_name: str) -> None:
        self._file = os.open(path, _FLAGS, 0o644)
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            if error.errno not in (errno.EWOULDBLOCK, errno.EACCES):
                os.close(self._file)  # a disk without locks: the caller says so
                raise
            holder = printable(os.read(self._file, 200).decode("utf-8", "replace").strip(), 80)
            os.close(self._file)
            raise RollBusy(
                f"Another program is at work on the roll '{printable(roll_name)}'"
                f"{f' ({holder})' if holder else ''}.",
                kept="Nothing was changed.",
                todo="Go on there, or end it first.",
            ) from error
        with contextlib.suppress(OSError):  # a full disk does not matter here
            os.ftruncate(self._file, 0)
            os.write(self._file, f"process {os.getpid()} on {socket.gethostname()}\n".encode())

    def release(self) -> None:
        """Let go of the roll. May be called twice."""
        with contextlib.suppress(OSError):
            os.close(self._file)
