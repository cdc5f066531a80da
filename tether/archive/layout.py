"""Names of folders and files in the archive, from texts that cannot be trusted."""

from __future__ import annotations

import hashlib
import os
import re
import shlex
from pathlib import Path

from tether.text import is_control, printable

#: Room for a roll's part in a file name: 255 bytes is what common file systems allow, and the
#: frame, the take and the ending want some of it.
_SLUG_BYTES = 120

#: Bytes of one name on common file systems.
LONGEST_NAME = 255

#: The database lies beside the rolls' folders, with two files of SQLite's own.
DATABASE = "tether.sqlite3"

DAMAGED_FOLDER = "damaged"
"""Folder for files that are not what was recorded, beside where they were."""

#: Folder of a roll for test shots, which belong to no frame.
BENCH_FOLDER = "bench"

RAW_ENDINGS = frozenset(
    {"dng", "nef", "nrw", "cr2", "cr3", "crw", "arw", "sr2", "srf", "raf", "rw2", "raw", "orf"}
    | {"ori", "pef", "srw", "3fr", "fff", "iiq", "x3f", "erf", "mef", "mos", "mrw", "kdc", "dcr"}
    | {"rwl", "gpr"}
)
"""Endings of the raw files that cameras write."""

CAPTURE_NAME = re.compile(
    r"^(?P<roll>.+)_f(?P<frame>\d{3,})_t(?P<take>\d+)\.(?P<ending>[a-z0-9]+)$"
)


def folder_name(roll_name: str) -> str:
    """Return a folder name for a roll: readable, at most 120 bytes, safe on any file system.

    Letters of any script stay. What a common file system refuses becomes a dash; when
    something had to change, a short digest keeps two such names apart.
    """
    safe = "".join("-" if c in '<>:"/\\|?*' or is_control(c) else c for c in roll_name)
    safe = safe.strip(" .") or "roll"
    word = safe.lower()
    if (
        word.split(".")[0] in _RESERVED
        or word in _OWN_NAMES
        or word.startswith(("-", "~", DATABASE))
    ):
        safe = f"roll {safe.lstrip('-~')}"
    short = _cut(safe, _SLUG_BYTES)
    return short if short == roll_name else with_digest(safe, roll_name)


def with_digest(folder: str, roll_name: str) -> str:
    """Return a folder name with a short digest of the roll's name at its end."""
    digest = hashlib.sha256(roll_name.encode("utf-8")).hexdigest()[:8]
    return f"{_cut(folder, _SLUG_BYTES - 9)}-{digest}"


def is_safe_name(name: object) -> bool:
    """Tell whether a name read from a database or a file names something inside a folder.

    Whoever can edit those can write anything there: a path, a parent folder, a control character.
    """
    return (
        isinstance(name, str)
        and name not in ("", ".", "..")
        and not any(c in "/\\" or is_control(c) for c in name)
        and len(os.fsencode(name)) <= LONGEST_NAME
    )


def is_file_entry(name: object, size: object, digest: object) -> bool:
    """Tell whether name, bytes and SHA-256 read from a file beside the raw files make sense."""
    return (
        is_safe_name(name)
        and isinstance(size, int)
        and not isinstance(size, bool)
        and 0 < size < 1 << 50
        and isinstance(digest, str)
        and _SHA256.match(digest) is not None
    )


_SHA256 = re.compile(r"^[0-9a-f]{64}$")

#: What lies beside the rolls' folders in an archive, in a copy folder, and in one of rehearsals.
_OWN_NAMES = frozenset({"archive.json", "waiting.jsonl", "tether-copy.json", "simulated card"})

#: Device names that one common desktop system reserves in every folder.
_RESERVED = frozenset(
    ["con", "prn", "aux", "nul", *(f"{d}{n}" for d in ("com", "lpt") for n in range(1, 10))]
)


def _cut(text: str, size: int) -> str:
    return text.encode("utf-8")[:size].decode("utf-8", "ignore").rstrip(" .")


def capture_name(roll_folder: str, frame: int, take: int, ending: str) -> str:
    """Return the file name of a capture, for example ``Harbour_f007_t1.dng``."""
    return f"{roll_folder}_f{frame:03d}_t{take}.{ending}"


def memory_name(frame: int, take: int) -> str:
    """Return the name of the file with what the measurements remember of a capture."""
    return f"f{frame:03d}_t{take}.npz"


def ending_of(camera_name: str, head: bytes) -> tuple[str, bool]:
    """Tell a file's ending and whether it can be a raw file, from its first bytes.

    The bytes decide, since the name comes from outside: a JPEG is never taken for a raw file,
    whatever it is called. The camera's own ending is kept when it is a known raw ending.

    Returns
    -------
    tuple
        ``(ending, may_be_raw)``, for example ``("dng", True)``.
    """
    if head.startswith(b"\xff\xd8\xff"):
        return "jpg", False
    if head[4:12] in (b"ftypheic", b"ftypmif1", b"ftypheix"):
        return "heic", False
    claimed = camera_name.rpartition(".")[2].lower()
    if claimed in RAW_ENDINGS:
        return claimed, True
    return ("dng" if head[:4] in (b"II*\0", b"MM\0*") else "raw"), True


def rebuild_command(root: Path) -> str:
    """Return the command that builds an archive's database again, to paste into a shell."""
    return f"tether rebuild --archive {shlex.quote(printable(str(root), 1000))}"
