"""An uncompressed CFA DNG (Adobe DNG specification 1.4, on TIFF 6.0 and Exif) of a mosaic."""

from __future__ import annotations

import io
import struct
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction

import numpy as np
import tifffile
from numpy.typing import NDArray

MAKE = "Simulated Bench"
MODEL = "Bench Camera One"

#: XYZ (D50) to linear sRGB primaries, Bradford-adapted (IEC 61966-2-1; values from memory).
_XYZ_D50_TO_RGB = (
    (3.1338561, -1.6168667, -0.4906146),
    (-0.9787684, 1.9161415, 0.0334540),
    (0.0719453, -0.2289914, 1.4052427),
)
_CFA_PHOTOMETRIC = 32803
_EXIF_POINTER = 34665
#: tifffile writes no Exif pointer, so its place in the directory is kept by the code before it.
_PLACE_HOLDER = 34664


@dataclass(frozen=True, slots=True)
class RawFacts:
    """What the file says about its mosaic; see `SensorConfig` for the fields."""

    tile: tuple[tuple[int, int], tuple[int, int]]
    black: int
    white: int
    response: tuple[float, float, float]
    neutral: tuple[float, float, float]
    seconds: float
    f_number: float
    iso: float
    taken: datetime


def write_dng(mosaic: NDArray[np.uint16], facts: RawFacts) -> bytes:
    """Return the bytes of a DNG that holds the mosaic, untouched.

    The colour matrix is that of a camera with the primaries of sRGB and the sensor's response,
    stated for D50 (CalibrationIlluminant1 = 23).
    """
    matrix = [
        round(value * response * 10_000)
        for row, response in zip(_XYZ_D50_TO_RGB, facts.response, strict=True)
        for value in row
    ]
    stamp = facts.taken.strftime("%Y:%m:%d %H:%M:%S")
    pattern = bytes(channel for row in facts.tile for channel in row)
    height, width = mosaic.shape
    tags: list[tuple[int, str | int, int, object, bool]] = [
        (271, "s", 0, MAKE, True),
        (272, "s", 0, MODEL, True),
        (274, "H", 1, 1, True),
        (306, "s", 0, stamp, True),
        (33421, "H", 2, (2, 2), True),
        (33422, "B", 4, pattern, True),
        (_PLACE_HOLDER, "I", 1, 0, True),
        (50706, "B", 4, b"\x01\x04\x00\x00", True),
        (50707, "B", 4, b"\x01\x01\x00\x00", True),
        (50708, "s", 0, MODEL, True),
        (50710, "B", 3, b"\x00\x01\x02", True),
        (50711, "H", 1, 1, True),
        (50713, "H", 2, (1, 1), True),
        (50714, "H", 1, facts.black, True),
        (50717, "H", 1, facts.white, True),
        (50719, "H", 2, (0, 0), True),
        (50720, "H", 2, (width, height), True),
        (50721, "2i", 9, tuple(v for value in matrix for v in (value, 10_000)), True),
        (50728, "2I", 3, _rationals(facts.neutral), True),
        (50778, "H", 1, 23, True),
        (50829, "I", 4, (0, 0, height, width), True),
    ]
    out = io.BytesIO()
    tifffile.imwrite(
        out,
        mosaic,
        photometric=_CFA_PHOTOMETRIC,
        compression=None,
        metadata=None,
        software=False,
        byteorder="<",
        subfiletype=0,
        extratags=tags,
    )
    _attach_exif(out, facts, stamp)
    return out.getvalue()


def _attach_exif(out: io.BytesIO, facts: RawFacts, stamp: str) -> None:
    """Append an Exif IFD (CIPA DC-008) and point the file's ExifIFD tag to it."""
    out.seek(0)
    with tifffile.TiffFile(out) as file:
        tag = file.pages.first.tags[_PLACE_HOLDER]
        code_at, pointer_at = tag.offset, tag.valueoffset
    end = out.seek(0, io.SEEK_END)
    if end % 2:
        out.write(b"\0")
        end += 1
    text = stamp.encode("ascii") + b"\0"
    seconds = struct.pack("<II", *_rationals((facts.seconds,)))
    f_number = struct.pack("<II", *_rationals((facts.f_number,)))
    entries = (
        (33434, 5, 1, seconds),
        (33437, 5, 1, f_number),
        (34855, 3, 1, struct.pack("<HH", min(65535, round(facts.iso)), 0)),
        (36864, 7, 4, b"0230"),
        (36867, 2, len(text), text),
    )
    directory = struct.pack("<H", len(entries))
    data = b""
    data_start = end + 2 + 12 * len(entries) + 4
    for code, kind, count, value in entries:
        if len(value) <= 4:
            field = value
        else:
            field = struct.pack("<I", data_start + len(data))
            data += value + b"\0" * (len(value) % 2)
        directory += struct.pack("<HHI", code, kind, count) + field
    out.write(directory + struct.pack("<I", 0) + data)
    out.seek(code_at)
    out.write(struct.pack("<H", _EXIF_POINTER))
    out.seek(pointer_at)
    out.write(struct.pack("<I", end))


def _rationals(values: tuple[float, ...]) -> tuple[int, ...]:
    """Numerator and denominator of each value, whole numbers of 32 bits."""
    parts: list[int] = []
    for value in values:
        ratio = Fraction(value).limit_denominator(1_000_000)
        parts += [ratio.numerator, ratio.denominator]
    return tuple(parts)
