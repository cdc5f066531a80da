"""The same picture as on the frame before: the film was not moved, or slipped back a little."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tether.measure.levels import FloatArray, stops
from tether.measure.survey import Survey
from tether.measure.verdict import Finding, Severity

SIDE = 240
"""Pixels along the longer side of what is remembered of a frame."""

_SCALE = 64.0
"""Steps a stop in what is remembered."""
_NEAR = 9
"""Pixels of the surroundings whose mean is taken off: light and exposure fall out."""
_FARTHEST = 0.14
"""Largest slip along either side that is looked for, as a share of the view."""
_LEAST_DETAIL = 0.02
"""Stops (root mean square) of detail below which there is nothing to compare."""
_SAME = 0.85
_PERHAPS = 0.75


@dataclass(frozen=True, slots=True)
class Likeness:
    """How alike two frames are.

    ``value`` is their correlation where they fit best, -1..1; ``shift`` the (x, y) by which the
    first then lies off the second, as shares of the view's width.
    """

    value: float
    shift: tuple[float, float]


def detail_of(picture: Survey, where: NDArray[np.bool_] | None = None) -> NDArray[np.int8]:
    """Return the detail of a frame in stops, without its light, for later comparison.

    Parameters
    ----------
    picture
        The survey.
    where
        The picture's part of it; what lies outside is 0.

    Returns
    -------
    Stops against the surroundings in steps of 1/64 stop, longer side at most 240 pixels. A
    change of exposure adds the same to every pixel in stops, so it does not show.
    """
    main = picture.main
    step = -(-max(main.shape) // SIDE)
    rows, columns = (n // step for n in main.shape)
    shape = (rows, step, columns, step)
    ev = stops(main[: rows * step, : columns * step].reshape(shape).mean(axis=(1, 3)))
    detail = np.clip(ev, -9.0, 0.5)
    detail = detail - _around(detail)
    if where is not None:
        inside = where[: rows * step, : columns * step].reshape(shape).all(axis=(1, 3))
        detail = np.where(_shrunk(inside, _NEAR // 2), detail, 0.0)
    return np.asarray(np.clip(np.rint(detail * _SCALE), -127, 127), np.int8)


def likeness(one: NDArray[np.int8], other: NDArray[np.int8]) -> Likeness | None:
    """Return how alike two details are where they fit best; None where either has too little.

    Normalised cross-correlation over all slips up to a seventh of the view, each over the part
    that both show, by the Fourier transform (Lewis, Fast Normalized Cross-Correlation, 1995).
    """
    if one.shape != other.shape:
        return None
    a, b = one.astype(np.float32) / _SCALE, other.astype(np.float32) / _SCALE
    seen_a, seen_b = (one != 0).astype(np.float32), (other != 0).astype(np.float32)
    if min(_rms(a, seen_a), _rms(b, seen_b)) < _LEAST_DETAIL:
        return None
    height, width = one.shape
    reach_y, reach_x = int(height * _FARTHEST), int(width * _FARTHEST)
    size = (height + reach_y, width + reach_x)
    spectra = {
        name: np.fft.rfft2(values, size)
        for name, values in (
            ("a", a), ("b", b), ("aa", a * a), ("bb", b * b), ("sa", seen_a), ("sb", seen_b),
        )
    }  # fmt: skip

    def correlate(first: str, second: str) -> FloatArray:
        return np.asarray(np.fft.irfft2(spectra[first] * spectra[second].conj(), size), np.float32)

    product = correlate("a", "b")
    power = correlate("aa", "sb") * correlate("sa", "bb")
    shared = correlate("sa", "sb")
    enough = shared > 0.6 * min(float(seen_a.sum()), float(seen_b.sum()))
    value = np.where(enough, product / np.sqrt(np.maximum(power, 1e-6)), -1.0)
    rows = np.r_[0 : reach_y + 1, size[0] - reach_y : size[0]]
    columns = np.r_[0 : reach_x + 1, size[1] - reach_x : size[1]]
    near = value[np.ix_(rows, columns)]
    row, column = np.unravel_index(int(near.argmax()), near.shape)
    down, right = int(rows[row]), int(columns[column])
    down -= size[0] if down > reach_y else 0
    right -= size[1] if right > reach_x else 0
    return Likeness(float(near.max()), (right / width, down / width))


def compare_picture(
    detail: NDArray[np.int8],
    before: NDArray[np.int8] | None,
    before_frame: int,
    width_mm: float | None = None,
) -> list[Finding]:
    """Say whether a frame shows the same picture as the one before it.

    Parameters
    ----------
    detail, before
        `detail_of` this frame and of the frame before, None where there is none.
    before_frame
        Its number, for the sentence; below 0 where it has none.
    width_mm
        Width of the view in millimetres on the film, to say how far it slipped.
    """
    alike = likeness(detail, before) if before is not None else None
    if alike is None or alike.value < _PERHAPS:
        return []
    slip = abs(complex(*alike.shift)) * width_mm if width_mm else 0.0
    moved = f", moved by {slip:.1f} mm" if slip > 0.5 else ""
    name = f"frame {before_frame}" if before_frame >= 0 else "the frame before"
    sure = alike.value >= _SAME
    return [
        Finding(
            "film-not-advanced",
            Severity.RESHOOT if sure else Severity.LOOK,
            round(alike.value, 3),
            "correlation",
            f"This {'is' if sure else 'looks like'} the same picture as {name}{moved}.",
            "Advance the film to the next frame and photograph it; if the film itself has two "
            "pictures alike, keep it.",
        )
    ]


def _rms(values: FloatArray, seen: FloatArray) -> float:
    return float(np.sqrt((values * values).sum() / max(1.0, float(seen.sum()))))


def _around(values: FloatArray) -> FloatArray:
    """Return the mean of the surroundings of each value."""
    reach = _NEAR
    padded = np.pad(values, reach, mode="edge").astype(np.float64)
    total = np.pad(padded.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))
    size = 2 * reach + 1
    sums = total[size:, size:] - total[:-size, size:] - total[size:, :-size] + total[:-size, :-size]
    return np.asarray(sums / size**2, np.float32)


def _shrunk(inside: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    """Return the mask drawn in by ``reach`` pixels on every side."""
    padded = np.pad(inside, reach, constant_values=False).astype(np.int32)
    total = np.pad(padded.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))
    size = 2 * reach + 1
    sums = total[size:, size:] - total[:-size, size:] - total[size:, :-size] + total[:-size, :-size]
    return np.asarray(sums == size**2)
