"""How a fetched file becomes part of the archive: whole, on the disk, under its own name.

The order matters, and each step says why. A file is fetched into ``incoming/`` of the same
roll, so that giving it its name never copies it. Its bytes reach the disk before its name does,
so that a name never stands for half a file. The name reaches the disk before the database says
that the frame is taken. docs/storage.md has the table of what an interruption leaves.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import tempfile
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import count
from pathlib import Path

from tether.archive.layout import DAMAGED_FOLDER, ending_of
from tether.disk import flush, flush_file, flush_folder, make_folder, open_plain
from tether.errors import TetherError
from tether.own_files import is_raw_positive
from tether.text import megabytes, printable

_BLOCK = 1 << 20

#: What file systems without hard links answer (link(2)).
_NO_LINKS = frozenset({errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EINVAL})


class FilingError(TetherError):
    """A fetched file could not be given its place in the archive."""


class DiskFailed(FilingError):
    """The archive's disk did not take a file or its name; camera and cable are not at fault."""


@dataclass(frozen=True, slots=True)
class Arrival:
    """A file in ``incoming/`` whose bytes have reached the disk."""

    path: Path
    size: int
    sha256: str
    ending: str
    may_be_raw: bool


def check_arrival(path: Path, camera_name: str, stated: int | None) -> Arrival:
    """Flush and examine a fetched file.

    Parameters
    ----------
    path
        The file in ``incoming/``.
    camera_name
        What the camera calls it, untrusted; only a known ending is taken from it.
    stated
        Its bytes as the camera said, None where it did not.

    Raises
    ------
    FilingError
        When the file is empty, or its size is not what the camera said. It stays where it is.
    DiskFailed
        When the disk does not take it.
    """
    try:
        flush_file(path)
        size, digest, head = digest_of(path)
    except OSError as error:
        raise DiskFailed(
            f"The archive's disk did not take the file {printable(camera_name, 60)}: "
            f"{error.strerror}.",
            kept="The camera keeps its own copy.",
            todo="Check the disk and the room on it, then start again: it is fetched then.",
        ) from error
    if size == 0 or (stated is not None and stated != size):
        said = "nothing" if stated is None else megabytes(stated)
        raise FilingError(
            f"The file {printable(camera_name, 60)} came with {size} bytes; the camera had "
            f"stated {said}.",
            kept=f"The incomplete file is {printable(str(path))}; the camera keeps its own copy.",
            todo="Fetch it again.",
        )
    ending, may_be_raw = ending_of(camera_name, head)
    return Arrival(path, size, digest, ending, may_be_raw and not is_raw_positive(path))


def digest_of(path: Path) -> tuple[int, str, bytes]:
    """Read a file; return its size in bytes, its SHA-256 and its first 16 bytes."""
    digest = hashlib.sha256()
    size = 0
    head = b""
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            head = head or block[:16]
            digest.update(block)
            size += len(block)
    return size, digest.hexdigest(), head


def matches(path: Path, size: int, sha256: str) -> bool:
    """Tell whether a plain file is there, can be read, and has exactly these bytes."""
    try:
        if path.is_symlink() or not path.is_file() or path.stat().st_size != size:
            return False
        return digest_of(path)[1] == sha256
    except OSError:
        return False


def link_into_place(moves: Sequence[tuple[Path, Path]]) -> None:
    """Give arrived files their names in the roll's folder, and make the names last.

    A hard link refuses to replace an existing name, which a rename would not; where the file
    system has no hard links the name is checked under the roll's lock. The new names reach the
    disk before the old ones are given up, so that a file always has one.

    Raises
    ------
    FilingError
        When a name is taken, or the disk refuses. Nothing is overwritten.
    """
    folders = {final.parent for _, final in moves}
    linked: list[Path] = []
    for part, final in moves:
        try:
            try:
                os.link(part, final)
                linked.append(part)
            except OSError as error:
                if error.errno not in _NO_LINKS:
                    raise
                if os.path.lexists(final):
                    raise FileExistsError(errno.EEXIST, "name taken") from None
                part.rename(final)
        except FileExistsError as error:
            raise FilingError(
                f"There is already a file {printable(final.name)}.",
                kept=f"It was not touched; the new picture is in {printable(str(part))}.",
                todo="Look at both files; start the program again to have the new one filed.",
            ) from error
        except OSError as error:
            raise FilingError(
                f"{printable(final.name)} could not be filed: {error.strerror}.",
                kept=f"The picture is whole in {printable(str(part))}, and in the camera.",
                todo="Check the disk and the folder's permissions, then start the program again: "
                "the picture is filed then.",
            ) from error
    for folder in folders:
        flush_names(folder)
    for part in linked:
        with contextlib.suppress(OSError):  # the file has its name; the next start tidies up
            part.unlink()


