"""The pictures that the camera makes of its own raw data: JPEG, thumbnail, live view."""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import NDArray
from PIL import Image

FloatArray = NDArray[np.float32]
THUMBNAIL = (160, 120)

#: Display curve: that of sRGB (IEC 61966-2-1), from a table of 4096 steps.
_LINEAR = np.linspace(0, 1, 4096)
_SRGB = np.where(_LINEAR <= 0.0031308, 12.92 * _LINEAR, 1.055 * _LINEAR ** (1 / 2.4) - 0.055)
_TABLE = np.round(_SRGB * 255).astype(np.uint8)


def bin_tiles(mosaic: NDArray[np.generic], tile: tuple[tuple[int, int], ...]) -> FloatArray:
    """Average each Bayer tile to one RGB pixel: (h, w) to (h/2, w/2, 3)."""
    out = np.zeros((mosaic.shape[0] // 2, mosaic.shape[1] // 2, 3), np.float32)
    for row in (0, 1):
        for column in (0, 1):
            channel = tile[row][column]
            share = np.float32(0.5 if channel == 1 else 1.0)
            out[..., channel] += mosaic[row::2, column::2].astype(np.float32) * share
    return out


def strided_tiles(
    mosaic: NDArray[np.generic], box: tuple[int, int, int, int], across: int
) -> NDArray[np.generic]:
    """Take whole tiles evenly from a box (x, y, width, height) so that about ``across`` remain.

    Returns a smaller mosaic of the same phase; the box is brought to whole tiles.
    """
    left, top, width, height = (value // 2 * 2 for value in box)
    step = max(1, width // 2 // across)
    part = mosaic[top : top + height, left : left + width]
    tiles = part.reshape(height // 2, 2, width // 2, 2)[::step, :, ::step, :]
    return tiles.reshape(tiles.shape[0] * 2, tiles.shape[2] * 2)


def render(linear: FloatArray, neutral: tuple[float, float, float]) -> Image.Image:
    """Balance linear RGB (1 = saturation), shape (h, w, 3), and apply the display curve."""
    scale = np.float32(4095) / np.asarray(neutral, np.float32)
    index = np.clip(linear * scale, 0, 4095).astype(np.int16)
    return Image.fromarray(_TABLE[index])


def encode(image: Image.Image, quality: int = 85) -> bytes:
    """Return the JPEG of an image."""
    out = io.BytesIO()
    image.save(out, "JPEG", quality=quality)
    return out.getvalue()


def thumbnail(image: Image.Image) -> bytes:
    """Return a JPEG of 160 x 120 pixels, with black bars where the shape differs (DC-008)."""
    small = image.copy()
    small.thumbnail(THUMBNAIL, Image.Resampling.BILINEAR)
    canvas = Image.new("RGB", THUMBNAIL)
    canvas.paste(small, ((THUMBNAIL[0] - small.width) // 2, (THUMBNAIL[1] - small.height) // 2))
    return encode(canvas, 75)
