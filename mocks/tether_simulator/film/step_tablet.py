"""A step tablet of known densities in place of a picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tether.film import FilmFormat
from tether_simulator.film.strip import Window

FloatArray = NDArray[np.float32]

STEPS = 21
STEP_DENSITY = 0.15
FIRST_DENSITY = 0.05
_COLUMNS, _ROWS = 7, 3


@dataclass(frozen=True, slots=True)
class Patch:
    """One step: its number from 1, its density (neutral, ISO 5-1), and where it can be read.

    ``box`` is (u0, v0, u1, v1) in millimetres from the frame's middle, well inside the patch.
    """

    step: int
    density: float
    box: tuple[float, float, float, float]


class StepTablet:
    """21 steps of 0.15 from 0.05 to 3.05, in three rows of seven that fill the picture.

    Sensitometric tablets of 21 steps of 0.15 are common practice. The steps run along the film
    from the left of the upper row, seen from the base side; they are neutral and without grain.
    """

    def __init__(self, form: FilmFormat) -> None:
        self._along = form.picture_along / _COLUMNS
        self._across = form.picture_across / _ROWS
        self._size = (form.picture_along, form.picture_across)
        self.patches = tuple(self._patch(index) for index in range(STEPS))

    def transmittance(self, window: Window) -> FloatArray:
        """Transmittance, shape (3, h, w); outside the steps the tablet is clear film (0.05)."""
        u, v = window.axes()
        column = np.clip(np.floor((u + self._size[0] / 2) / self._along), 0, _COLUMNS - 1)
        row = np.clip(np.floor((v + self._size[1] / 2) / self._across), 0, _ROWS - 1)
        step = row[:, None] * _COLUMNS + column[None, :]
        density = FIRST_DENSITY + STEP_DENSITY * step
        outside = (np.abs(u) > self._size[0] / 2)[None, :] | (
            (np.abs(v) > self._size[1] / 2)[:, None]
        )
        density = np.where(outside, FIRST_DENSITY, density)
        plane = (10.0**-density).astype(np.float32)
        return np.broadcast_to(plane, (3, *plane.shape)).copy()

    def _patch(self, index: int) -> Patch:
        u = (index % _COLUMNS) * self._along - self._size[0] / 2
        v = (index // _COLUMNS) * self._across - self._size[1] / 2
        inset_u, inset_v = 0.2 * self._along, 0.2 * self._across
        return Patch(
            step=index + 1,
            density=FIRST_DENSITY + STEP_DENSITY * index,
            box=(u + inset_u, v + inset_v, u + self._along - inset_u, v + self._across - inset_v),
        )
