"""A picture of sleeves: opened, its frames found, and each frame as a small positive.

No picture is to be trusted: this is done in a worker process.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image, ImageOps

from tether.errors import TetherError
from tether.facts import Corners
from tether.film import FILM_FORMATS, FilmProcess
from tether.measure.proof.frames import find_frames
from tether.measure.proof.strips import find_strips, homography, laid_straight
from tether.positive.linear import stepped
from tether.positive.tones import decoded, preview
from tether.raw import open_mosaic
from tether.text import printable

FloatArray = NDArray[np.float32]

LARGEST = 150_000_000
"""Pixels beyond which a picture is refused."""

CELL = 320
"""Pixels along the longer side of a frame's small positive."""

_TIFF = {".tif", ".tiff"}
_PICTURES = {".jpg", ".jpeg", ".png"}
_BESIDE = 0.03
"""Share of a frame's length that is looked at on each side of it for the film's base."""
_QUALITY = 85


class FoundPage(NamedTuple):
    """What was found: the corners of each frame, in order, and how many are on each strip."""

    frames: tuple[Corners, ...]
    strips: tuple[int, ...]


class ProofWorker:
    """Lives in the worker process. All methods raise `TetherError` for what is no picture."""

    def find(
        self, path: Path, process: FilmProcess, format_key: str, *, turn: int, mirrored: bool
    ) -> FoundPage:
        """Find the frames of a page, in the order in which the page is read.

        The page reads the right way round once it is mirrored (if so) and then turned clockwise.
        Corners are those of the picture as it is, in the order in which the frame is read.
        """
        light = _open(path).mean(axis=2, dtype=np.float32)
        read = np.rot90(light[:, ::-1] if mirrored else light, -(turn // 90) % 4)
        form = FILM_FORMATS[format_key]
        strips = find_strips(np.ascontiguousarray(read), form)
        frames = [find_frames(strip, form, process) for strip in strips]
        corners = [
            _as_it_is(c, light.shape, turn, mirrored) for of_strip in frames for c in of_strip
        ]
        return FoundPage(tuple(corners), tuple(len(of_strip) for of_strip in frames))

    def cells(self, path: Path, process: FilmProcess, frames: Sequence[Corners]) -> list[bytes]:
        """Return each frame as a small positive, JPEG, all of a page printed alike."""
        light = _open(path)
        cut = [_cut(light, corners, 0.0) for corners in frames]
        base = None
        if process.is_negative and cut:
            wide = [_cut(light, corners, _BESIDE) for corners in frames]
            lightest = [np.percentile(c.reshape(-1, 3), 98, axis=0) for c in wide]
            r, g, b = np.median(lightest, axis=0).tolist()
            base = (r, g, b)
        return [_jpeg(preview(c, process, base, mirrored=False, hatch=0)) for c in cut]


def _open(path: Path) -> FloatArray:
    """Return the linear light of a picture, shape (h, w, 3), 0..1."""
    ending = path.suffix.lower()
    try:
        if ending in _TIFF:
            return _of_tiff(path)
        if ending in _PICTURES:
            with warnings.catch_warnings():
                warnings.simplefilter("error", Image.DecompressionBombWarning)
                with Image.open(path, formats=("JPEG", "PNG")) as opened:
                    _check_size(path, opened.width * opened.height)
                    upright = ImageOps.exif_transpose(opened).convert("RGB")
            return decoded(np.asarray(upright))
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombWarning) as error:
        raise TetherError(
            f"{printable(path.name)} is no picture that can be read.",
            kept="The file was not changed.",
            todo="Give a raw file, a JPEG, a TIFF or a PNG.",
        ) from error
    mosaic = open_mosaic(path)
    linear = stepped(mosaic, 2, grey=False)
    band = linear.band(slice(0, linear.shape[0]), slice(0, linear.shape[1]))
    if len(band) == 1:
        band = np.repeat(band / 4, 3, axis=0)
    return np.ascontiguousarray(np.moveaxis(band, 0, -1))


def _of_tiff(path: Path) -> FloatArray:
    try:
        with tifffile.TiffFile(path) as file:
            page = file.pages.first
            _check_size(path, page.imagelength * page.imagewidth)
            data = page.asarray()
    except (tifffile.TiffFileError, AttributeError, KeyError, IndexError) as error:
        raise ValueError("no TIFF") from error
    if data.ndim == 2:
        data = np.repeat(data[..., None], 3, axis=2)
    if data.ndim != 3 or data.shape[2] < 3 or data.dtype not in (np.uint8, np.uint16):
        raise ValueError("no picture in colours or greys")
    if data.dtype == np.uint16:
        data = (data >> 8).astype(np.uint8)
    return decoded(data[..., :3])


def _check_size(path: Path, pixels: int) -> None:
    if not 0 < pixels <= LARGEST:
        raise TetherError(
            f"{printable(path.name)} has {pixels / 1e6:.0f} megapixels, more than the "
            f"{LARGEST / 1e6:.0f} that are read.",
            kept="The file was not changed.",
            todo="Give a smaller picture of the page; 24 megapixels are plenty.",
        )


def _as_it_is(
    corners: NDArray[np.floating], shape: tuple[int, ...], turn: int, mirrored: bool
) -> Corners:
    """Return corners on a page that reads right as they lie on the picture as it is."""
    height, width = shape[:2]
    x, y = corners[:, 0], corners[:, 1]
    back = {
        0: (x, y), 90: (y, height - x), 180: (width - x, height - y), 270: (width - y, x),
    }[turn % 360]  # fmt: skip
    x, y = back
    return tuple((float(width - a if mirrored else a), float(b)) for a, b in zip(x, y, strict=True))


def _cut(light: FloatArray, corners: Corners, more: float) -> FloatArray:
    """Return a frame laid straight; ``more`` is a share of its length added at both ends."""
    a, b, c, d = (np.array(corner) for corner in corners)
    along = more * ((b - a) + (c - d)) / 2
    quad = np.array([a - along, b + along, c + along, d - along])
    width = (np.hypot(*(b - a)) + np.hypot(*(c - d))) / 2
    height = (np.hypot(*(d - a)) + np.hypot(*(c - b))) / 2
    shrink = max(width, height) / CELL
    size = (max(8, round(width / shrink)), max(8, round(height / shrink)))
    # Means first, so that what is made smaller is not sampled at single pixels.
    low = np.maximum(np.floor(quad.min(axis=0)).astype(int) - 2, 0)
    high = np.ceil(quad.max(axis=0)).astype(int) + 2
    part = light[low[1] : high[1], low[0] : high[0]]
    every = max(1, int(shrink))
    rows, columns = part.shape[0] // every, part.shape[1] // every
    if not rows or not columns:
        return np.zeros((size[1], size[0], 3), np.float32)
    means = part[: rows * every, : columns * every].reshape(rows, every, columns, every, 3)
    means = means.mean(axis=(1, 3))
    target = [(0, 0), (size[0], 0), (size[0], size[1]), (0, size[1])]
    matrix = homography(np.array(target, np.float64), (quad - low) / every)
    planes = np.ascontiguousarray(np.moveaxis(means, -1, 0), np.float32)
    return np.stack([laid_straight(p, matrix, np.array(size)) for p in planes], axis=-1)


def _jpeg(picture: NDArray[np.uint8]) -> bytes:
    data = io.BytesIO()
    Image.fromarray(picture).save(data, "JPEG", quality=_QUALITY)
    return data.getvalue()