def flush_names(folder: Path) -> None:
    """Make the names of filed pictures reach the disk.

    Raises
    ------
    DiskFailed
        When they do not: then nothing may be recorded.
    """
    try:
        flush_folder(folder)
    except OSError as error:
        raise DiskFailed(
            f"The archive's disk failed while {printable(str(folder), 200)} was written: "
            f"{error.strerror}.",
            kept="The picture is in the camera, and most likely on the disk; it is not recorded.",
            todo="Copy what matters off that disk and check it, before you shoot on. Then start "
            "again: the picture is filed then.",
        ) from error


class CopyStopped(Exception):
    """The copying was asked to stop in the middle."""


class SourceChanged(TetherError):
    """The file to be copied is not what was recorded; there is no copy."""


def copy_verified(
    source: Path, final: Path, size: int, sha256: str, stop: threading.Event | None = None
) -> Path | None:
    """Copy a file; the copy gets its name when it was read back and found right.

    What has the name by then goes into the folder ``damaged`` beside it; its new path is returned.
    The copy has its source's time. The bytes are pushed out of the system's cache before they are
    read back where the system offers it (``posix_fadvise``), so that the disk is read.

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
            raise SourceChanged(f"{printable(source.name)} has changed since it was recorded.")
        take_time(source, part)
        aside = set_aside(final) if os.path.lexists(final) else None
        part.rename(final)
    flush_folder(final.parent)
    return aside


def take_time(source: Path, copy: Path) -> None:
    """Give a copy that was read and found right its source's time, where there is one."""
    with contextlib.suppress(OSError):
        now = source.stat()
        os.utime(copy, ns=(now.st_atime_ns, now.st_mtime_ns))


def set_aside(path: Path) -> Path:
    """Give something that is not what was recorded a new name in ``damaged``, and return that."""
    folder = path.parent / DAMAGED_FOLDER
    make_folder(folder)
    kept = next(p for i in count(1) if not os.path.lexists(p := folder / f"{path.name}.{i}"))
    path.rename(kept)
    flush_folder(folder)
    return kept


def replace_verified(source: Path, final: Path, stop: threading.Event | None = None) -> bool:
    """Copy a file that may change, replacing an older copy as a whole; True when it was copied.

    A copy of the same size and time, as far as its disk keeps times, counts as the same. Raises
    as `copy_verified`.
    """
    try:
        now = source.stat()
    except OSError as error:
        raise SourceChanged(f"{printable(source.name)} cannot be read.") from error
    with contextlib.suppress(FileNotFoundError):
        if is_same(source, now, final):
            return False
    with _unfinished(final) as part:
        _copied(source, part, stop)
        os.utime(part, ns=(now.st_atime_ns, now.st_mtime_ns))
        part.replace(final)
    flush_folder(final.parent)
    return True


def is_same(source: Path, now: os.stat_result, final: Path) -> bool:
    """Tell by size and time, for small files whose times are close by their bytes, if two agree.

    ``now`` is the source's; raises OSError where either cannot be read.
    """
    there = final.stat()
    if there.st_size != now.st_size:
        return False
    apart = abs(there.st_mtime_ns - now.st_mtime_ns)
    if apart == 0 or apart > COARSEST_NS or now.st_size > _SMALL:
        return apart <= COARSEST_NS
    return source.read_bytes() == final.read_bytes()


COARSEST_NS = 2_000_000_000
"""Nanoseconds by which a disk may keep a file's time wrong: FAT counts in steps of two seconds
(ECMA-107, not checked against the source), exFAT in hundredths of one."""

_SMALL = 1 << 20


def _copied(source: Path, part: Path, stop: threading.Event | None) -> tuple[int, str]:
    """Copy to an unfinished file and read it back; return bytes and SHA-256 of what was read."""
    digest = hashlib.sha256()
    copied = 0
    try:
        # Not one that waits for ever, as a pipe does; a link to the file itself is read.
        reading = os.fdopen(open_plain(source.resolve()), "rb")
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
