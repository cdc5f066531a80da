"""The lamp under the film: colour, evenness and flicker."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float32]

#: Wavelengths in nanometres at which red, green and blue are taken to see (invented: near the
#: peaks of common sensors).
_WAVELENGTHS_NM = (600.0, 540.0, 460.0)
#: Second radiation constant in nm·K (CODATA).
_C2 = 1.438777e7


@dataclass(frozen=True, slots=True)
class LampConfig:
    """The lamp. Everything is invented; sizes are those of common lamps.

    Attributes
    ----------
    strength
        Light relative to the lamp that the bench's numbers are stated for.
    kelvin
        Colour temperature; red, green and blue follow Planck's law.
    gradient_x, gradient_y
        Change of light from the middle to the edge of the view, as a share.
    hot_spot
        How much brighter the middle is than the surround, as a share.
    flicker
        Amplitude of the light's ripple, as a share of its mean (0 = steady).
    flicker_hz
        Its frequency: twice the mains', 100 or 120.
    strobe
        It is a strobe, and gives in its flash what the lamp gives in 1/15 s: the shutter time does
        not change its light, and it does not flicker. (Of a real one the light of the room would
        still depend on the time.)
    """

    strength: float = 1.0
    kelvin: float = 5000.0
    gradient_x: float = 0.0
    gradient_y: float = 0.0
    hot_spot: float = 0.02
    flicker: float = 0.0
    flicker_hz: float = 100.0
    strobe: bool = False


def balance(kelvin: float) -> tuple[float, float, float]:
    """Red, green and blue light of a black body relative to one of 5000 K, green = 1.

    Planck's law at one wavelength for each channel.
    """
    ratios = [_planck(w, kelvin) / _planck(w, 5000.0) for w in _WAVELENGTHS_NM]
    return (ratios[0] / ratios[1], 1.0, ratios[2] / ratios[1])


def evenness(lamp: LampConfig, x: FloatArray, y: FloatArray) -> FloatArray:
    """Light over the view; ``x`` and ``y`` run from -1 to 1 and broadcast to the result."""
    spot = np.float32(lamp.hot_spot) * (np.exp(-1.5 * x * x) * np.exp(-1.5 * y * y) - 1)
    slope = np.float32(lamp.gradient_x) * x + np.float32(lamp.gradient_y) * y
    result: FloatArray = ((1 + spot) * (1 + slope)).astype(np.float32)
    return result


def flicker_rows(
    lamp: LampConfig, rows: int, seconds: float, readout_seconds: float, start: float
) -> FloatArray:
    """Light that each row of a rolling shutter gathers, relative to a steady lamp.

    The mean of ``1 + a cos(2 pi f t)`` over a row's own exposure, which begins ``readout_seconds``
    times its share of the height later than the first row's: long exposures average the ripple
    away, and whole periods do so entirely. ``start`` is the phase at the first row in periods.
    """
    if lamp.flicker == 0.0 or lamp.strobe:
        return np.ones(rows, np.float32)
    middle = np.arange(rows) / rows * readout_seconds + seconds / 2
    depth = lamp.flicker * float(np.sinc(lamp.flicker_hz * seconds))
    return (1.0 + depth * np.cos(2 * math.pi * (lamp.flicker_hz * middle + start))).astype(
        np.float32
    )


def _planck(wavelength_nm: float, kelvin: float) -> float:
    return float(wavelength_nm**-5.0) / math.expm1(_C2 / (wavelength_nm * kelvin))
