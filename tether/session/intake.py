"""How a fetched file becomes part of the archive: whole, on the disk, under its own name.

The order matters, and each step says why. A file is fetched into ``incoming/`` of the same
roll, so that giving it its name never copies it. Its bytes reach the disk before its name does,
so that a name never stands for half a file. The name reaches the disk before the database says
that the frame is taken.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import os
from dataclasses import dataclass
from pathlib import Path

from tether.errors import TetherError
from tether.session.names import ending_of
from tether.text import megabytes, printable

_BLOCK = 1 << 20


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
        _flush(handle)
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


def _flush(handle: int) -> None:
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
        When the file is empty or its size is not what the camera said. It stays where it is.
    """
    flush_file(path)
    digest = hashlib.sha256()
    size = 0
    head = b""
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            head = head or block[:16]
            digest.update(block)
            size += len(block)
    if size == 0 or (stated is not None and stated != size):
        said = "nothing" if stated is None else megabytes(stated)
        raise IntakeError(
            f"The file {printable(camera_name, 60)} came with {size} bytes; the camera had "
            f"stated {said}.",
            kept=f"What came is in {path}; the camera keeps its own copy.",
            todo="Fetch it again.",
        )
    ending, may_be_raw = ending_of(camera_name, head)
    return Arrival(path, size, digest.hexdigest(), ending, may_be_raw)


def settle(arrival: Arrival, final: Path) -> None:
    """Give an arrived file its name in the roll's folder, and flush the folder.

    A hard link refuses to replace an existing name, which a rename would not; where the file
    system has no hard links the name is checked under the roll's lock.

    Raises
    ------
    IntakeError
        When the name is taken. Nothing is overwritten.
    """
    try:
        os.link(arrival.path, final)
    except FileExistsError as error:
        raise _taken(arrival, final) from error
    except OSError:
        if final.exists():
            raise _taken(arrival, final) from None
        arrival.path.rename(final)
    else:
        arrival.path.unlink()
    flush_folder(final.parent)


def _taken(arrival: Arrival, final: Path) -> IntakeError:
    return IntakeError(
        f"There is already a file {printable(final.name)}.",
        kept=f"It was not touched; the new picture is in {arrival.path}.",
        todo="Look at both files; start the program again to have the new one filed.",
    )
