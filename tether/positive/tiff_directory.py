"""Directories of TIFF 6.0 (section 2), packed: what Exif blocks, TIFF and DNG files are made of.

Texts are UTF-8 in the ASCII type. Exif's own type for UTF-8 (129, of Exif 3.0) is not known to
the readers that were tried; they show UTF-8 in the ASCII type as it is.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from fractions import Fraction

from tether.text import printable

BYTE, ASCII, SHORT, LONG, RATIONAL = 1, 2, 3, 4, 5
UNDEFINED, SRATIONAL, FLOAT, DOUBLE = 7, 10, 11, 12

Entry = tuple[int, object]
"""A type and its value: text, bytes, or a list of numbers."""

_LETTERS = {BYTE: "B", SHORT: "H", LONG: "I", FLOAT: "f", DOUBLE: "d"}
_LONGEST_TEXT = 2000


def packed_directory(entries: Mapping[int, Entry], at: int) -> bytes:
    """Return a directory (little-endian) that is to be written at that even offset.

    What has no room in an entry lies behind the directory. The length is even.
    """
    behind, fields = b"", b""
    start = at + 2 + 12 * len(entries) + 4
    for code, (kind, value) in sorted(entries.items()):
        count, data = _packed(kind, value)
        place = data.ljust(4, b"\0")
        if len(data) > 4:
            place = struct.pack("<I", start + len(behind))
            behind += data + b"\0" * (len(data) % 2)
        fields += struct.pack("<HHI", code, kind, count) + place
    return struct.pack("<H", len(entries)) + fields + struct.pack("<I", 0) + behind


def text_bytes(text: str) -> bytes:
    """Return a text as it is stored, with its end."""
    return printable(text, _LONGEST_TEXT).encode("utf-8", "replace") + b"\0"


def _packed(kind: int, value: object) -> tuple[int, bytes]:
    """Return how many values an entry has, and their bytes."""
    if isinstance(value, str):
        value = text_bytes(value)
    if isinstance(value, bytes):
        return len(value), value
    assert isinstance(value, list)
    if kind in (RATIONAL, SRATIONAL):
        ratios = [Fraction(number).limit_denominator(1_000_000) for number in value]
        parts = [part for r in ratios for part in (r.numerator, r.denominator)]
        return len(value), struct.pack(f"<{len(parts)}{'I' if kind == RATIONAL else 'i'}", *parts)
    return len(value), struct.pack(f"<{len(value)}{_LETTERS[kind]}", *value)
