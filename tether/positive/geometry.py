"""Straight, cropped, the right way round: where the picture lies, and how it is turned."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tether.positive.recipe import Corners

STRAIGHT_DEGREES = 0.15
"""Turn up to which a picture is cropped and not turned: the eye does not see it, and turning
costs sharpness (common practice, no published source)."""


@dataclass(frozen=True, slots=True)
class Placement:
    """What part of a picture is printed.

    Attributes
    ----------
    rows, columns
        The part that has to be read, in pixels.
    degrees
        By how much the film is turned clockwise in it; 0 for less than `STRAIGHT_DEGREES`.
    size
        (height, width) of the print before any quarter turn.
    centre
        Middle of the print within the part, (x, y).
    """

    rows: slice
    columns: slice
    degrees: float
    size: tuple[int, int]
    centre: tuple[float, float]


def placed(outline: Corners | None, step: int, shape: tuple[int, int]) -> Placement:
    """Work out what is printed of a picture.

    Parameters
    ----------
    outline
        In photosites; None for all.
    step
        Photosites along a pixel.
    shape
        (height, width) of the picture in pixels.
    """
    height, width = shape
    whole = Placement(slice(0, height), slice(0, width), 0.0, shape, (width / 2, height / 2))
    if outline is None:
        return whole
    corners = np.asarray(outline, np.float64) / step
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = corners
    degrees = math.degrees(math.atan2(by - ay + cy - dy, bx - ax + cx - dx))
    if abs(degrees) <= STRAIGHT_DEGREES:
        left, right = max(ax, dx, 0.0), min(bx, cx, float(width))
        top, bottom = max(ay, by, 0.0), min(cy, dy, float(height))
        rows = slice(math.ceil(top), math.floor(bottom))
        columns = slice(math.ceil(left), math.floor(right))
        size = (rows.stop - rows.start, columns.stop - columns.start)
        if min(size) < 8:
            return whole
        return Placement(rows, columns, 0.0, size, (size[1] / 2, size[0] / 2))
    low = np.maximum(np.floor(corners.min(axis=0)) - 2, 0).astype(int)
    high = np.minimum(np.ceil(corners.max(axis=0)) + 2, (width, height)).astype(int)
    size = (
        round((math.dist((ax, ay), (dx, dy)) + math.dist((bx, by), (cx, cy))) / 2),
        round((math.dist((ax, ay), (bx, by)) + math.dist((dx, dy), (cx, cy))) / 2),
    )
    if min(size) < 8 or (high - low).min() < 8:
        return whole
    middle = corners.mean(axis=0) - low
    return Placement(
        slice(int(low[1]), int(high[1])),
        slice(int(low[0]), int(high[0])),
        degrees,
        size,
        (float(middle[0]), float(middle[1])),
    )


def canvas(
    shape: tuple[int, ...], *, mirrored: bool, turn: int
) -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
    """Return an empty print, and a view of it that is written to as the raw file lies.

    Spares a pass over the whole picture: what is written in the second is in its place in the
    first. ``shape`` is that of the view, (h, w) or (h, w, 3); the others as in `upright`.
    """
    quarter = (turn // 90) % 4
    size = shape if quarter % 2 == 0 else (shape[1], shape[0], *shape[2:])
    whole = np.empty(size, np.uint16)
    view = np.rot90(whole, quarter)
    return whole, view[:, ::-1] if mirrored else view


def upright(
    picture: NDArray[np.uint16], place: Placement, *, mirrored: bool, turn: int
) -> NDArray[np.uint16]:
    """Turn what was read into the print's own position.

    Parameters
    ----------
    picture
        The part that `Placement` asked for, shape (h, w) or (h, w, 3).
    mirrored
        Mirror left to right.
    turn
        Quarter turns in degrees clockwise, after mirroring.
    """
    out = picture
    if place.degrees:
        out = _straightened(picture, place)
    if mirrored:
        out = out[:, ::-1]
    return np.ascontiguousarray(np.rot90(out, -(turn // 90) % 4))


def _straightened(picture: NDArray[np.uint16], place: Placement) -> NDArray[np.uint16]:
    from PIL import Image

    height, width = place.size
    c, s = math.cos(math.radians(place.degrees)), math.sin(math.radians(place.degrees))
    x, y = place.centre
    affine = (
        c, -s, x - c * width / 2 + s * height / 2,
        s, c, y - s * width / 2 - c * height / 2,
    )  # fmt: skip

    def turned(plane: NDArray[Any]) -> NDArray[np.uint16]:
        image = Image.fromarray(np.ascontiguousarray(plane, np.float32))
        moved = image.transform(
            (width, height), Image.Transform.AFFINE, affine, Image.Resampling.BICUBIC
        )
        return np.asarray(np.clip(np.rint(np.asarray(moved)), 0, 65535), np.uint16)

    if picture.ndim == 2:
        return turned(picture)
    out = np.empty((height, width, 3), np.uint16)
    for channel in range(3):
        out[..., channel] = turned(picture[..., channel])
    return out
