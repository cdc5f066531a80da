"""What a raw file says about its exposure, carried over into the positive."""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import rawpy
import tifffile
from PIL import Image
from PIL.TiffImagePlugin import IFDRational, ImageFileDirectory_v2

from tether.text import printable

SOFTWARE = "tether"

# Tag numbers of TIFF 6.0 and Exif (CIPA DC-008).
_MAIN = {271: "make", 272: "model", 306: "changed"}
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
    changed: str | None = None
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
            raw.open_file(str(path))
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


def exif_bytes(facts: ShotFacts, description: str, size: tuple[int, int]) -> bytes:
    """Return an Exif block for a JPEG of that (width, height), upright, with the shot's facts."""
    exif = Image.Exif()
    exif.endian = "<"
    exif[270] = _ascii(description)
    exif[274] = 1
    exif[282] = exif[283] = IFDRational(72, 1)
    exif[296] = 2  # per inch
    exif[305] = SOFTWARE
    exif[531] = 1  # YCbCrPositioning: centred
    for code, name in _MAIN.items():
        if value := getattr(facts, name):
            exif[code] = _ascii(value)
    inner = exif.get_ifd(34665)
    inner.update(_shot_tags(facts))
    inner[37121] = b"\1\2\3\0"  # ComponentsConfiguration: Y, Cb, Cr
    inner[40962], inner[40963] = size
    # Pillow knows no type for ComponentsConfiguration and writes bytes; Exif wants it undefined.
    as_bytes, undefined = (struct.pack("<HHI", 37121, kind, 4) for kind in (1, 7))
    return bytes(exif.tobytes()).replace(as_bytes, undefined, 1)


def exif_directory(facts: ShotFacts, at: int) -> bytes:
    """Return an Exif directory (little-endian) for a TIFF, to be written at that offset in it.

    What Exif asks of uncompressed pictures; size and components stand in the main directory.
    """
    directory = ImageFileDirectory_v2(b"II*\0\0\0\0\0", group=34665)
    for code, value in _shot_tags(facts).items():
        directory[code] = value
    return bytes(directory.tobytes(at))


def _shot_tags(facts: ShotFacts) -> dict[int, Any]:
    tags: dict[int, Any] = {
        36864: b"0232",  # ExifVersion
        40960: b"0100",  # FlashpixVersion
        40961: 1,  # ColorSpace: sRGB
    }
    for code, name in _EXIF.items():
        value = getattr(facts, name)
        if value is None:
            continue
        if name in ("taken", "lens"):
            tags[code] = _ascii(value)
        elif name == "iso":
            tags[code] = min(65535, round(value))
        else:
            ratio = Fraction(value).limit_denominator(100_000)
            tags[code] = IFDRational(ratio.numerator, ratio.denominator)
    return tags


def tiff_tags(facts: ShotFacts) -> list[tuple[int, str, int, str, bool]]:
    """Return the facts that have a place in a TIFF's main directory, for tifffile."""
    found = [(code, getattr(facts, name)) for code, name in _MAIN.items()]
    return [(code, "s", 0, _ascii(value), True) for code, value in found if value]


def _text(value: object) -> str | None:
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    if not isinstance(value, str):
        return None
    return printable(value.strip("\0 "), 120) or None


def _ascii(text: str) -> str:
    """Exif's text is ASCII; the whole text is in the XMP beside it."""
    return text.encode("ascii", "replace").decode("ascii")


def _number(value: object) -> float | None:
    try:
        if isinstance(value, tuple | list):
            value = value[0] / value[1] if len(value) == 2 else value[0]
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError, IndexError, OverflowError):
        return None
    return number if math.isfinite(number) and 0 < number < 1e9 else None
