"""From density to the tones of a print, and from those to the numbers of a screen."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tether.settings import PositiveSettings

FloatArray = NDArray[np.float32]

MID_GREY = 0.18
"""Luminance of mid-grey relative to white (common practice: the 18 per cent grey card)."""

LEVELS = 65536
"""Entries of a printing table, and values of its result."""

LIGHTEST = 2.0
"""Transmittance relative to base that the last entry of a printing table stands for."""

_SMALLEST = 1e-5


def print_luminance(log_exposure: ArrayLike, settings: PositiveSettings) -> NDArray[np.float64]:
    """Return the luminance of a print, 0..1 with white = 1.

    Parameters
    ----------
    log_exposure
        Log10 of luminance relative to mid-grey as a straight line would print it, any shape.
    settings
        ``black`` and ``bend`` shape the ends.

    Returns
    -------
    Slope 1 in log luminance around mid-grey, bending into white above and into ``black`` below:
    the form of a characteristic curve (two softened corners), as print materials have it.
    """
    x = np.asarray(log_exposure, np.float64)
    bend, low, high = settings.bend, -settings.black, -np.log10(MID_GREY)
    line = np.logaddexp(0, (x - low) / bend) - np.logaddexp(0, (x - high) / bend)
    result: NDArray[np.float64] = MID_GREY * 10 ** (low + bend * line)
    return result


def encoded(luminance: ArrayLike) -> NDArray[np.float64]:
    """Return sRGB values 0..1 of linear values 0..1 (IEC 61966-2-1)."""
    y = np.clip(np.asarray(luminance, np.float64), 0, 1)
    result: NDArray[np.float64] = np.where(
        y <= 0.0031308, 12.92 * y, 1.055 * np.maximum(y, 1e-9) ** (1 / 2.4) - 0.055
    )
    return result


def negative_tones(
    transmittance: ArrayLike, settings: PositiveSettings, gain: float = 1.0, offset: float = 0.0
) -> NDArray[np.float64]:
    """Return sRGB values 0..1 of a negative printed as a positive.

    Parameters
    ----------
    transmittance
        Relative to the film's base, any shape; values under 1e-5 count as 1e-5.
    settings
        Contrast and the print's curve.
    gain, offset
        Balance of the channel: density ``D`` above base counts as ``gain * D + offset``.
    """
    density = -np.log10(np.maximum(np.asarray(transmittance, np.float64), _SMALLEST))
    exposure = settings.contrast * (gain * density + offset - settings.mid_density)
    return encoded(print_luminance(exposure, settings))


def slide_tones(
    transmittance: ArrayLike, settings: PositiveSettings, offset: float = 0.0
) -> NDArray[np.float64]:
    """Return sRGB values 0..1 of a transparency; ``transmittance`` is relative to its white.

    ``offset`` is a log10 of luminance that is added.
    """
    light = np.maximum(np.asarray(transmittance, np.float64), _SMALLEST)
    return encoded(10**offset * light**settings.slide_contrast)


def table_of(tones: NDArray[np.float64]) -> NDArray[np.uint16]:
    """Return sRGB values 0..1 as 16-bit numbers."""
    return np.round(tones * (LEVELS - 1)).astype(np.uint16)


def table_axis() -> NDArray[np.float64]:
    """Return the transmittance (0..`LIGHTEST`) that each entry of a printing table stands for."""
    return np.arange(LEVELS, dtype=np.float64) * (LIGHTEST / LEVELS)
