"""What a raw file says about its exposure, and what a positive says of itself in Exif."""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import rawpy
import tifffile

from tether import __version__
from tether.positive.tiff_directory import (
    ASCII,
    LONG,
    RATIONAL,
    SHORT,
    UNDEFINED,
    Entry,
    packed_directory,
)
from tether.raw import open_in_libraw
from tether.text import printable

SOFTWARE = f"tether {__version__}"

# Tag numbers of TIFF 6.0 and Exif (CIPA DC-008).
_MAIN = {271: "make", 272: "model"}
_EXIF = {
    33434: "seconds",
    33437: "f_number",
    34855: "iso",
    36867: "taken",
    37386: "focal_length",
    42036: "lens",
}


@dataclass(frozen=True, slots=True)
class ShotFacts:
    """What is carried over; None where the raw file does not say. All of it untrusted."""

    make: str | None = None
    model: str | None = None
    taken: str | None = None
    lens: str | None = None
    seconds: float | None = None
    f_number: float | None = None
    iso: float | None = None
    focal_length: float | None = None


def shot_facts(path: Path) -> ShotFacts:
    """Read the facts of a raw file: from its Exif where it is built like a TIFF, else LibRaw's.

    A file that cannot be read gives no facts; it is the positive that then has none.
    """
    found = _from_tiff(path)
    return ShotFacts(**{**_from_libraw(path), **found})


def _from_tiff(path: Path) -> dict[str, Any]:
    found: dict[str, Any] = {}
    try:
        with tifffile.TiffFile(path) as file:
            tags = file.pages.first.tags
            for code, name in _MAIN.items():
                found[name] = _text(tags.valueof(code))
            inner = tags.valueof(34665)
            for code, name in _EXIF.items():
                value = inner.get(_NAMES[code]) if isinstance(inner, Mapping) else None
                found[name] = _text(value) if name in ("taken", "lens") else _number(value)
    except (tifffile.TiffFileError, OSError, ValueError, TypeError, KeyError, IndexError):
        return {}
    except (struct.error, AttributeError, MemoryError):  # a damaged directory
        return {}
    return {name: value for name, value in found.items() if value is not None}


_NAMES = {
    33434: "ExposureTime",
    33437: "FNumber",
    34855: "ISOSpeedRatings",
    36867: "DateTimeOriginal",
    37386: "FocalLength",
    42036: "LensModel",
}


def _from_libraw(path: Path) -> dict[str, Any]:
    try:
        with rawpy.RawPy() as raw:
            open_in_libraw(raw, path)
            other, when = raw.other, raw.other.timestamp
            return {
                # A camera without a clock says 1970, or nothing.
                "taken": f"{when:%Y:%m:%d %H:%M:%S}" if when and when.year > 1980 else None,
                "lens": _text(raw.lens.model),
                "seconds": _number(other.shutter_speed),
                "f_number": _number(other.aperture),
                "iso": _number(other.iso_speed),
                "focal_length": _number(other.focal_length),
            }
    except (rawpy.LibRawError, ValueError, OverflowError):  # a date that cannot be
        return {}


@dataclass(frozen=True, slots=True)
class Labels:
    """What a positive says of itself; all of it may come from outside.

    Attributes
    ----------
    description, artist, rights
        Texts in any script.
    shot
        The exposure of the raw file.
    exposed
        The day on which the film was exposed, "1987-06-12"; "" where it is not known to the day.
    copied
        When the film was photographed, in ISO 8601 with its offset.
    per_inch
        Pixels along an inch of film, None where that is not known.
    xmp
        A packet, see `tether.delivery.xmp`.
    """

    description: str = ""
    shot: ShotFacts = field(default_factory=ShotFacts)
    artist: str = ""
    rights: str = ""
    exposed: str = ""
    copied: str = ""
    per_inch: float | None = None
    xmp: bytes = b""


def exif_bytes(labels: Labels, size: tuple[int, int]) -> bytes:
    """Return an Exif block for a JPEG of that (width, height), upright."""
    inner = exif_entries(labels) | {
        37121: (UNDEFINED, b"\1\2\3\0"),  # ComponentsConfiguration: Y, Cb, Cr
        40962: (LONG, [size[0]]),
        40963: (LONG, [size[1]]),
    }
    exif = packed_directory(inner, 8)
    main = main_entries(labels) | {
        274: (SHORT, [1]),
        531: (SHORT, [1]),  # YCbCrPositioning: centred
        34665: (LONG, [8]),
    }
    at = 8 + len(exif)
    return b"Exif\0\0II*\0" + struct.pack("<I", at) + exif + packed_directory(main, at)


def main_entries(labels: Labels) -> dict[int, Entry]:
    """Return what stands in the main directory of a JPEG's Exif, a TIFF or a DNG."""
    # Exif: 72 where the resolution is not known.
    per_inch = labels.per_inch or 72.0
    found: dict[int, Entry] = {
        282: (RATIONAL, [per_inch]),
        283: (RATIONAL, [per_inch]),
        296: (SHORT, [2]),  # per inch
        305: (ASCII, SOFTWARE),
    }
    for code, text in (
        (270, labels.description),
        (271, labels.shot.make),
        (272, labels.shot.model),
        (315, labels.artist),
        (33432, labels.rights),
    ):
        if text:
            found[code] = (ASCII, text)
    return found


def exif_entries(labels: Labels) -> dict[int, Entry]:
    """Return what stands in the Exif directory of every kind of file.

    The film's own date is `DateTimeOriginal`, and only where its day is known; the time of day is
    then 0:00 (common practice, no published source: the Metadata Working Group's guidelines want
    the date alone, which Exif has no form for). The copying is `DateTimeDigitized`.
    """
    shot = labels.shot
    found: dict[int, Entry] = {
        36864: (UNDEFINED, b"0232"),  # ExifVersion
        40960: (UNDEFINED, b"0100"),  # FlashpixVersion
        40961: (SHORT, [1]),  # ColorSpace: sRGB
        41728: (UNDEFINED, b"\3"),  # FileSource: a digital still camera
    }
    for code, number in ((33434, shot.seconds), (33437, shot.f_number), (37386, shot.focal_length)):
        if number is not None:
            found[code] = (RATIONAL, [number])
    if shot.iso is not None:
        found[34855] = (SHORT, [min(65535, round(shot.iso))])
    if shot.lens:
        found[42036] = (ASCII, shot.lens)
    if labels.exposed:
        found[36867] = (ASCII, f"{labels.exposed.replace('-', ':')} 00:00:00")
    with suppress(ValueError):
        copied = datetime.fromisoformat(labels.copied)
        found[36868] = (ASCII, f"{copied:%Y:%m:%d %H:%M:%S}")
        if copied.tzinfo is not None:
            found[36882] = (ASCII, copied.isoformat()[-6:])
        found[37522] = (ASCII, f"{copied.microsecond // 1000:03d}")
    return found


def _text(value: object) -> str | None:
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    if not isinstance(value, str):
        return None
    return printable(value.strip("\0 "), 120) or None


def _number(value: object) -> float | None:
    try:
        if isinstance(value, tuple | list):
            value = value[0] / value[1] if len(value) == 2 else value[0]
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError, IndexError, OverflowError):
        return None
    return number if math.isfinite(number) and 0 < number < 1e9 else None
