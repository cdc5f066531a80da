"""Film as a material: characteristic curves, dyes seen by a sensor, and grain with a shape."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import j1

from tests.benchmarks.varied.ranges import Draws, Generator
from tether.film import FilmProcess

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

Floats = NDArray[np.float32]

_STEPS = 2048
_LOW, _HIGH = -5.0, 2.0
_WAVES = np.arange(400.0, 701.0, 10.0)
_ILLUMINANTS = (
    "D50", "LED-B1", "LED-B2", "LED-B3", "LED-B4", "LED-B5", "LED-RGB1", "LED-V1", "LED-V2",
    "FL3.8",
)  # fmt: skip
_LAYERS = 3
_APERTURE_MM2 = np.pi * 0.024**2
"""The 48 um aperture that rms granularity is measured with (ISO 10505)."""
#: Usual rms granularity times 1000 (data sheets, from memory).
_GRANULARITY = {
    FilmProcess.BW_NEGATIVE: 13.0,
    FilmProcess.COLOUR_NEGATIVE: 5.5,
    FilmProcess.TRANSPARENCY: 10.0,
}
_TILE = 1024
_FOG = 0.06
"""Density whose grain the base has."""


@dataclass(frozen=True, slots=True)
class Curves:
    """Density above the least of each layer against log exposure (base 10, mid-grey at -0.75).

    ``tables`` has the shape (layers, steps); ``base`` is what each channel of the sensor loses in
    film without picture (negatives), or in the clearest part (transparencies).
    """

    tables: Floats
    base: Floats
    reversal: bool

    @classmethod
    def of(cls, process: FilmProcess, draws: Draws, rng: Generator) -> Curves:
        """Draw a film's curves."""
        x = np.linspace(_LOW, _HIGH, _STEPS)
        usual = {"bw-negative": 0.65, "colour-negative": 0.58, "transparency": 1.6}[process.value]
        tables = []
        for _ in range(1 if process is FilmProcess.BW_NEGATIVE else _LAYERS):
            gamma = usual * draws["gamma"] * rng.uniform(0.96, 1.04)
            soft = rng.uniform(0.1, 0.22)
            if process.is_negative:
                low, high = -2.0 + rng.uniform(-0.1, 0.1), rng.uniform(0.6, 1.2)
                table = gamma * (_bend(x, low, soft) - _bend(x, high, 2 * soft))
            else:
                most = rng.uniform(2.7, 3.6)
                middle = -0.75 + rng.uniform(-0.05, 0.05)
                # Falls around mid-grey's density of about 1.
                foot = middle - (most - 1.0) / gamma
                end = middle + 1.0 / gamma
                table = most - gamma * (_bend(x, foot, soft) - _bend(x, end, 2 * soft))
                table = np.maximum(table, 0)
            tables.append(table)
        if process is FilmProcess.COLOUR_NEGATIVE:
            base = [rng.uniform(0.15, 0.3), rng.uniform(0.45, 0.7), rng.uniform(0.65, 1.05)]
        else:
            grey = rng.uniform(0.12, 0.42) if process.is_negative else rng.uniform(0.08, 0.22)
            base = list(grey + rng.uniform(-0.02, 0.02, 3))
        return cls(
            np.asarray(tables, np.float32), np.asarray(base, np.float32), not process.is_negative
        )

    def density(self, layer: int, exposure: Floats) -> Floats:
        """Return a layer's density at a linear exposure, any shape."""
        log = np.log10(np.maximum(exposure, np.float32(10**_LOW)))
        log -= np.float32(_LOW)
        log *= np.float32((_STEPS - 1) / (_HIGH - _LOW))
        index = np.minimum(log.astype(np.int16), _STEPS - 1)
        return np.asarray(self.tables[layer].take(index), np.float32)

    @property
    def unexposed(self) -> Floats:
        """Density of each layer without light."""
        return np.asarray(self.tables[:, 0], np.float32)


def _bend(x: NDArray[np.float64], at: float, soft: float) -> NDArray[np.float64]:
    return np.asarray(soft * np.logaddexp(0, (x - at) / soft))


