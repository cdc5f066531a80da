"""How exposed film turns into density: base, toe, straight line and shoulder for each process."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tether.film import FilmProcess

FloatArray = NDArray[np.float32]

#: Log exposure of film that saw no light.
UNEXPOSED = -9.0


@dataclass(frozen=True, slots=True)
class CharacteristicCurve:
    """Density of one layer against log exposure (base 10, mid-grey = 0).

    Attributes
    ----------
    base
        Density without exposure: base plus fog of a negative, and of a transparency its greatest
        density.
    slope
        Density per unit of log exposure on the straight line (gamma); negative for transparencies.
    toe, shoulder
        Log exposure at which the straight line meets base and the far end of the curve.
    softness
        Width of the bends in log exposure.
    """

    base: float
    slope: float
    toe: float
    shoulder: float
    softness: float = 0.12

    def density(self, log_exposure: NDArray[np.floating] | float) -> NDArray[np.float64]:
        """Density at a log exposure, any shape."""
        x = np.asarray(log_exposure, np.float64)
        rise = _softplus((x - self.toe) / self.softness)
        rise -= _softplus((x - self.shoulder) / self.softness)
        return self.base + self.slope * self.softness * rise


@dataclass(frozen=True, slots=True)
class Film:
    """One kind of film: a curve for red, green and blue light each, and its grain.

    ``granularity`` is the standard deviation of density through a 48 µm aperture at a density of
    1 above the clear support (rms granularity as ISO 10505 has it; often quoted times 1000).
    ``support`` is the density of the clear support, which has no grain.
    """

    curves: tuple[CharacteristicCurve, CharacteristicCurve, CharacteristicCurve]
    granularity: float
    support: tuple[float, float, float]

    @property
    def base(self) -> tuple[float, float, float]:
        """Densities of unexposed, developed film for red, green and blue light."""
        r, g, b = (float(curve.density(UNEXPOSED)) for curve in self.curves)
        return (r, g, b)

    def transmittance(self, log_exposure: FloatArray) -> FloatArray:
        """Transmittance for red, green and blue; input and result of shape (3, height, width).

        Taken from a table in steps of 1/4000, which keeps density within 0.0003 of the curve.
        """
        low, steps = -5.0, 4000
        grid = np.arange(low, 5.0, 1 / steps)
        index = ((log_exposure - np.float32(low)) * np.float32(steps) + np.float32(0.5)).clip(
            0, grid.size - 1
        )
        index = index.astype(np.int32)
        out = np.empty(log_exposure.shape, np.float32)
        for channel, curve in enumerate(self.curves):
            table = (10.0 ** -curve.density(grid)).astype(np.float32)
            out[channel] = table[index[channel]]
        return out


#: Invented films of the usual kind (values from memory of common sensitometric curves: negative
#: gamma about 0.6, mask of colour negatives denser in green and blue, transparencies steep and
#: ending about 3.5).
FILMS: dict[FilmProcess, Film] = {
    FilmProcess.BW_NEGATIVE: Film(
        (CharacteristicCurve(0.28, 0.60, -1.30, 2.20),) * 3, 0.011, (0.20, 0.20, 0.20)
    ),
    FilmProcess.COLOUR_NEGATIVE: Film(
        (
            CharacteristicCurve(0.24, 0.56, -1.35, 2.10),
            CharacteristicCurve(0.62, 0.60, -1.35, 2.10),
            CharacteristicCurve(0.90, 0.64, -1.35, 2.10),
        ),
        0.008,
        (0.22, 0.58, 0.84),
    ),
    FilmProcess.TRANSPARENCY: Film(
        (
            CharacteristicCurve(3.42, -1.75, -1.22, 0.66, 0.16),
            CharacteristicCurve(3.50, -1.78, -1.22, 0.66, 0.16),
            CharacteristicCurve(3.58, -1.82, -1.22, 0.66, 0.16),
        ),
        0.010,
        (0.08, 0.08, 0.10),
    ),
}


def selwyn_sigma(granularity: float, area_um2: float) -> float:
    """Standard deviation of density over another aperture (Selwyn: sigma² times area is constant).

    ``granularity`` is for the circular aperture of 48 µm diameter of ISO 10505.
    """
    return granularity * math.sqrt(math.pi * 24.0**2 / area_um2)


def _softplus(x: NDArray[np.float64]) -> NDArray[np.float64]:
    result: NDArray[np.float64] = np.logaddexp(0.0, x)
    return result
