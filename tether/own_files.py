"""Telling a raw positive, which this program makes of a raw file, from what a camera wrote."""

from __future__ import annotations

import os
import struct
from pathlib import Path

from tether.disk import open_plain

MARK = "positive of film"
"""Stands in the name of the camera (``UniqueCameraModel``) of every raw positive."""

_UNIQUE_CAMERA_MODEL = 50708
_LONGEST = 1000


def is_raw_positive(path: Path) -> bool:
    """Tell whether a file is a raw positive, by the camera that its first directory names.

    False for what cannot be read: that is said by whoever wants more of it.
    """
    try:
        with os.fdopen(open_plain(path), "rb") as file:
            head = file.read(8)
            if head[:4] not in (b"II*\0", b"MM\0*"):
                return False
            order = "<" if head[:2] == b"II" else ">"
            file.seek(struct.unpack(order + "I", head[4:])[0])
            (count,) = struct.unpack(order + "H", file.read(2))
            entries = file.read(12 * count)
            for at in range(0, len(entries) - 11, 12):
                code, _, length, place = struct.unpack_from(order + "HHII", entries, at)
                if code == _UNIQUE_CAMERA_MODEL:
                    file.seek(place)
                    return MARK.encode() in file.read(min(length, _LONGEST))
    except (OSError, struct.error, OverflowError, ValueError):
        return False
    return False
