"""The sensor: light into raw values, with everything that makes one camera unlike another."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter

from tests.benchmarks.varied.ranges import Draws, Generator, choose
from tether.raw import Mosaic

Floats = NDArray[np.float32]

_NAMES = ("R", "G1", "B", "G2")
_TILES = {
    "RGGB": ((0, 1), (3, 2)),
    "BGGR": ((2, 1), (3, 0)),
    "GRBG": ((1, 0), (2, 3)),
    "GBRG": ((1, 2), (0, 3)),
}
COLOUR_OF = (0, 1, 2, 1)
"""Red, green or blue of each of the four channels."""


class Camera:
    """A camera's sensor, and the glare of the lens before it.

    Parameters
    ----------
    shape
        Height and width in photosites.
    seed
        What its hot photosites and the noise of its shots follow from.
    """

    def __init__(self, shape: tuple[int, int], draws: Draws, seed: int, rng: Generator) -> None:
        self.shape = shape
        self.shots = 0
        self._draws = draws
        self._seed = seed
        self._cfa = choose("cfa", rng)
        self._bits = int(choose("bits", rng))
        self._black = draws["black"] * 2 ** (self._bits - 14)
        self._span = 2**self._bits - 1 - self._black
        body = np.random.default_rng((seed, 4))
        count = round(draws["hot_share"] * shape[0] * shape[1])
        self._hot = body.integers(0, shape[0] * shape[1], count)
        self._hotness = (body.exponential(0.05, count) * self._span).astype(np.float32)

    @property
    def sites(self) -> list[tuple[tuple[int, int], int]]:
        """Each place (row, column) of the tile with its channel."""
        tile = _TILES[self._cfa]
        return [((row, column), tile[row][column]) for row in (0, 1) for column in (0, 1)]

    def read_out(self, light: Floats, exposure: float, shine: Floats, seconds: float) -> Mosaic:
        """Turn light, 1 for the open gate, into raw values (EMVA 1288's linear camera).

        ``shine`` is how much of it reaches each photosite, ``exposure`` what the open gate would
        read, relative to saturation. ``light`` is changed in place.
        """
        d = self._draws
        rng = np.random.default_rng((self._seed, 2, self.shots))
        self.shots += 1
        self._add_glare(light)
        light *= shine
        light *= np.float32(exposure * d["full_well"])
        np.maximum(light, 0, out=light)
        noise = rng.standard_normal(self.shape, np.float32)
        noise *= np.sqrt(light + np.float32(d["read_noise"] ** 2))
        light += noise
        light += np.float32(d["row_noise"]) * rng.standard_normal((self.shape[0], 1), np.float32)
        light *= np.float32(self._span / d["full_well"])
        light.reshape(-1)[self._hot] += self._hotness
        light += np.float32(self._black + 0.5)
        top = 2**self._bits - 1
        raw = np.clip(light, 0, top).astype(np.uint16)
        return Mosaic(
            raw, np.array(_TILES[self._cfa], np.intp), _NAMES, (float(self._black),) * 4,
            (float(top),) * 4, exposure_seconds=seconds, iso=100.0, f_number=8.0,
        )  # fmt: skip

    def _add_glare(self, light: Floats) -> None:
        """Add veiling glare, and glare close to light, in place, site by site."""
        bloom = np.float32(self._draws["bloom"])
        for site, _ in self.sites:
            part = light[site[0] :: 2, site[1] :: 2]
            small = Image.fromarray(part).reduce(16)
            near = gaussian_filter(np.asarray(small, np.float32), small.width / 25)
            glow = Image.fromarray(near).resize(part.shape[::-1], Image.Resampling.BILINEAR)
            part *= 1 - bloom
            part += np.asarray(glow) * bloom
            part += np.float32(self._draws["glare"] * float(near.mean()))
