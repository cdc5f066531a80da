"""Copying a file to another disk, and knowing afterwards that the copy is the same."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tether.archive.durable import digest_of, flush, flush_folder
from tether.errors import TetherError
from tether.text import printable

_BLOCK = 1 << 20


class CopyStopped(Exception):
    """The copying was asked to stop in the middle."""


class SourceChanged(TetherError):
    """The file to be copied is not what was recorded; there is no copy."""


def copy_verified(
    source: Path, final: Path, size: int, sha256: str, stop: threading.Event | None = None
) -> None:
    """Copy a file; the copy gets its name when it was read back and found right.

    The bytes are pushed out of the system's cache before they are read back where the system
    offers it (``posix_fadvise``), so that the disk is read and not the memory.

    Raises
    ------
    SourceChanged
        When the source is missing or its bytes are not what was recorded.
    CopyStopped
        When ``stop`` was set. No copy is left.
    OSError
        When the disk of the copy fails, or the copy reads back differently (EIO).
    """
    with _unfinished(final) as part:
        if _copied(source, part, stop) != (size, sha256):
            raise SourceChanged(f"{printable(source.name)} is not what was recorded.")
        # Other programs leave this folder alone but for one like this, which writes the same.
        if not os.path.lexists(final):
            part.rename(final)
    flush_folder(final.parent)


def replace_verified(source: Path, final: Path, stop: threading.Event | None = None) -> bool:
    """Copy a file that may change, replacing an older copy as a whole; True when it was copied.

    A copy of the same size and time of change counts as the same. Raises as `copy_verified`.
    """
    try:
        now = source.stat()
    except OSError as error:
        raise SourceChanged(f"{printable(source.name)} cannot be read.") from error
    with contextlib.suppress(FileNotFoundError):
        there = final.stat()
        if (there.st_size, there.st_mtime_ns) == (now.st_size, now.st_mtime_ns):
            return False
    with _unfinished(final) as part:
        _copied(source, part, stop)
        os.utime(part, ns=(now.st_atime_ns, now.st_mtime_ns))
        part.replace(final)
    flush_folder(final.parent)
    return True


def _copied(source: Path, part: Path, stop: threading.Event | None) -> tuple[int, str]:
    """Copy to an unfinished file and read it back; return bytes and SHA-256 of what was read."""
    digest = hashlib.sha256()
    copied = 0
    try:
        reading = source.open("rb")
    except OSError as error:
        raise SourceChanged(f"{printable(source.name)} cannot be read ({error.strerror}).") from (
            error
        )
    with reading, part.open("wb") as writing:
        while block := reading.read(_BLOCK):
            if stop is not None and stop.is_set():
                raise CopyStopped
            digest.update(block)
            copied += len(block)
            writing.write(block)
        writing.flush()
        flush(writing.fileno())
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(writing.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    found = copied, digest.hexdigest()
    if digest_of(part)[:2] != found:
        raise OSError(errno.EIO, "a copy reads back differently")
    return found


@contextmanager
def _unfinished(final: Path) -> Iterator[Path]:
    """Give a name for an unfinished copy; what is left there afterwards is removed."""
    handle, name = tempfile.mkstemp(dir=final.parent, prefix=".copy-", suffix=".part")
    os.close(handle)
    part = Path(name)
    try:
        part.chmod(0o644)
        yield part
    finally:
        with contextlib.suppress(OSError):
            part.unlink()
