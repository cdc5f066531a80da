"""How far the film moved between two live pictures, in pixels along its length.

The film moves along one direction only, so each picture is reduced to a few bands along it, and
the bands of two pictures are compared together: by normalized correlation over what both show
(D. Padfield, "Masked object registration in the Fourier domain", 2012) to the pixel, then by least
squares (B. D. Lucas and T. Kanade, 1981) to a fraction of one. Both sources from memory; the tests
compare with scikit-image.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float32]

BANDS = 12
"""Bands that a picture is reduced to: enough that a finger in one leaves the others."""

_DARK = 1e-2
"""Added to linear light before its logarithm: about what a live picture's noise amounts to."""
_MARGIN = 0.06
"""Share of the picture's length at each end where a gate's edge may lie."""
_LEAST_OVERLAP = 0.25
"""Share of the picture's length that two pictures must have in common."""
_REFINEMENTS = 3
_AGREE = 0.4
"""Share of the best band's likeness that a band has at least that shows the film."""


@dataclass(frozen=True, slots=True)
class Shift:
    """How far one picture's film lies from another's.

    Attributes
    ----------
    pixels
        Along the film; positive when the film moved toward greater x (or y).
    likeness
        Correlation of the two pictures once they are laid over each other, -1..1.
    """

    pixels: float
    likeness: float


def film_bands(linear: FloatArray, *, along_rows: bool = True) -> FloatArray:
    """Reduce a live picture to bands along the film.

    Parameters
    ----------
    linear
        Linear light, shape (h, w), 0..1; h and w at least `BANDS`.
    along_rows
        The film's length runs along the picture's rows; else along its columns.

    Returns
    -------
    Differences along the film of the logarithm of light, shape (`BANDS`, length), without what all
    bands have in common. A change of brightness leaves them as they are.
    """
    picture = linear if along_rows else linear.T
    rows = len(picture) // BANDS * BANDS
    bands = picture[:rows].reshape(BANDS, -1, picture.shape[1]).mean(axis=1)
    slopes: FloatArray = np.gradient(np.log2(bands + np.float32(_DARK)), axis=1)
    # Every frame has the same edges, and every perforation its like: the picture shall decide.
    slopes -= slopes.mean(axis=0)
    return slopes


def shift_between(
    before: FloatArray, after: FloatArray, *, expected: float = 0.0, reach: float | None = None
) -> Shift:
    """Return how far the film moved from one picture to the other.

    Parameters
    ----------
    before, after
        As `film_bands` returns them, of one shape.
    expected, reach
        Look no further than ``reach`` pixels from ``expected``; None for all that leaves the two
        pictures enough in common.
    """
    length = before.shape[1]
    margin = round(_MARGIN * length)
    inside = np.zeros(length, np.float32)
    inside[margin : length - margin] = 1
    size = 2 * length
    one, two = before * inside, after * inside
    mask = np.fft.rfft(inside, size)

    def correlated(a: NDArray[np.complex128], b: NDArray[np.complex128]) -> NDArray[np.float64]:
        return np.fft.irfft(a * np.conj(b), size)

    product = correlated(np.fft.rfft(two, size), np.fft.rfft(one, size))
    power_two = correlated(np.fft.rfft(two * two, size), mask)
    power_one = correlated(mask, np.fft.rfft(one * one, size))
    overlap = correlated(mask, mask)
    energy = np.sqrt(np.maximum(power_one, 0) * np.maximum(power_two, 0))
    energy += 1e-6 * energy.max() + 1e-12
    # Each band has one vote, however strong its edges: a finger that rests has only a few bands.
    votes = np.maximum(product / energy, 0)
    # Likeness by chance falls as the root of the length that is compared.
    response = votes.mean(axis=0) * np.sqrt(np.maximum(overlap, 0) / length)
    shifts = np.fft.fftfreq(size, 1 / size)
    response[np.abs(shifts) > (1 - _LEAST_OVERLAP) * length] = -np.inf
    if reach is not None:
        response[np.abs(shifts - expected) > reach] = -np.inf
    best = int(np.argmax(response))
    agree = votes[:, best] >= _AGREE * votes[:, best].max()
    found = _refined(before[agree], after[agree], int(shifts[best]), margin)
    return Shift(found.pixels, found.likeness * float(agree.mean()))


def _refined(before: FloatArray, after: FloatArray, whole: int, margin: int) -> Shift:
    """Refine a shift of whole pixels on what both pictures show."""
    length = before.shape[1]
    start, stop = max(margin, whole + margin), length - margin + min(0, whole)
    places = np.arange(start, stop)
    seen = after[:, start:stop]
    shift, likeness = float(whole), 0.0
    for _ in range(_REFINEMENTS):
        laid = _at(before, places - shift)
        slope = np.gradient(laid, axis=1)
        steep = float((slope * slope).sum())
        energy = float(np.sqrt((laid * laid).sum() * (seen * seen).sum()))
        if steep <= 0 or energy <= 0:
            break
        likeness = float((laid * seen).sum()) / energy
        shift -= float(np.clip((slope * (seen - laid)).sum() / steep, -1, 1))
        if abs(shift - whole) > 2:
            return Shift(float(whole), likeness)
    return Shift(shift, likeness)


def _at(bands: FloatArray, places: NDArray[np.float64]) -> FloatArray:
    """Values of the bands between pixels, by linear interpolation."""
    base = np.floor(places).astype(int)
    part = (places - base).astype(np.float32)
    base = np.clip(base, 0, bands.shape[1] - 2)
    laid: FloatArray = bands[:, base] * (1 - part) + bands[:, base + 1] * part
    return laid
