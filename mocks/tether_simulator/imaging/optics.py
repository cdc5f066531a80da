"""The lens: falloff, focus and what lies on its glass."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

FloatArray = NDArray[np.float32]
_WAVELENGTH_MM = 0.55e-3


@dataclass(frozen=True, slots=True)
class OpticsConfig:
    """The lens and the stand (invented, of the usual size).

    Attributes
    ----------
    focal_mm
        Focal length; with the magnification it decides the angle of the corner rays.
    lens_falloff
        The lens's own loss of light in the corners at f/2.8, in stops; it goes with 1 / N.
    defocus_mm
        Distance from the film to the plane in focus, in the middle.
    tilt_mm
        Further such distance at the right edge (and its opposite at the left): camera not square.
    lens_dust
        Number of specks that stay in place whatever lies in the gate.
    veiling_glare
        Share of the mean light that the lens scatters over the whole picture.
    """

    focal_mm: float = 100.0
    lens_falloff: float = 0.35
    defocus_mm: float = 0.0
    tilt_mm: float = 0.0
    lens_dust: int = 0
    veiling_glare: float = 0.0


def falloff(
    optics: OpticsConfig,
    f_number: float,
    magnification: float,
    half_size_mm: tuple[float, float],
    places: tuple[FloatArray, FloatArray],
) -> FloatArray:
    """Light over the sensor relative to its middle.

    The natural part is cos⁴ of the ray's angle at an image distance of f (1 + m); the lens's own
    is smooth and grows toward the corner. ``places`` are columns and rows, -1..1 each.
    """
    half_x, half_y = half_size_mm
    x, y = places
    radius2 = (x * np.float32(half_x)) ** 2 + (y * np.float32(half_y)) ** 2
    natural = 1 + radius2 / np.float32((optics.focal_mm * (1 + magnification)) ** 2)
    corner = radius2 / np.float32(half_x**2 + half_y**2)
    stops = corner * np.sqrt(corner) * np.float32(optics.lens_falloff * min(1.0, 2.8 / f_number))
    lens = np.exp(stops * np.float32(-math.log(2)))
    return (lens / (natural * natural)).astype(np.float32, copy=False)


def blur_sigma(
    defocus_mm: NDArray[np.floating], f_number: float, magnification: float, pitch_mm: float
) -> NDArray[np.float64]:
    """Standard deviation of the blur in photosites, at a distance from focus on the film's side.

    A defocus of d at the film makes a disc of diameter ``c = d m² / (N (m + 1))`` at the sensor
    (pupil ratio 1), whose standard deviation along one axis is c / 4. Diffraction adds that of a
    normal distribution fitted to the Airy pattern, 0.42 wavelength times working aperture.
    """
    disc = np.abs(np.asarray(defocus_mm, np.float64)) * magnification**2
    disc = disc / (f_number * (1 + magnification))
    airy = 0.42 * _WAVELENGTH_MM * f_number * (1 + magnification)
    return np.sqrt((disc / 4) ** 2 + airy**2) / pitch_mm


def blur(plane: FloatArray, sigma: NDArray[np.float64]) -> FloatArray:
    """Blur a plane, shape (h, w), by ``sigma`` photosites: one number or one for each column.

    Blurs that change over the columns are mixed from neighbouring steps of a fixed series.
    """
    sigma = np.asarray(sigma, np.float64)
    if float(sigma.max()) < 0.35:
        return plane
    if sigma.ndim == 0 or np.ptp(sigma) < 0.05:
        return _gaussian(plane, float(sigma.mean()))
    steps = np.unique(np.concatenate([[0.0], np.geomspace(0.5, max(0.6, sigma.max()), 6)]))
    place = np.interp(sigma, steps, np.arange(steps.size))
    out = np.zeros_like(plane)
    for index, step in enumerate(steps):
        weight = np.clip(1 - np.abs(place - index), 0, 1).astype(np.float32)
        columns = np.flatnonzero(weight)
        if columns.size:
            reach = 4 * math.ceil(step) + 2
            low, high = max(0, columns[0] - reach), columns[-1] + 1 + reach
            out[:, low:high] += _gaussian(plane[:, low:high], step) * weight[low:high]
    return out


def _gaussian(plane: FloatArray, sigma: float) -> FloatArray:
    """Blur by a normal distribution: as a kernel when small, as three running means when large."""
    if sigma < 0.2:
        return plane
    if sigma < 2.5:
        reach = math.ceil(3 * sigma)
        offsets = np.arange(-reach, reach + 1)
        kernel = np.exp(-0.5 * (offsets / sigma) ** 2)
        kernel /= kernel.sum()
        for axis in (0, 1):
            plane = _convolve(plane, kernel.astype(np.float32), axis)
        return plane
    # A running mean of width w has the variance (w² - 1) / 12; three of them, each of the odd
    # width below or above, come nearest to sigma².
    low = int(math.sqrt(4 * sigma**2 + 1) - 1) // 2 * 2 + 1
    narrow = round((12 * sigma**2 - 3 * low**2 - 12 * low - 9) / (-4 * low - 4))
    for axis in (0, 1):
        for index in range(3):
            plane = _running_mean(plane, low if index < narrow else low + 2, axis)
    return plane


def _convolve(plane: FloatArray, kernel: FloatArray, axis: int) -> FloatArray:
    reach = kernel.size // 2
    padding = [(reach, reach) if a == axis else (0, 0) for a in (0, 1)]
    padded = np.pad(plane, padding, mode="edge")
    out = np.zeros_like(plane)
    size = plane.shape[axis]
    for index, weight in enumerate(kernel):
        part = padded[index : index + size] if axis == 0 else padded[:, index : index + size]
        out += weight * part
    return out


def _running_mean(plane: FloatArray, width: int, axis: int) -> FloatArray:
    reach = width // 2
    padding = [(reach + 1, reach) if a == axis else (0, 0) for a in (0, 1)]
    total = np.cumsum(np.pad(plane, padding, mode="edge"), axis=axis, dtype=np.float64)
    if axis == 0:
        return ((total[width:] - total[:-width]) / width).astype(np.float32)
    return ((total[:, width:] - total[:, :-width]) / width).astype(np.float32)


def dust_plane(count: int, width: int, height: int, rng: np.random.Generator) -> FloatArray:
    """Transmittance of ``count`` soft specks that stay where they are; shape (height, width)."""
    # Drawn small and enlarged: the specks are out of focus.
    small_w = 512
    small_h = max(1, round(small_w * height / width))
    plane = np.ones((small_h, small_w), np.float32)
    yy, xx = np.mgrid[0:small_h, 0:small_w].astype(np.float32)
    for _ in range(count):
        cx, cy = rng.uniform(0.1, 0.9) * small_w, rng.uniform(0.1, 0.9) * small_h
        radius = rng.uniform(2.0, 5.0)
        distance = np.hypot(xx - cx, yy - cy)
        edge = np.clip((distance - radius) * 2, -30, 30)
        plane *= 1 - rng.uniform(0.25, 0.6) / (1 + np.exp(edge))
    image = Image.fromarray(plane).resize((width, height), Image.Resampling.BICUBIC)
    return np.asarray(image, np.float32)
