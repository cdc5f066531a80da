"""The linear raw data of one file, as every measurement takes it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Mosaic:
    """The visible mosaic of a raw file with the levels that give it meaning.

    Attributes
    ----------
    data
        Raw values of the visible photosites, shape (height, width), uint16, black not subtracted.
    pattern
        Index of the CFA channel at each place of the repeating tile, shape (2, 2) for a Bayer
        sensor, (6, 6) for other mosaics, (1, 1) for a sensor without one; it starts at
        ``data[0, 0]``.
    channels
        Name of each channel index, for example ``("R", "G1", "B", "G2")``.
    black, saturation
        Level per channel index, in raw values; ``saturation`` is where the sensor stops
        (the lowest of what the file states per channel and as its white level).
    white_balance
        Multipliers as shot per channel index, green = 1; zeros where the file does not say.
    exposure_seconds, iso, f_number
        As the file's metadata say; None where they do not.
    flip
        LibRaw's orientation code of the file (0 none, 3 half a turn, 5 and 6 quarter turns).
    camera
        Maker and model as the file says ("" where it does not). Untrusted text.
    """

    data: NDArray[np.uint16]
    pattern: NDArray[np.intp]
    channels: tuple[str, ...]
    black: tuple[float, ...]
    saturation: tuple[float, ...]
    white_balance: tuple[float, ...] = ()
    exposure_seconds: float | None = None
    iso: float | None = None
    f_number: float | None = None
    flip: int = 0
    camera: str = ""

    @property
    def shape(self) -> tuple[int, int]:
        """(height, width) in photosites."""
        return (int(self.data.shape[0]), int(self.data.shape[1]))
