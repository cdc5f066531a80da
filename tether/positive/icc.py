"""The colour profiles that positives carry."""

from __future__ import annotations

import struct

#: D50 in the profile connection space (ICC.1:2022, 7.2.16), as s15Fixed16 numbers.
_D50 = (0xF6D6, 0x10000, 0xD32D)

#: When a profile was made (ICC.1:2022, 7.2.8).
_DATE = (2024, 1, 1, 0, 0, 0)

#: IEC 61966-2-1 as a parametric curve of type 3: gamma, a, b, c, d.
_SRGB_CURVE = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)


def colour_profile() -> bytes:
    """Return the sRGB profile that LittleCMS makes (through Pillow), always the same bytes."""
    from PIL import ImageCms

    made = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    # It dates the profile by the clock; the same picture would differ from second to second.
    return made[:24] + struct.pack(">6H", *_DATE) + made[36:]


def grey_profile() -> bytes:
    """Return a grey profile with the tone curve of sRGB, so that grey and colour files match.

    A monochrome display profile (ICC.1:2022, 8.4.4): description, copyright, white point and
    grey curve. LittleCMS has no function that makes one through Pillow.
    """
    tags = (
        (b"desc", _text("Grey with the sRGB tone curve")),
        (b"cprt", _text("No copyright; use freely")),
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


def _text(words: str) -> bytes:
    text = words.encode("utf-16-be")
    return b"mluc\0\0\0\0" + struct.pack(">2I2s2s2I", 1, 12, b"en", b"US", len(text), 28) + text


def _fixed(value: float) -> int:
    return round(value * 65536)
