"""Where the picture is on the sensor, from a live picture: as a raw file would show it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tether.film import FilmFormat
from tether.measure.framing.position import Framing, find_framing, rests_on_rebate
from tether.measure.survey import Survey
from tether.settings import FramingSettings

FloatArray = NDArray[np.float32]


def live_framing(
    linear: FloatArray, form: FilmFormat, negative: bool, settings: FramingSettings
) -> Framing | None:
    """Find the outline of the picture in a live picture.

    Parameters
    ----------
    linear
        Linear light, shape (h, w, 3), 0..1, as the camera shows it: not mirrored.
    form, negative, settings
        As `find_framing` takes them.

    Returns
    -------
    Lengths in pixels of the live picture; None where no outline is seen well enough.
    """
    survey = Survey(np.ascontiguousarray(linear.transpose(2, 0, 1)), 1, ("R", "G", "B"))
    framing = find_framing(survey, form, negative, settings)
    if framing is None or not rests_on_rebate(framing, survey, negative):
        return None
    return framing
