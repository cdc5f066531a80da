"""Write a DNG (Adobe DNG specification 1.4, on TIFF 6.0 and Exif), with previews and digest.

Written here and not with a library: a DNG has directories in directories, of which some hold
JPEGs that are there already, and the mosaic goes to the disk without being touched once more.
"""

from __future__ import annotations

import hashlib
import io
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tether.own_files import MARK
from tether.positive.exif import Labels, exif_entries, main_entries
from tether.positive.linear import XYZ_TO_SRGB
from tether.positive.raw_positive.placing import Crop
from tether.positive.sample import Triple
from tether.positive.tiff_directory import (
    ASCII,
    BYTE,
    FLOAT,
    LONG,
    RATIONAL,
    SHORT,
    SRATIONAL,
    UNDEFINED,
    Entry,
    packed_directory,
)
from tether.text import printable

PREVIEW, THUMBNAIL = 1024, 256
"""Longest sides of the two positives inside, in pixels."""

D65 = 21
"""``LightSource`` of Exif (CIPA DC-008)."""

_TILE = 256
_ROWS = 64


class Form(Enum):
    """What the photosites of a raw positive hold.

    ``CAMERA``: the camera's values, bit for bit. ``COMPUTED``: the positive's, of one colour each
    as in the camera. ``DEMOSAICED``: the positive's, all three colours in each place.
    """

    CAMERA = "camera"
    COMPUTED = "computed"
    DEMOSAICED = "demosaiced"


@dataclass(frozen=True, slots=True)
class RawPicture:
    """What a raw positive holds, and how a reader is told to show it.

    Attributes
    ----------
    values
        uint16, shape (h, w), or (h, w, 3) demosaiced.
    tile
        0, 1 or 2 for red, green or blue at each place of the mosaic's tile, which begins at
        ``values[0, 0]``; None without a mosaic.
    form
        Of the values.
    crop, orientation
        As `tether.positive.raw_positive.placing` gives them.
    neutral
        Red, green and blue of a grey, the strongest 1; the only value of a sensor without colours
        is not balanced.
    table
        From values to linear light, shape (65536,); None leaves them as they are.
    black, white
        Levels after the table: black for each place of the tile (or one for all), row by row.
    opcodes
        An opcode list that acts after them (``OpcodeList2``).
    exposure
        Stops by which the reader is to lighten it (``BaselineExposure``).
    matrices
        (illuminant, matrix from XYZ to the camera's colours by rows), one or two.
    """

    values: NDArray[np.uint16]
    tile: NDArray[np.intp] | None
    form: Form
    crop: Crop
    orientation: int
    neutral: Triple = (1.0, 1.0, 1.0)
    table: NDArray[np.uint16] | None = None
    black: tuple[float, ...] = (0.0,)
    white: int = 65535
    opcodes: bytes = b""
    exposure: float = 0.0
    matrices: Sequence[tuple[int, tuple[float, ...]]] = ()


def neutral_matrix(neutral: Triple) -> tuple[float, ...]:
    """Return a matrix from XYZ under D65 to colours that have the primaries of sRGB.

    Scaled so that its white is ``neutral``: a grey is grey, and no reader adds a cast.
    """
    rows = zip(XYZ_TO_SRGB, neutral, strict=True)
    return tuple(value * factor for row, factor in rows for value in row)


def write_dng(
    path: Path,
    picture: RawPicture,
    labels: Labels,
    preview: NDArray[np.uint8],
    original: str,
) -> None:
    """Write a raw positive.

    Parameters
    ----------
    path
        Where to; what is there is overwritten.
    picture, labels
        What it holds.
    preview
        The positive in small, as it lies on the sensor, shape (h, w, 3), sRGB.
    original
        Name of the raw file that it is made of.
    """
    image = Image.fromarray(preview)
    large, small = _jpeg(image, PREVIEW), _jpeg(image, THUMBNAIL)
    with path.open("wb") as file:
        file.write(b"II*\0\0\0\0\0")
        exif_at = _even(file)
        file.write(packed_directory(exif_entries(labels), exif_at))
        inner = [
            _written(file, _raw_directory(picture), (picture.values,)),
            _written(file, _jpeg_directory(large), (large.data,)),
        ]
        main = _jpeg_directory(small) | _main_directory(picture, labels, original)
        main[330] = (LONG, inner)
        main[34665] = (LONG, [exif_at])
        first = _written(file, main, (small.data,))
        file.seek(4)
        file.write(struct.pack("<I", first))


def _main_directory(picture: RawPicture, labels: Labels, original: str) -> dict[int, Entry]:
    """Return the tags of the first directory that are not of its thumbnail."""
    shot = labels.shot
    make, model = printable(shot.make or "", 100), printable(shot.model or "", 100)
    camera = model if model.startswith(make) else f"{make} {model}"
    unique = f"{camera.strip() or 'Camera'}, {MARK} ({picture.form.value})"
    found = main_entries(labels) | {
        254: (LONG, [1]),
        274: (SHORT, [picture.orientation]),
        50706: (BYTE, [1, 4, 0, 0]),
        50707: (BYTE, [1, 3, 0, 0] if picture.opcodes else [1, 1, 0, 0]),
        50708: (ASCII, unique),
        50730: (SRATIONAL, [picture.exposure]),
        50731: (RATIONAL, [1.0]),
        50732: (RATIONAL, [1.0]),
        50734: (RATIONAL, [1.0]),
        50827: (ASCII, original),
        50936: (ASCII, "Linear"),
        50940: (FLOAT, [0.0, 0.0, 1.0, 1.0]),
        50941: (LONG, [0]),
        51110: (LONG, [1]),
        51111: (BYTE, list(new_raw_image_digest(picture.values))),
    }
    if labels.xmp:
        found[700] = (BYTE, labels.xmp)
    if _colours(picture) == 3:
        found[50728] = (RATIONAL, list(picture.neutral))
        for number, (illuminant, matrix) in enumerate(picture.matrices):
            found[50778 + number] = (SHORT, [illuminant])
            found[50721 + number] = (SRATIONAL, list(matrix))
    return found


