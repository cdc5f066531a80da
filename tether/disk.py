"""Making the disk keep what was written: bytes first, then names; files replaced as a whole."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import secrets
import stat
from collections.abc import Callable
from pathlib import Path


def flush_file(path: Path) -> None:
    """Make the system write a file's bytes to the disk."""
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        flush(handle)
    finally:
        os.close(handle)


#: What file systems answer that cannot flush a folder (fsync(2)); all else is a failing disk.
_NOT_SUPPORTED = frozenset(
    {errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EBADF}
)


def flush_folder(path: Path) -> None:
    """Make the system write a folder's names to the disk; some network disks do not offer it.

    Raises
    ------
    OSError
        When the disk fails.
    """
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in _NOT_SUPPORTED:
            raise
    finally:
        os.close(handle)


def make_folder(path: Path) -> None:
    """Make a folder where it is missing, and those above it; their names reach the disk."""
    missing = [folder for folder in (path, *path.parents) if not folder.exists()]
    path.mkdir(parents=True, exist_ok=True)
    for folder in missing:
        with contextlib.suppress(PermissionError):  # a folder that may be passed and not read
            flush_folder(folder.parent)


def open_plain(path: Path, flags: int = os.O_RDONLY) -> int:
    """Open a plain file; a link is not followed, and nothing waits for a pipe or a device.

    Raises
    ------
    OSError
        When it cannot be opened, or is something else.
    """
    handle = os.open(path, flags | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, 0o644)
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise OSError(errno.EINVAL, "it is no plain file")
    return handle


def flush(handle: int) -> None:
    """Make the system write an open file's bytes to the disk."""
    # On macOS fsync only hands the bytes to the drive; F_FULLFSYNC waits for it (fsync(2) there).
    full = getattr(fcntl, "F_FULLFSYNC", None)
    if full is not None:
        with contextlib.suppress(OSError):
            fcntl.fcntl(handle, full)
            return
    os.fsync(handle)


def put_in_place(part: Path, final: Path) -> None:
    """Give a finished file its name in place of an older one: a reader sees either as a whole.

    Its bytes reach the disk before its name does, so that no name ever stands for half a file.
    """
    flush_file(part)
    part.replace(final)
    flush_folder(final.parent)


def replace_whole(path: Path, write: Callable[[Path], object]) -> None:
    """Have a file written beside its name and put in place; what was there stays until then.

    ``write`` is given the name that it writes to, ``.new-`` and random digits before the same
    ending: two machines on one network disk may number their processes alike.
    """
    part = path.with_name(f".new-{secrets.token_hex(4)}{path.suffix}")
    try:
        write(part)
        put_in_place(part, path)
    finally:
        part.unlink(missing_ok=True)
