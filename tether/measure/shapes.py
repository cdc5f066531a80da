"""Straight lines and the four-sided outline of a frame, in photosites."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


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
        crossings = []
        for (x0, y0), (x1, y1) in zip(
            self.corners, (*self.corners[1:], self.corners[0]), strict=True
        ):
            if (y0 <= y < y1) or (y1 <= y < y0):
                crossings.append(x0 + (y - y0) / (y1 - y0) * (x1 - x0))
        if len(crossings) < 2:
            return (0.0, 0.0)
        return (min(crossings), max(crossings))

    def mask(self, shape: tuple[int, int]) -> NDArray[np.bool_]:
        """Return which pixels of a (height, width) picture in the same units lie inside."""
        inside = np.zeros(shape, bool)
        for row in range(shape[0]):
            left, right = self.span(row + 0.5)
            inside[row, max(0, round(left)) : max(0, round(right))] = True
        return inside