@dataclass(frozen=True, slots=True)
class Dyes:
    """What red, green and blue photosites see of three dyes: light times a polynomial's density.

    A sensor's bands are wide, so that density is not quite linear in the dyes' amounts, and each
    band sees all dyes. ``terms`` has the shape (3 channels, 9): three amounts, three squares, and
    the products of the first and second, second and third, first and third. ``white`` is the
    response to the lamp alone, green = 1.
    """

    terms: Floats
    white: Floats

    @classmethod
    def of(cls, rng: Generator) -> Dyes:
        """Draw a sensor, a lamp and dyes.

        Sensors are the two of `colour.MSDS_CAMERA_SENSITIVITIES`, their bands shifted a little;
        lamps those of `colour.SDS_ILLUMINANTS` that a light panel may have. The dyes' bands are
        normal distributions whose places and widths are from memory.
        """
        sensors, lamps = _spectra()
        shift = rng.uniform(-8, 8)
        bands = sensors[int(rng.integers(len(sensors)))]
        bands = np.stack([np.interp(_WAVES - shift, _WAVES, band) for band in bands])
        light = bands * lamps[int(rng.integers(len(lamps)))]
        centres = np.array([655.0, 545.0, 445.0]) + rng.uniform(-8, 8, 3)
        widths = np.array([48.0, 33.0, 36.0]) * rng.uniform(0.9, 1.1, 3)
        dyes = np.exp(-0.5 * ((_WAVES - centres[:, None]) / widths[:, None]) ** 2)
        # Cyan and magenta absorb a little of blue as well.
        dyes[:2] += rng.uniform(0.04, 0.12, (2, 1)) * np.exp(-0.5 * ((_WAVES - 430) / 40) ** 2)
        dyes[0] += rng.uniform(0.04, 0.1) * np.exp(-0.5 * ((_WAVES - 545) / 40) ** 2)
        amounts = np.stack(np.meshgrid(*[np.linspace(0, 3, 7)] * 3, indexing="ij"), -1)
        amounts = amounts.reshape(-1, 3)
        through = 10.0 ** -(amounts @ dyes)
        whole = light.sum(axis=1)
        density = -np.log10((through @ light.T) / whole)
        a, b, c = amounts.T
        parts = np.stack([a, b, c, a * a, b * b, c * c, a * b, b * c, a * c], axis=1)
        weight = 1 / (0.3 + density)
        terms = [
            np.linalg.lstsq(parts * weight[:, [k]], (density * weight)[:, k], rcond=None)[0]
            for k in range(3)
        ]
        return cls(np.asarray(terms, np.float32), np.asarray(whole / whole[1], np.float32))

    @classmethod
    def silver(cls, rng: Generator) -> Dyes:
        """Draw a sensor and a lamp for silver, which takes as much of each colour."""
        terms = np.zeros((3, 9), np.float32)
        terms[:, 0] = 1 + rng.uniform(-0.02, 0.02, 3)
        return cls(terms, cls.of(rng).white)

    def density(self, channel: int, layers: list[Floats]) -> Floats:
        """Return what a channel loses in the dyes (or in silver, one layer)."""
        k = self.terms[channel]
        if len(layers) == 1:
            return np.asarray(layers[0] * k[0])
        a, b, c = layers
        out = a * (k[0] + k[3] * a + k[6] * b)
        out += b * (k[1] + k[4] * b + k[7] * c)
        out += c * (k[2] + k[5] * c + k[8] * a)
        return np.asarray(np.maximum(out, 0), np.float32)


