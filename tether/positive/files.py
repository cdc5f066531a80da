"""Write positives: JPEG and 16-bit TIFF, each with its colour profile and its facts."""

from __future__ import annotations

import os
import struct
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image, ImageCms
from PIL.Image import Image as Picture

from tether.disk import replace_whole
from tether.positive.exif import SOFTWARE, Labels, exif_bytes, exif_entries, main_entries
from tether.positive.tiff_directory import ASCII, packed_directory, text_bytes

XMP_TAG = 700
"""The TIFF tag that holds an XMP packet (ISO 16684-1; Adobe XMP part 3)."""

EXIF_TAG = 34665
"""The TIFF tag that holds the place of the Exif directory (CIPA DC-008, 4.6.3)."""

_SOFTWARE_TAG = 305
_LONG = 4


def write_jpeg(
    picture: NDArray[np.uint16],
    path: Path,
    *,
    quality: int,
    labels: Labels,
) -> None:
    """Write an 8-bit JPEG, sRGB or grey with sRGB's tone curve; an older file is replaced whole."""
    save_jpeg(Image.fromarray(eight_bit(picture)), path, quality=quality, labels=labels)


def save_jpeg(image: Picture, path: Path, *, quality: int | str, labels: Labels) -> None:
    """Write a grey or an sRGB picture of 8 bits; ``quality`` "keep" is for one that was a JPEG."""
    more: dict[str, Any] = {}
    if quality != "keep":
        more["subsampling"] = 0 if isinstance(quality, int) and quality >= 90 else 2
    if labels.per_inch:
        more["dpi"] = (labels.per_inch, labels.per_inch)

    def write(part: Path) -> None:
        image.save(
            part,
            "JPEG",
            quality=quality,
            icc_profile=grey_profile() if image.mode == "L" else colour_profile(),
            exif=exif_bytes(labels, image.size),
            xmp=labels.xmp,
            **more,
        )

    replace_whole(path, write)


def write_tiff(picture: NDArray[np.uint16], path: Path, *, labels: Labels) -> None:
    """Write an uncompressed 16-bit TIFF 6.0 with the JPEG's values, profile, Exif and XMP."""
    grey = picture.ndim == 2
    entries = main_entries(labels)
    extra: list[tuple[int, str | int, int, object, bool]] = [(274, "H", 1, 1, True)]
    # Those of the resolution tifffile writes itself, and the software too.
    extra += [
        (code, "s", 0, text_bytes(str(value)), True)
        for code, (kind, value) in entries.items()
        if kind == ASCII and code != _SOFTWARE_TAG
    ]
    if labels.xmp:
        extra.append((XMP_TAG, 1, len(labels.xmp), labels.xmp, True))
    per_inch = labels.per_inch or 72.0

    def write(part: Path) -> None:
        tifffile.imwrite(
            part,
            picture,
            photometric="minisblack" if grey else "rgb",
            compression=None,
            metadata=None,
            software=SOFTWARE,
            resolution=(per_inch, per_inch),
            resolutionunit="INCH",
            iccprofile=grey_profile() if grey else colour_profile(),
            extratags=extra,
            byteorder="<",
            bigtiff=False,
        )
        _add_exif(part, labels)

    replace_whole(path, write)


def _add_exif(path: Path, labels: Labels) -> None:
    """Give a TIFF of one picture an Exif directory, which tifffile does not write.

    TIFF 6.0, section 2: an entry has 12 bytes, entries stand in the order of their tags, and a
    directory may lie anywhere. So a new main directory is put behind the picture, with one entry
    more, and the header names that one.
    """
    with path.open("r+b") as file:
        (first,) = struct.unpack("<4xI", file.read(8))
        file.seek(first)
        (count,) = struct.unpack("<H", file.read(2))
        table = file.read(12 * count)
        entries = [table[i : i + 12] for i in range(0, len(table), 12)]
        at = file.seek(0, os.SEEK_END)
        file.write(b"\0" * (at % 2))  # directories begin on an even byte
        at += at % 2
        directory = packed_directory(exif_entries(labels), at)
        file.write(directory)
        entries.append(struct.pack("<HHII", EXIF_TAG, _LONG, 1, at))
        entries.sort(key=lambda entry: struct.unpack_from("<H", entry))
        file.write(struct.pack("<H", len(entries)) + b"".join(entries) + struct.pack("<I", 0))
        file.seek(4)
        file.write(struct.pack("<I", at + len(directory)))


def eight_bit(picture: NDArray[np.uint16]) -> NDArray[np.uint8]:
    """Return 16-bit values rounded to 8 bits."""
    out = np.empty(picture.shape, np.uint8)
    for top in range(0, picture.shape[0], 64):
        part = picture[top : top + 64]
        # (v * 255 + 32768) / 65536 with whole numbers, in cache.
        out[top : top + 64] = (part.astype(np.uint32) * 255 + 32768) >> 16
    return out


#: D50 in the profile connection space (ICC.1:2022, 7.2.16), as s15Fixed16 numbers.
_D50 = (0xF6D6, 0x10000, 0xD32D)

#: When a profile was made (ICC.1:2022, 7.2.8).
_DATE = (2024, 1, 1, 0, 0, 0)

#: IEC 61966-2-1 as a parametric curve of type 3: gamma, a, b, c, d.
_SRGB_CURVE = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)


def colour_profile() -> bytes:
    """Return the sRGB profile that LittleCMS makes (through Pillow), always the same bytes."""
    made = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    # It dates the profile by the clock; the same picture would differ from second to second.
    return made[:24] + struct.pack(">6H", *_DATE) + made[36:]


def grey_profile() -> bytes:
    """Return a grey profile with the tone curve of sRGB, so that grey and colour files match.

    A monochrome display profile (ICC.1:2022, 8.4.4): description, copyright, white point and
    grey curve. LittleCMS has no function that makes one through Pillow.
    """
    tags = (
        (b"desc", _localised("Grey with the sRGB tone curve")),
        (b"cprt", _localised("No copyright; use freely")),
        (b"wtpt", b"XYZ \0\0\0\0" + struct.pack(">3I", *_D50)),
        (b"kTRC", b"para\0\0\0\0\0\3\0\0" + struct.pack(">5i", *map(_fixed, _SRGB_CURVE))),
    )
    at = 128 + 4 + 12 * len(tags)
    table, data = struct.pack(">I", len(tags)), b""
    for name, body in tags:
        table += name + struct.pack(">2I", at + len(data), len(body))
        data += body + b"\0" * (-len(body) % 4)
    size = at + len(data)
    header = struct.pack(
        ">I4sI4s4s4s6H4s4sI4s4sQI3I4s16s28x",
        size, b"\0\0\0\0", 0x04300000, b"mntr", b"GRAY", b"XYZ ",
        *_DATE,
        b"acsp", b"\0\0\0\0", 0, b"\0\0\0\0", b"\0\0\0\0", 0, 0, *_D50, b"\0\0\0\0", b"\0" * 16,
    )  # fmt: skip
    return header + table + data


def _localised(words: str) -> bytes:
    text = words.encode("utf-16-be")
    return b"mluc\0\0\0\0" + struct.pack(">2I2s2s2I", 1, 12, b"en", b"US", len(text), 28) + text


def _fixed(value: float) -> int:
    return round(value * 65536)
