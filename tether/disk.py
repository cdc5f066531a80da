"""The disk: bytes reach it before their names, files are replaced as a whole, locks and links."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import secrets
import shutil
import socket
import stat
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from tether.text import printable


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
    """Make a folder where it is missing, and those above it; they and their names reach the disk.

    A name that reaches a disk without a journal before its folder does stands for whatever was
    there.
    """
    missing = [folder for folder in (path, *path.parents) if not folder.exists()]
    path.mkdir(parents=True, exist_ok=True)
    for folder in missing:
        with contextlib.suppress(PermissionError):  # a folder that may be passed and not read
            flush_folder(folder)
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


DEAD_AFTER_SECONDS = 3600.0
"""An unfinished file that was not written to for so long was left by a program that died."""


def sweep(folder: Path, pattern: str) -> None:
    """Remove the unfinished files of programs that died; what cannot be removed is left."""
    with contextlib.suppress(OSError):
        for path in list(folder.glob(pattern)):
            with contextlib.suppress(OSError):
                facts = path.lstat()
                if (
                    stat.S_ISREG(facts.st_mode)
                    and time.time() - facts.st_mtime > DEAD_AFTER_SECONDS
                ):
                    path.unlink()


class FileLock:
    """A lock on a file that dies with its process.

    It is the operating system's (``flock``), so that it ends with the process whatever happened to
    it; Linux carries it over NFS as well (nfs(5)). The text in the file only tells who has it.
    A ``passing`` one takes its file away when it is let go.

    Raises
    ------
    HeldElsewhere
        When another process has the lock.
    OSError
        When the file cannot be opened, or the disk has no locks.
    """

    def __init__(self, path: Path, *, passing: bool = False) -> None:
        self._passing = path if passing else None
        self._file = _locked(path)
        while passing and not _has_name(self._file, path):  # another took it away meanwhile
            os.close(self._file)
            self._file = _locked(path)
        with contextlib.suppress(OSError):  # a full disk does not matter here
            text = f"process {os.getpid()} on {socket.gethostname()}\n".encode()
            os.pwrite(self._file, text, 0)
            os.ftruncate(self._file, len(text))

    def release(self) -> None:
        """Let go. May be called twice."""
        with contextlib.suppress(OSError):
            if self._passing is not None and _has_name(self._file, self._passing):
                self._passing.unlink()
            os.close(self._file)


def _locked(path: Path) -> int:
    file = open_plain(path, os.O_RDWR | os.O_CREAT)
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        holder = _holder(file)
        os.close(file)
        if error.errno in (errno.EWOULDBLOCK, errno.EACCES):
            raise HeldElsewhere(printable(holder, 80)) from error
        raise
    return file


def _has_name(file: int, path: Path) -> bool:
    """Whether an open file still is the one of that name."""
    try:
        return os.path.samestat(os.fstat(file), path.stat())
    except FileNotFoundError:
        return False


def _holder(file: int) -> str:
    """Read who has a lock; one that was got this moment is given a moment to say so."""
    for _ in range(20):
        if holder := os.pread(file, 200, 0).decode("utf-8", "replace").strip():
            return holder
        time.sleep(0.01)
    return ""


class HeldElsewhere(Exception):
    """Another process has the lock; the text says which, "" where that is not known."""


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


@contextlib.contextmanager
def new_folder(final: Path, prefix: str) -> Iterator[Path]:
    """Have a folder filled beside its name, which it gets at the end; nothing is left on failure.

    Until then its name is ``prefix`` and random letters.
    """
    final.parent.mkdir(parents=True, exist_ok=True)
    part = Path(tempfile.mkdtemp(dir=final.parent, prefix=prefix))
    try:
        part.chmod(0o755)
        yield part
        part.rename(final)
    finally:
        if part.exists():
            shutil.rmtree(part, ignore_errors=True)