@lru_cache(maxsize=1)
def _spectra() -> tuple[list[NDArray[np.float64]], list[NDArray[np.float64]]]:
    """Return sensors' bands, each (3, waves), and lamps' spectra, each (waves,)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        shape = colour.SpectralShape(400, 700, 10)
        sensors = [
            np.nan_to_num(msds.copy().align(shape).values.T)
            for msds in colour.MSDS_CAMERA_SENSITIVITIES.values()
        ]
        lamps = [
            np.nan_to_num(colour.SDS_ILLUMINANTS[name].copy().align(shape).values)
            for name in _ILLUMINANTS
        ]
    return sensors, lamps


class Grain:
    """Grain as correlated noise of density, blurred as the lens blurs it.

    White noise filtered so that its power spectrum is flat up to some frequency and falls beyond
    it, as published granularity spectra do (from memory), scaled so that an aperture of 48 um sees
    the rms granularity at a density of 1; and clumps several times as large. Each layer of colour
    film has grain of its own. A tile of it is made once for each blur; a frame takes a piece of it
    at a place, turned or not, that no other frame has.
    """

    def __init__(
        self, process: FilmProcess, draws: Draws, dyes: Dyes, rng: Generator, tile: int = _TILE
    ) -> None:
        self._colour = process is not FilmProcess.BW_NEGATIVE
        self._dyes = dyes
        self._tile = tile
        self.pitch = draws["pitch_um"] / 1000
        count = _LAYERS if self._colour else 1
        white = rng.standard_normal((count, tile, tile)).astype(np.float32)
        self._white = [np.fft.rfft2(plane) for plane in white]
        fy = np.fft.fftfreq(tile, self.pitch)[:, None]
        fx = np.fft.rfftfreq(tile, self.pitch)[None, :]
        self._f = np.hypot(fx, fy)
        rms = _GRANULARITY[process] / 1000 * draws["granularity"]
        f0, share = draws["grain_cycles"], draws["mottle"]
        shape = (1 - share) * _fall(self._f, f0) + share * 25 * _fall(self._f, f0 / 5)
        # What the 48 um aperture sees of it: a disc's transfer function.
        x = 2 * np.pi * 0.024 * np.maximum(self._f, 1e-6)
        seen = float(_total(shape * (2 * j1(x) / x) ** 2, tile)) / (tile * self.pitch) ** 2
        self._power = shape * (rms**2 / seen) / self.pitch**2
        self._lens = draws["lens_um"] / 1000
        box = np.sinc(fx * self.pitch) * np.sinc(fy * self.pitch)
        self._power = self._power * (box * np.exp(-2 * (np.pi * self._f * self._lens) ** 2)) ** 2
        self._fields: dict[float, NDArray[np.float32]] = {}

    def amplitude(self, disc_um: float) -> float:
        """Return the amplitude of the finest grain that a blur disc leaves, as a share."""
        fine = 1 - np.cos(np.pi * np.minimum(self._f * self.pitch * 2, 2)) ** 2
        left = _total(self._power * fine * self._disc(disc_um) ** 2, self._tile)
        return float(np.sqrt(left / _total(self._power * fine, self._tile)))

    def disc_for(self, amplitude: float) -> float:
        """Return the radius, um, of the blur disc that leaves a share of the finest amplitude."""
        low, high = 0.0, 60 * self.pitch * 1000
        for _ in range(30):
            middle = (low + high) / 2
            low, high = (middle, high) if self.amplitude(middle) > amplitude else (low, middle)
        return high

    def fields(self, disc_um: float) -> NDArray[np.float32]:
        """Return a tile of density's noise at a density of 1 for each channel, (3, tile, tile)."""
        key = round(disc_um, 2)
        if key not in self._fields:
            root = np.sqrt(self._power) * self._disc(disc_um)
            layers = [
                np.fft.irfft2(white * root, s=(self._tile, self._tile)).astype(np.float32)
                for white in self._white
            ]
            if self._colour:
                k = self._dyes.terms
                planes = [sum(float(k[c, j]) * layers[j] for j in range(_LAYERS)) for c in range(3)]
                self._fields[key] = np.asarray(planes, np.float32)
            else:
                self._fields[key] = np.broadcast_to(layers[0], (3, *layers[0].shape))
        return self._fields[key]

    def _disc(self, radius_um: float) -> NDArray[np.float64]:
        """Return the transfer function of a lens out of focus: a disc's."""
        x = 2 * np.pi * (radius_um / 1000) * np.maximum(self._f, 1e-9)
        return np.where(x < 1e-4, 1.0, 2 * j1(np.maximum(x, 1e-4)) / np.maximum(x, 1e-4))


def _fall(f: NDArray[np.float64], f0: float) -> NDArray[np.float64]:
    return np.asarray((1 + (f / f0) ** 2) ** -1.5)


def _total(half: NDArray[np.float64], tile: int) -> NDArray[np.float64]:
    """Return the sum over the whole plane of frequencies of one that `rfft2` has half of."""
    weight = np.full(half.shape[1], 2.0)
    weight[0] = 1
    if tile % 2 == 0:
        weight[-1] = 1
    return np.asarray((half * weight).sum())


def grain_at(density: Floats) -> Floats:
    """Return how strong grain is at a density above the least, 1 at a density of 1.

    Its variance is proportional to density (Selwyn's aperture and the statistics of overlapping
    grains); the base has a little of its own.
    """
    return np.asarray(np.sqrt((np.maximum(density, 0) + np.float32(_FOG)) / (1 + _FOG)))