def _raw_directory(picture: RawPicture) -> dict[int, Entry]:
    values, crop = picture.values, picture.crop
    height, width = values.shape[:2]
    planes = 1 if values.ndim == 2 else int(values.shape[2])
    black = picture.black if len(set(picture.black)) > 1 else picture.black[:1]
    found: dict[int, Entry] = {
        254: (LONG, [0]),
        256: (LONG, [width]),
        257: (LONG, [height]),
        258: (SHORT, [16] * planes),
        259: (SHORT, [1]),
        262: (SHORT, [34892 if picture.tile is None else 32803]),
        277: (SHORT, [planes]),
        278: (LONG, [_ROWS]),
        284: (SHORT, [1]),
        50713: (SHORT, [1, 1]),
        50714: (RATIONAL, list(black) * planes),
        50717: (LONG, [picture.white] * planes),
        50718: (RATIONAL, [1.0, 1.0]),
        50719: (LONG, [crop.left, crop.top]),
        50720: (LONG, [crop.width, crop.height]),
        50738: (RATIONAL, [1.0]),
        50829: (LONG, [0, 0, height, width]),
    }
    if picture.tile is not None:
        rows, columns = picture.tile.shape
        found[33421] = (SHORT, [rows, columns])
        found[33422] = (BYTE, picture.tile.ravel().tolist())
        found[50710] = (BYTE, [0, 1, 2])
        found[50711] = (SHORT, [1])
        if len(black) > 1:
            found[50713] = (SHORT, [rows, columns])
    if picture.table is not None:
        found[50712] = (SHORT, picture.table.tolist())
    if picture.opcodes:
        found[51009] = (UNDEFINED, picture.opcodes)
    return found


def _colours(picture: RawPicture) -> int:
    return 1 if picture.tile is None and picture.values.ndim == 2 else 3


@dataclass(frozen=True, slots=True)
class _Jpeg:
    data: bytes
    width: int
    height: int


def _jpeg(image: Image.Image, longest: int) -> _Jpeg:
    small = image.copy()
    small.thumbnail((longest, longest), Image.Resampling.BOX, reducing_gap=None)
    out = io.BytesIO()
    small.save(out, "JPEG", quality=88, subsampling=2)
    return _Jpeg(out.getvalue(), small.width, small.height)


def _jpeg_directory(jpeg: _Jpeg) -> dict[int, Entry]:
    return {
        254: (LONG, [1]),
        256: (LONG, [jpeg.width]),
        257: (LONG, [jpeg.height]),
        258: (SHORT, [8, 8, 8]),
        259: (SHORT, [7]),
        262: (SHORT, [6]),
        277: (SHORT, [3]),
        278: (LONG, [jpeg.height]),
        284: (SHORT, [1]),
        529: (RATIONAL, [0.299, 0.587, 0.114]),
        530: (SHORT, [2, 2]),
        531: (SHORT, [1]),
        532: (RATIONAL, [0.0, 255.0, 128.0, 255.0, 128.0, 255.0]),
        50970: (LONG, [2]),
    }


def _written(file: BinaryIO, entries: dict[int, Entry], data: Sequence[object]) -> int:
    """Write a directory with its picture; return where the directory lies."""
    (picture,) = data
    at = _even(file)
    if isinstance(picture, bytes):
        file.write(picture)
        offsets, lengths = [at], [len(picture)]
    else:
        assert isinstance(picture, np.ndarray)
        whole = np.ascontiguousarray(picture, "<u2")
        file.write(whole.data)
        strip, rest = _ROWS * (whole.nbytes // whole.shape[0]), whole.nbytes
        offsets = list(range(at, at + rest, strip))
        lengths = [min(strip, at + rest - begin) for begin in offsets]
    entries = entries | {273: (LONG, offsets), 279: (LONG, lengths)}
    at = _even(file)
    file.write(packed_directory(entries, at))
    return at


def _even(file: BinaryIO) -> int:
    """Go on at an even place, as TIFF wants, and return it."""
    at = file.tell()
    if at % 2:
        file.write(b"\0")
    return at + at % 2


def new_raw_image_digest(values: NDArray[np.uint16]) -> bytes:
    """Return the ``NewRawImageDigest`` of a picture's values: MD5 (RFC 1321) of tiles' MD5s.

    The DNG specification names the tag and leaves its making to its own library: tiles of 256 by
    256 in reading order, each plane of a tile by itself, little-endian; then the digest of all
    tiles' digests.
    """
    whole = hashlib.md5(usedforsecurity=False)
    for top in range(0, values.shape[0], _TILE):
        for left in range(0, values.shape[1], _TILE):
            tile = values[top : top + _TILE, left : left + _TILE]
            planes = tile if tile.ndim == 2 else np.moveaxis(tile, 2, 0)
            part = np.ascontiguousarray(planes, "<u2")
            whole.update(hashlib.md5(part.data, usedforsecurity=False).digest())
    return whole.digest()
