"""A canvas for invented pictures: light in red, green and blue, painted in layers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image

FloatArray = NDArray[np.float32]
AnyArray = NDArray[np.floating]
Colour = tuple[float, float, float]


class Canvas:
    """Light of a scene, relative to a white surface in full light (1.0; mid-grey is 0.18).

    Attributes
    ----------
    light
        Shape (3, height, width), float32; black at first.
    x, y
        Places: ``x`` from 0 to ``aspect`` toward the right, shape (1, w), ``y`` from 0 to 1 down,
        shape (h, 1), whatever the size in pixels: the same seed paints the same picture.
    rng
        Where all its chances come from.
    """

    def __init__(self, width: int, height: int, rng: np.random.Generator) -> None:
        self.width, self.height, self.rng = width, height, rng
        self.aspect = width / height
        self.pixel = 1 / height
        self.light: FloatArray = np.zeros((3, height, width), np.float32)
        self.x = ((np.arange(width, dtype=np.float32) + 0.5) / height)[None, :]
        self.y = ((np.arange(height, dtype=np.float32) + 0.5) / height)[:, None]

    def fill(self, colour: Colour, shade: AnyArray | float = 1.0) -> None:
        """Fill all with a colour times a shade (a number, or anything that broadcasts)."""
        for channel in (0, 1, 2):
            self.light[channel] = np.float32(colour[channel]) * shade

    def cover(self, mask: AnyArray, colour: Colour, shade: AnyArray | float = 1.0) -> None:
        """Lay a colour times a shade over the part of the picture where ``mask`` is 1."""
        rows = np.flatnonzero(mask.max(axis=1))
        if not rows.size:
            return
        part = np.s_[rows[0] : rows[-1] + 1]
        solid = np.broadcast_to(mask, self.light.shape[1:])[part]
        if isinstance(shade, np.ndarray):
            shade = np.broadcast_to(shade, self.light.shape[1:])[part]
        for channel in (0, 1, 2):
            plane = self.light[channel, part]
            plane += solid * (np.float32(colour[channel]) * shade - plane)

    def add(self, glow: AnyArray, colour: Colour) -> None:
        """Add light of a colour."""
        for channel in (0, 1, 2):
            self.light[channel] += np.float32(colour[channel]) * glow

    def noise(self, cells: float, rough: float = 0.5, stretch: float = 1.0) -> FloatArray:
        """Fractal noise, mean 0, standard deviation about 1, shape (height, width).

        ``cells`` is the number of the coarsest lumps down the picture, ``rough`` the amplitude of
        each octave relative to the one before, ``stretch`` how much wider than high lumps are.
        """
        high = max(2, round(cells))
        wide = max(2, round(cells * self.aspect / stretch))
        plane = self._grid(wide, high)
        amplitude, power = 1.0, 1.0
        while high * 2 < self.height and wide * 2 < self.width * 1.5:
            high, wide = high * 2, wide * 2
            amplitude *= rough
            power += amplitude**2
            if amplitude < 0.01:
                break
            plane = _resize(plane, wide, high) + np.float32(amplitude) * self._grid(wide, high)
        plane = _resize(plane, self.width, self.height)
        return plane * np.float32(1.4 / np.sqrt(power))

    def ridge(self, height: float, swing: float, cells: float, rough: float = 0.5) -> FloatArray:
        """Outline of hills around a height (``y``): one value per column, shape (1, width)."""
        line = np.zeros(self.width)
        amplitude = swing
        while cells < self.width / 3:
            count = max(2, round(cells * self.aspect)) + 1
            knots = self.rng.standard_normal(count) * amplitude
            place = np.linspace(0, count - 1, self.width)
            low = np.minimum(place.astype(int), count - 2)
            t = place - low
            t = t * t * (3 - 2 * t)
            line += knots[low] * (1 - t) + knots[low + 1] * t
            cells, amplitude = cells * 2, amplitude * rough
        return (height + line).astype(np.float32)[None, :]

    def below(self, line: FloatArray | float, soft: float = 0.0) -> FloatArray:
        """Mask of what lies below a line, its border soft over a pixel or over ``soft``."""
        width = max(self.pixel, soft)
        mask = np.clip((self.y - line) / np.float32(width) + 0.5, 0, 1)
        return np.broadcast_to(mask, (self.height, max(mask.shape[1], 1))).astype(np.float32)

    def box(self, x0: float, y0: float, x1: float, y1: float) -> FloatArray:
        """Mask of a box with borders soft over a pixel."""
        across = np.clip((np.minimum(self.x - x0, x1 - self.x)) / self.pixel + 0.5, 0, 1)
        down = np.clip((np.minimum(self.y - y0, y1 - self.y)) / self.pixel + 0.5, 0, 1)
        return (down * across).astype(np.float32)

    def glow(self, x: float, y: float, radius: float) -> FloatArray:
        """Light around a place, falling with the square of the distance."""
        return (1 / (1 + ((self.x - x) ** 2 + (self.y - y) ** 2) / radius**2)).astype(np.float32)

    def chance(self, low: float, high: float) -> float:
        """A number between two."""
        return float(self.rng.uniform(low, high))

    def log_exposure(self) -> FloatArray:
        """Log exposure relative to mid-grey (base 10), with the darkest 3.3 below it."""
        log: FloatArray = np.log10(np.maximum(self.light, 1e-4) / np.float32(0.18))
        return log

    def _grid(self, wide: int, high: int) -> FloatArray:
        return self.rng.standard_normal((high, wide), np.float32)


def step(value: AnyArray, low: float, high: float) -> FloatArray:
    """Rise smoothly from 0 at ``low`` to 1 at ``high``."""
    t = np.clip((value - low) / (high - low), 0, 1)
    result: FloatArray = (t * t * (3 - 2 * t)).astype(np.float32)
    return result


def _resize(plane: FloatArray, width: int, height: int) -> FloatArray:
    if plane.shape == (height, width):
        return plane
    image = Image.fromarray(plane).resize((width, height), Image.Resampling.BICUBIC)
    return np.asarray(image, np.float32)
