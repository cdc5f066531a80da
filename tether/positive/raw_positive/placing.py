"""The picture's place in a raw positive: orientation, crop, and the light evened out.

Numbers as the DNG specification (version 1.4) has them.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tether.facts import Corners

PADDING = 8
"""Photosites beside the crop that interpolation wants, at the least."""

#: Orientation (TIFF 6.0, tag 274) of a picture that is turned clockwise by so many degrees, and
#: of one that is mirrored left to right before that.
_TURNED = {0: 1, 90: 6, 180: 3, 270: 8}
_MIRRORED = {0: 2, 90: 7, 180: 4, 270: 5}

_GAIN_MAP = 9
_SINCE_1_3 = 0x01030000
_OPTIONAL = 1


def orientation(turn: int, *, mirrored: bool) -> int:
    """Return the orientation (TIFF 6.0, tag 274) of a picture, ``turn`` in degrees clockwise."""
    return (_MIRRORED if mirrored else _TURNED)[turn % 360]


@dataclass(frozen=True, slots=True)
class Crop:
    """The part of a mosaic that is shown, in photosites."""

    left: int
    top: int
    width: int
    height: int


def crop_around(outline: Corners | None, shape: tuple[int, int], room: float) -> Crop:
    """Return what is shown of a mosaic: the picture's edges with room around them.

    Parameters
    ----------
    outline
        Corners of the picture in photosites, as in a `Rendering`; None shows all.
    shape
        (height, width) of the mosaic.
    room
        Share of the picture's width that is left on each side.

    Returns
    -------
    The upright rectangle around the corners, at least `PADDING` photosites away from the
    mosaic's edges where it is large enough for that.
    """
    height, width = shape
    pad = PADDING if min(shape) >= 8 * PADDING else 0
    if outline is None:
        return Crop(pad, pad, width - 2 * pad, height - 2 * pad)
    corners = np.asarray(outline, np.float64)
    spare = room * math.dist(outline[0], outline[1])
    left, top = np.floor(corners.min(axis=0) - spare).astype(int).tolist()
    right, bottom = np.ceil(corners.max(axis=0) + spare).astype(int).tolist()
    left, top = max(left, pad), max(top, pad)
    right, bottom = min(right, width - pad), min(bottom, height - pad)
    if right - left < 16 or bottom - top < 16:
        return crop_around(None, shape, room)
    return Crop(left, top, right - left, bottom - top)


def gain_maps(
    gains: NDArray[np.float32], colours: NDArray[np.intp], shape: tuple[int, int]
) -> bytes:
    """Return an opcode list with a ``GainMap`` for each place in the mosaic's tile.

    Parameters
    ----------
    gains
        Factors at the middles of the cells of a grid over the mosaic, (3, rows, columns).
    colours
        The tile: 0, 1 or 2 for red, green or blue.
    shape
        (height, width) of the mosaic.
    """
    height, width = shape
    (tile_y, tile_x), (rows, columns) = colours.shape, gains.shape[1:]
    maps = []
    for (y, x), colour in np.ndenumerate(colours):
        body = struct.pack(
            ">10I4dI",
            y, x, height, width,
            0, 1, tile_y, tile_x,
            rows, columns,
            1 / rows, 1 / columns, 0.5 / rows, 0.5 / columns,
            1,
        )  # fmt: skip
        body += gains[colour].astype(">f4").tobytes()
        maps.append(struct.pack(">4I", _GAIN_MAP, _SINCE_1_3, _OPTIONAL, len(body)) + body)
    return struct.pack(">I", len(maps)) + b"".join(maps)


def headroom_for(gains: NDArray[np.float32], crop: Crop, shape: tuple[int, int]) -> float:
    """Return how far over white a mosaic's values reach before such gains bring them down.

    At least 1. Only cells that the crop reaches count.
    """
    (height, width), (rows, columns) = shape, gains.shape[1:]
    top, left = crop.top * rows // height, crop.left * columns // width
    bottom = -(-(crop.top + crop.height) * rows // height)
    right = -(-(crop.left + crop.width) * columns // width)
    return max(1.0, float(1 / gains[:, top:bottom, left:right].min()))
