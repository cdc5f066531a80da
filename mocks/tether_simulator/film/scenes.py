"""The pictures on the film: each frame another, the same again for the same seed."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from tether_simulator.film import land, town
from tether_simulator.film.canvas import Canvas

FloatArray = NDArray[np.float32]

SCENES: tuple[Callable[[Canvas], None], ...] = (
    land.hills,
    town.night,
    land.snow,
    town.street,
    land.sea,
    town.still_life,
    land.forest,
    town.window_room,
    land.dunes,
    town.portal,
    land.mist,
)
#: How a panchromatic emulsion weighs red, green and blue (invented).
_PANCHROMATIC = (0.32, 0.42, 0.26)
#: Standard deviation of a careful photographer's error of exposure, in stops (invented).
_EXPOSURE_ERROR = 0.25


def paint(frame: int, seed: int, width: int, height: int, colour: bool) -> FloatArray:
    """Return log exposure (base 10, mid-grey 0) on one frame, shape (3, height, width).

    Every eleven frames show every kind of scene once, in an order of the seed's. Without
    ``colour`` the three channels are those of one panchromatic emulsion.
    """
    turn, place = divmod(frame - 1, len(SCENES))
    order = np.random.default_rng((seed, 7, turn)).permutation(len(SCENES))
    rng = np.random.default_rng((seed, 1, frame))
    error = float(rng.normal(0, _EXPOSURE_ERROR)) * np.log10(2)
    canvas = Canvas(width, height, rng)
    SCENES[int(order[place])](canvas)
    if not colour:
        red, green, blue = canvas.light
        grey = _PANCHROMATIC[0] * red + _PANCHROMATIC[1] * green + _PANCHROMATIC[2] * blue
        canvas.light[:] = grey
    return canvas.log_exposure() + np.float32(error)
