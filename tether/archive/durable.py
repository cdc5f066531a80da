"""How a fetched file becomes part of the archive: whole, on the disk, under its own name.

The order matters, and each step says why. A file is fetched into ``incoming/`` of the same
roll, so that giving it its name never copies it. Its bytes reach the disk before its name does,
so that a name never stands for half a file. The name reaches the disk before the database says
that the frame is taken. docs/storage.md has the table of what an interruption leaves.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import hashlib
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tether.archive.layout import ending_of
from tether.errors import TetherError
from tether.text import megabytes, printable

_BLOCK = 1 << 20

#: What file systems without hard links answer (link(2)).
_NO_LINKS = frozenset({errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EINVAL})


class IntakeError(TetherError):
    """A fetched file could not be given its place in the archive."""


@dataclass(frozen=True, slots=True)
class Arrival:
    """A file in ``incoming/`` whose bytes have reached the disk."""

    path: Path
    size: int
    sha256: str
    ending: str
    may_be_raw: bool


def flush_file(path: Path) -> None:
    """Make the system write a file's bytes to the disk."""
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        flush(handle)
    finally:
        os.close(handle)


def flush_folder(path: Path) -> None:
    """Make the system write a folder's names to the disk; some network disks do not offer it."""
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        with contextlib.suppress(OSError):
            os.fsync(handle)
    finally:
        os.close(handle)


def flush(handle: int) -> None:
    """Make the system write an open file's bytes to the disk."""
    # On macOS fsync only hands the bytes to the drive; F_FULLFSYNC waits for it (fsync(2) there).
    full = getattr(fcntl, "F_FULLFSYNC", None)
    if full is not None:
        with contextlib.suppress(OSError):
            fcntl.fcntl(handle, full)
            return
    os.fsync(handle)


def received(path: Path, camera_name: str, stated: int | None) -> Arrival:
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
    IntakeError
        When the file is empty, its size is not what the camera said, or the disk does not take
        it. It stays where it is.
    """
    try:
        flush_file(path)
        size, digest, head = digest_of(path)
    except OSError as error:
        raise IntakeError(
            f"The disk did not take the file {printable(camera_name, 60)}: {error.strerror}.",
            kept="The camera keeps its own copy.",
            todo="Check the disk and the room on it, then go on: the picture is fetched again.",
        ) from error
    if size == 0 or (stated is not None and stated != size):
        said = "nothing" if stated is None else megabytes(stated)
        raise IntakeError(
            f"The file {printable(camera_name, 60)} came with {size} bytes; the camera had "
            f"stated {said}.",
            kept=f"What came is in {printable(str(path))}; the camera keeps its own copy.",
            todo="Fetch it again.",
        )
    ending, may_be_raw = ending_of(camera_name, head)
    return Arrival(path, size, digest, ending, may_be_raw)


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


def settle(moves: Sequence[tuple[Path, Path]]) -> None:
    """Give arrived files their names in the roll's folder, and make the names last.

    A hard link refuses to replace an existing name, which a rename would not; where the file
    system has no hard links the name is checked under the roll's lock. The new names reach the
    disk before the old ones are given up, so that a file always has one.

    Raises
    ------
    IntakeError
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
            raise IntakeError(
                f"There is already a file {printable(final.name)}.",
                kept=f"It was not touched; the new picture is in {printable(str(part))}.",
                todo="Look at both files; start the program again to have the new one filed.",
            ) from error
        except OSError as error:
            raise IntakeError(
                f"{printable(final.name)} could not be filed: {error.strerror}.",
                kept=f"The picture is whole in {printable(str(part))}, and in the camera.",
                todo="Check the disk and the folder's permissions, then start the program again: "
                "the picture is filed then.",
            ) from error
    for folder in folders:
        flush_folder(folder)
    for part in linked:
        with contextlib.suppress(OSError):  # the file has its name; the next start tidies up
            part.unlink()
