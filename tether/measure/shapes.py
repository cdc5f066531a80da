"""The four-sided outline of a frame in photosites, and where it should be when it was not seen."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tether.film import FilmFormat

MARGIN = 0.08
"""Share of width and height left out all round where the frame's edges are not known."""


@dataclass(frozen=True, slots=True)
class Quad:
    """A four-sided area; corners as (x, y): top left, top right, bottom right, bottom left."""

    corners: tuple[tuple[float, float], ...]

    @classmethod
    def whole(cls, width: float, height: float) -> Quad:
        """Return the outline of a whole mosaic."""
        return cls(((0.0, 0.0), (width, 0.0), (width, height), (0.0, height)))

    @property
    def width(self) -> float:
        """Mean length of the upper and the lower side."""
        a, b, c, d = self.corners
        return (math.dist(a, b) + math.dist(d, c)) / 2

    @property
    def height(self) -> float:
        """Mean length of the left and the right side."""
        a, b, c, d = self.corners
        return (math.dist(a, d) + math.dist(b, c)) / 2

    @property
    def centre(self) -> tuple[float, float]:
        """Mean of the corners."""
        x, y = np.mean(self.corners, axis=0)
        return (float(x), float(y))

    def scaled(self, factor: float) -> Quad:
        """Return the same outline in other units (photosites to pixels of a smaller picture)."""
        return Quad(tuple((x * factor, y * factor) for x, y in self.corners))

    def shrunk(self, share: float) -> Quad:
        """Return the outline drawn in on every side by a share of its size."""
        cx, cy = self.centre
        keep = 1 - 2 * share
        return Quad(tuple((cx + (x - cx) * keep, cy + (y - cy) * keep) for x, y in self.corners))

    def grown(self, by: float) -> Quad:
        """Return the outline moved out on every side by a distance (in for a negative one)."""
        cx, cy = self.centre
        wide, high = 1 + 2 * by / max(self.width, 1e-9), 1 + 2 * by / max(self.height, 1e-9)
        return Quad(tuple((cx + (x - cx) * wide, cy + (y - cy) * high) for x, y in self.corners))

    def span(self, y: float) -> tuple[float, float]:
        """Return the left and right end of the row ``y`` inside; (0, 0) where it is outside."""
        left, right = self.spans(np.array([y]))
        return (float(left[0]), float(right[0]))

    def spans(self, ys: NDArray[np.floating]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the left and the right end inside for each row of ``ys``; 0 and 0 outside."""
        left, right = np.full(ys.size, np.inf), np.full(ys.size, -np.inf)
        for (x0, y0), (x1, y1) in zip(
            self.corners, (*self.corners[1:], self.corners[0]), strict=True
        ):
            if y0 == y1:
                continue
            crossed = (ys >= min(y0, y1)) & (ys < max(y0, y1))
            x = np.where(crossed, x0 + (ys - y0) / (y1 - y0) * (x1 - x0), np.nan)
            left, right = np.fmin(left, x), np.fmax(right, x)
        outside = ~np.isfinite(left) | ~np.isfinite(right)
        left[outside] = right[outside] = 0.0
        return left, right

    def mask(self, shape: tuple[int, int]) -> NDArray[np.bool_]:
        """Return which pixels of a (height, width) picture in the same units lie inside."""
        left, right = self.spans(np.arange(shape[0], dtype=np.float64) + np.float64(0.5))
        x = np.arange(shape[1], dtype=np.float32) + np.float32(0.5)
        inside: NDArray[np.bool_] = (x >= left[:, None].astype(np.float32)) & (
            x < right[:, None].astype(np.float32)
        )
        return inside


def middle_area(shape: tuple[int, int], scale: float | None, form: FilmFormat) -> Quad:
    """Return where the picture should be: the format's size in the middle, or most of the view.

    ``shape`` is the mosaic's, ``scale`` the photosites per millimetre, None where not known.
    """
    height, width = shape
    if scale is None:
        return Quad.whole(width, height).shrunk(MARGIN)
    long, short = sorted((form.picture_along, form.picture_across), reverse=True)
    wide, high = (long, short) if width >= height else (short, long)
    across, down = min(wide * scale, width), min(high * scale, height)
    left, top = (width - across) / 2, (height - down) / 2
    right, bottom = left + across, top + down
    return Quad(((left, top), (right, top), (right, bottom), (left, bottom))).shrunk(MARGIN / 2)


def upright_box(area: Quad, shape: tuple[int, int]) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return the rows and columns of the largest upright rectangle within an outline and view."""
    a, b, c, d = area.corners
    left, right = max(a[0], d[0], 0), min(b[0], c[0], shape[1])
    top, bottom = max(a[1], b[1], 0), min(c[1], d[1], shape[0])
    if right - left < 64 or bottom - top < 64:
        return (0, shape[0]), (0, shape[1])
    return (int(top), int(bottom)), (int(left), int(right))
