"""Where light comes through the gate in live view, and whether something covers its edges."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float32]

_CELL = 8
"""Pixels along a side of the blocks that are looked at."""
_LIT = 0.03
"""Of the most light that any block has had: what the gate's mask never has."""
_GROWN = 0.02
"""Share of the picture by which the gate must seem larger before it is taken as larger."""
_COVERED = 0.06
"""Of the film's lightest part: a block at the film's edge with less is not rebate."""
_HAND_SHARE = 0.08
"""Share of the film's two edges that is covered by a hand at least."""


class GateLight:
    """Learns from the pictures that pass where the gate is.

    Parameters
    ----------
    negative
        Whether the rebate is light. The rebate of a transparency is as dark as a hand, so that
        a hand is not told there.
    """

    def __init__(self, negative: bool) -> None:
        self._most: FloatArray | None = None
        self._box = (0, 0, 0, 0)
        self._edges_dark = 0.0 if negative else 1.0
        self._dark_now = self._dark_noted = 0.0
        self.levels = (0.0, 0.0)
        """Median and 99th percentile of the light in the gate, 0..1."""

    def see(self, picture: FloatArray) -> bool:
        """Take in a picture, shape (h, w), film along its rows; return whether the gate grew."""
        height, width = (size // _CELL * _CELL for size in picture.shape)
        blocks = picture[:height, :width].reshape(height // _CELL, _CELL, width // _CELL, _CELL)
        light = blocks[:, ::2, :, ::2].mean(axis=(1, 3))
        if self._most is None or self._most.shape != light.shape:
            self._most, self._box = light, (0, 0, 0, 0)
        self._most = np.maximum(self._most, light)
        lit = self._most > _LIT * float(self._most.max())
        box = _box(lit)
        top, bottom, left, right = self._box
        new_top, new_bottom, new_left, new_right = box
        grown = max(top - new_top, new_bottom - bottom, left - new_left, new_right - right)
        if grown > _GROWN * max(lit.shape) or self._box == (0, 0, 0, 0):
            self._box, grew = box, True
        else:
            grew = False
        top, bottom, left, right = self._box
        inside = light[top:bottom, left:right]
        middle, high = np.percentile(inside, (50, 99))
        self.levels = (float(middle), float(high))
        rows = inside[[1, -2]] if len(inside) > 4 else inside
        self._dark_now = float((rows < _COVERED * high).mean())
        return grew

    def inside(self, picture: FloatArray) -> FloatArray:
        """Return what of a picture is seen through the gate."""
        top, bottom, left, right = (_CELL * side for side in self._box)
        return picture[top:bottom, left:right]

    @property
    def brightest(self) -> float:
        """The most light that came through any part of the gate so far."""
        return 0.0 if self._most is None else float(self._most.max())

    def covered(self) -> bool:
        """Whether something lies over the film's edges in the newest picture."""
        return self._dark_now > self._edges_dark + _HAND_SHARE

    def note(self) -> None:
        """Keep in mind how dark the edges are now, for `learn`."""
        self._dark_noted = self._dark_now

    def learn(self) -> None:
        """What was noted was film alone: so dark its edges may be."""
        self._edges_dark = max(self._edges_dark, self._dark_noted)


def _box(lit: NDArray[np.bool_]) -> tuple[int, int, int, int]:
    """Return the rows and columns that are lit (top, bottom, left, right), all where few are."""
    rows, columns = np.flatnonzero(lit.any(axis=1)), np.flatnonzero(lit.any(axis=0))
    if rows.size < lit.shape[0] // 4 or columns.size < lit.shape[1] // 4:
        return (0, lit.shape[0], 0, lit.shape[1])
    return (int(rows[0]), int(rows[-1]) + 1, int(columns[0]), int(columns[-1]) + 1)
