"""Whether a file holds all that it says it holds, for cameras that do not state its size.

Sources: TIFF 6.0, section 2 (image file directories) and its tags StripOffsets (273),
StripByteCounts (279), TileOffsets (324), TileByteCounts (325); SubIFDs (330, Adobe's TIFF
Technical Note 1); ISO/IEC 14496-12, 4.2 (boxes); JPEG (ISO/IEC 10918-1) ends with FF D9.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

_MOST_DIRECTORIES = 64
_MOST_VALUES = 200_000
"""Values of all directories together that are looked at: real files have some thousands."""
_MOST_BOXES = 10_000
_TAIL = 65536
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 13: 4}
_PARTS = ((273, 279), (324, 325))
_SUB_DIRECTORIES = 330
_LOOKED_AT = frozenset({tag for part in _PARTS for tag in part} | {_SUB_DIRECTORIES})


def is_whole(path: Path) -> bool:
    """Tell whether nothing that a file speaks of lies beyond its end.

    A file of a kind that is not known here counts as whole. Reads little, and never more than
    the limits above, whatever the file says.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(16)
        if head[:4] in (b"II*\0", b"MM\0*"):
            return _tiff(file, size, "<" if head[:2] == b"II" else ">")
        if head[4:8] == b"ftyp":
            return _boxes(file, size)
        if head[:2] == b"\xff\xd8":
            file.seek(max(0, size - _TAIL))
            return b"\xff\xd9" in file.read(_TAIL)
    return True


class _Short(Exception):
    """Something lies beyond the end of the file."""


def _tiff(file: BinaryIO, size: int, order: str) -> bool:
    left = _MOST_VALUES

    def read(offset: int, count: int) -> bytes:
        if offset < 0 or offset + count > size:
            raise _Short
        file.seek(offset)
        return file.read(count)

    def values_of(kind: int, count: int, data: bytes) -> tuple[int, ...]:
        nonlocal left
        left -= count
        return struct.unpack(f"{order}{count}{'H' if kind == 3 else 'I'}", data)

    def directory(at: int) -> Iterator[int]:
        """Check one directory; yield where further ones lie."""
        count = struct.unpack(order + "H", read(at, 2))[0]
        entries = read(at + 2, 12 * count + 4)
        found: dict[int, tuple[int, ...]] = {}
        for i in range(count):
            tag, kind, values, offset = struct.unpack_from(order + "HHII", entries, 12 * i)
            length = _SIZES.get(kind, 0) * values
            if length > 4 and offset + length > size:
                raise _Short
            if kind in (3, 4, 13) and tag in _LOOKED_AT and tag not in found and values <= left:
                data = read(offset, length) if length > 4 else entries[12 * i + 8 : 12 * i + 12]
                found[tag] = values_of(kind, values, data[:length])
        for offsets, lengths in _PARTS:
            for start, length in zip(found.get(offsets, ()), found.get(lengths, ()), strict=False):
                if start + length > size:
                    raise _Short
        yield from found.get(_SUB_DIRECTORIES, ())
        yield struct.unpack_from(order + "I", entries, 12 * count)[0]

    try:
        waiting = [struct.unpack(order + "I", read(4, 4))[0]]
        seen: set[int] = set()
        while waiting and len(seen) < _MOST_DIRECTORIES:
            at = waiting.pop()
            if at == 0 or at in seen:
                continue
            seen.add(at)
            waiting += directory(at)
    except _Short:
        return False
    return True


def _boxes(file: BinaryIO, size: int) -> bool:
    at = 0
    for _ in range(_MOST_BOXES):
        if at == size:
            return True
        file.seek(at)
        head = file.read(16)
        if len(head) < 8:
            return False
        length = int.from_bytes(head[:4], "big")
        if length == 1:
            length = int.from_bytes(head[8:16], "big")
        if length == 0:  # to the end of the file
            return True
        at += max(length, 8)
        if at > size:
            return False
    return True
