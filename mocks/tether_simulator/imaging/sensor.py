"""The simulated sensor: photons in, raw values of a Bayer mosaic out.

Model: EMVA 1288's linear camera. Electrons are Poisson distributed around their mean, the
photosite holds no more than its full well, the amplifier adds read noise, and the converter
rounds and stops at its saturation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float32]

_CHANNEL = {"R": 0, "G": 1, "B": 2}
_BLOCK_SITES = 2_000_000
#: Below this mean the Poisson numbers are drawn as such; above it the normal distribution of the
#: same mean and variance differs from them by less than the converter's steps show.
_POISSON_BELOW = 30.0


@dataclass(frozen=True, slots=True)
class SensorConfig:
    """A sensor (every number invented, of the usual size).

    Attributes
    ----------
    width, height
        Photosites, both even.
    cfa
        The Bayer phase: the four letters of the tile in reading order.
    pitch_um
        Distance of the photosites in micrometres; None makes the sensor 36 mm wide.
    full_well
        Electrons at which a raw value reaches ``saturation`` at ISO 100.
    well_margin
        The photosite itself holds this many times ``full_well``; over 1 the converter stops
        first and saturated sites all read ``saturation``. Below ISO 100 the well stops first, and
        the raw values pile up, with noise, below the stated level.
    read_noise
        Electrons, standard deviation, at every ISO.
    dark_current
        Electrons per second.
    black, saturation, bits
        Raw values of no light and of the top; the converter's bits.
    stated_white
        The white level that the file states; None states ``saturation``.
    response
        Relative response of red, green and blue to light of 5000 K, green = 1.
    readout_seconds
        Time from the first to the last row's exposure (rolling shutter).
    noise
        False gives the expected values, rounded: a file without noise.
    """

    width: int = 1536
    height: int = 1024
    cfa: str = "RGGB"
    pitch_um: float | None = None
    full_well: float = 60_000.0
    well_margin: float = 1.05
    read_noise: float = 3.0
    dark_current: float = 0.5
    black: int = 512
    saturation: int = 16_200
    bits: int = 14
    stated_white: int | None = None
    response: tuple[float, float, float] = (0.58, 1.0, 0.68)
    readout_seconds: float = 0.030
    noise: bool = True

    def __post_init__(self) -> None:
        """Refuse what no sensor could be."""
        if self.width % 2 or self.height % 2 or min(self.width, self.height) < 16:
            raise ValueError("width and height must be even and at least 16")
        if self.cfa not in ("RGGB", "BGGR", "GRBG", "GBRG"):
            raise ValueError(f"'{self.cfa}' is no Bayer phase; use RGGB, BGGR, GRBG or GBRG")
        if not 0 <= self.black < self.saturation < 2**self.bits:
            raise ValueError("black < saturation < 2^bits must hold")

    @property
    def tile(self) -> tuple[tuple[int, int], tuple[int, int]]:
        """The 2 x 2 tile as channel numbers, 0 red, 1 green, 2 blue, for example RGGB."""
        a, b, c, d = (_CHANNEL[letter] for letter in self.cfa)
        return ((a, b), (c, d))

    @property
    def sites(self) -> tuple[tuple[tuple[int, int], int], ...]:
        """Each place (row, column) of the tile with its channel number."""
        return tuple(((row, column), self.tile[row][column]) for row in (0, 1) for column in (0, 1))

    @property
    def pitch_mm(self) -> float:
        """Distance of the photosites in millimetres."""
        return self.pitch_um / 1000 if self.pitch_um is not None else 36.0 / self.width

    @property
    def electrons_per_value(self) -> float:
        """Electrons per raw value at ISO 100 (the photon transfer method's K, inverted)."""
        return self.full_well / (self.saturation - self.black)


_DIRECTORY = 726
"""Bytes of a raw file beside its photosites, see `tether_simulator.imaging.dng`."""


def raw_bytes(sensor: SensorConfig) -> int:
    """Return about how large a raw file of a sensor is: 16 bits a photosite, and a directory."""
    return 2 * sensor.width * sensor.height + _DIRECTORY


def read_out(
    electrons: FloatArray,
    sensor: SensorConfig,
    gain: float,
    seconds: float,
    rng: np.random.Generator,
) -> NDArray[np.uint16]:
    """Turn the mean photo-electrons of each photosite into raw values.

    Parameters
    ----------
    electrons
        Mean number of photo-electrons, shape (height, width).
    gain
        Amplification, 1 at ISO 100.
    seconds
        Shutter time, for the dark current.

    Returns
    -------
    Raw values, same shape, uint16, in 0..``saturation``.
    """
    raw = np.empty(electrons.shape, np.uint16)
    rows = max(1, _BLOCK_SITES // electrons.shape[1])
    for top in range(0, electrons.shape[0], rows):
        block = electrons[top : top + rows] + np.float32(sensor.dark_current * seconds)
        if sensor.noise:
            block = _with_noise(block, sensor, rng)
        else:
            np.minimum(block, sensor.full_well * sensor.well_margin, out=block)
        block *= np.float32(gain / sensor.electrons_per_value)
        block += np.float32(sensor.black + 0.5)
        np.clip(block, 0, sensor.saturation + 0.5, out=block)
        raw[top : top + rows] = block.astype(np.uint16)
    return raw


def _with_noise(mean: FloatArray, sensor: SensorConfig, rng: np.random.Generator) -> FloatArray:
    shot = rng.standard_normal(mean.shape, np.float32)
    shot *= np.sqrt(mean)
    shot += mean
    few = mean < _POISSON_BELOW
    if few.any():
        shot[few] = rng.poisson(mean[few]).astype(np.float32)
    np.minimum(shot, sensor.full_well * sensor.well_margin, out=shot)
    noise = rng.standard_normal(mean.shape, np.float32)
    noise *= np.float32(sensor.read_noise)
    shot += noise
    return shot
