"""Sharpness of a live-view picture: a figure that follows the focus ring.

Live view shows a small or a magnified picture, so grain is seen only when it is magnified, and
the figure has no absolute meaning. It is compared with itself, on the same film, from one picture
to the next.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float32]

PLACES: dict[str, tuple[float, float]] = {
    "middle": (0.5, 0.5),
    "upper left": (0.2, 0.2),
    "upper right": (0.8, 0.2),
    "lower left": (0.2, 0.8),
    "lower right": (0.8, 0.8),
}
"""Where sharpness is measured: centres in shares of width and height. The corners lie inside the
picture, clear of rebate and gate (common practice, no published source)."""

_SHARE = 0.2
"""Width and height of each place as a share of the picture's."""

_DARKEST = 1e-4
"""Mean light below which there is nothing to measure."""


def live_sharpness(light: FloatArray) -> dict[str, float]:
    """Return the sharpness of each of `PLACES`, 0 and up, no unit.

    Parameters
    ----------
    light
        Linear light, shape (height, width), any scale: twice the light gives the same figure.

    Returns
    -------
    The root of the mean square of differences between pixels two apart, over both directions,
    relative to the mean light (the root of Brenner's gradient, J. F. Brenner et al., J.
    Histochem. Cytochem. 24 (1976); from memory). 0 where it is dark or the picture too small.
    """
    height, width = light.shape
    across, down = max(4, round(width * _SHARE)), max(4, round(height * _SHARE))
    found = {}
    for name, (x, y) in PLACES.items():
        left, top = round(x * width - across / 2), round(y * height - down / 2)
        part = light[max(top, 0) : top + down, max(left, 0) : left + across]
        found[name] = _gradient(part.astype(np.float64))
    return found


def _gradient(part: NDArray[np.float64]) -> float:
    if min(part.shape) < 4:
        return 0.0
    mean = float(part.mean())
    if mean < _DARKEST:
        return 0.0
    across = float(np.mean((part[:, 2:] - part[:, :-2]) ** 2))
    down = float(np.mean((part[2:] - part[:-2]) ** 2))
    return math.sqrt(across + down) / mean
