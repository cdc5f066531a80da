"""Whether the same picture was photographed before: the film was not advanced."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tether.findings import Finding
from tether.measure.levels import FloatArray, stops
from tether.measure.shapes import Quad
from tether.measure.survey import Survey
from tether.settings import AdvanceSettings

ROWS, COLUMNS = 64, 96
"""Size of a signature, in pixels."""

UNSEEN = -128
"""Stands in a signature where the picture was out of view."""

_INSET = 0.04
_REACH = 0.2
"""Largest shift at which two pictures are compared, as a share of width and height."""
_PLACED = 0.03
"""Shift, as a share of width and height, up to which a picture lies at its place in its outline."""
_MOVED = 0.75
"""What may be missing from a full correlation of one that is moved, relative to one that is not:
of all places at which two like motifs may lie the best is taken."""
_FULL = 32.0
_PLAIN = 0.02


@dataclass(frozen=True, slots=True)
class Likeness:
    """How alike two pictures are.

    ``correlation`` is that of their signatures, -1..1, over the part that both show; ``shift``
    how far the second lies from the first, as a share of width and height.
    """

    correlation: float
    shift: tuple[float, float]


def signature(picture: Survey, area: Quad, seen: Quad | None = None) -> NDArray[np.int8] | None:
    """Return what a picture is recognised by: its middle-sized detail, small and normalised.

    The picture within ``area`` (photosites) is resampled to 64 x 96 pixels, its logarithm taken,
    and what is larger than about a seventh of its height removed, so that neither exposure nor
    falloff nor a sky above a ground make two pictures alike. 32 stands for one standard
    deviation, `UNSEEN` for what lies outside ``seen`` (photosites; None for the whole mosaic).
    None for a picture without detail, or one of which less than a third is seen.
    """
    height, width = picture.main.shape
    step = picture.step
    limits = seen or Quad.whole(width * step, height * step)
    small, shown = _resampled(
        picture.main, area.shrunk(_INSET).scaled(1 / step), limits.shrunk(0.01).scaled(1 / step)
    )
    if np.mean(shown) < 1 / 3:
        return None
    ev = stops(small + np.float32(2.0**-12))
    detail = _smooth(ev, 1) - _smooth(ev, 6)
    deviation = float(detail[shown].std())
    if deviation < _PLAIN:
        return None
    scaled = np.clip(np.rint(detail / deviation * _FULL), -127, 127)
    scaled[~shown] = UNSEEN
    return np.asarray(scaled, np.int8)


def compare(first: NDArray[np.int8], second: NDArray[np.int8], reach: float = _REACH) -> Likeness:
    """Return how alike two signatures are, at the shift at which they are most.

    The shift is found by circular cross-correlation of the zero-padded signatures (Fourier
    transform), and the correlation (Pearson's) is then taken over the part that both show.

    Parameters
    ----------
    reach
        Largest shift, as a share of width and height.
    """
    if first.shape != second.shape:
        return Likeness(0.0, (0.0, 0.0))
    return _compared(first, second, _spectrum(second, reach), reach)


def _padded(shape: tuple[int, ...], reach: float) -> tuple[int, ...]:
    """Return a size in which shifts up to ``reach`` bring nothing round from the other end."""
    return tuple(-(-(n + int(n * reach)) // 8) * 8 for n in shape)


def _spectrum(signature: NDArray[np.int8], reach: float) -> NDArray[np.complexfloating]:
    """Return the Fourier transform of a signature, padded with zeros."""
    values = np.where(signature == UNSEEN, 0, signature).astype(np.float32)
    return np.fft.rfft2(values, _padded(signature.shape, reach))


def _compared(
    first: NDArray[np.int8],
    second: NDArray[np.int8],
    transformed: NDArray[np.complexfloating],
    reach: float,
) -> Likeness:
    """Do the work of `compare` with the second signature's spectrum, which serves many firsts."""
    shown_a, shown_b = first != UNSEEN, second != UNSEEN
    a, b = np.where(shown_a, first, 0).astype(np.float32), np.where(shown_b, second, 0)
    rows, columns = a.shape
    both = np.conj(_spectrum(first, reach)) * transformed
    product = np.fft.irfft2(both, _padded(first.shape, reach))
    high, wide = int(rows * reach), int(columns * reach)
    dy, dx = np.arange(-high, high + 1), np.arange(-wide, wide + 1)
    part = product[np.ix_(dy, dx)]
    # Fewer pixels overlap at a larger shift; their sum is smaller for that alone.
    part = part / ((rows - np.abs(dy))[:, None] * (columns - np.abs(dx))[None, :])
    at = np.unravel_index(int(np.argmax(part)), part.shape)
    y, x = int(dy[at[0]]), int(dx[at[1]])
    of_a = np.s_[max(0, -y) : rows - max(0, y), max(0, -x) : columns - max(0, x)]
    of_b = np.s_[max(0, y) : rows + min(0, y), max(0, x) : columns + min(0, x)]
    seen = shown_a[of_a] & shown_b[of_b]
    if np.count_nonzero(seen) < rows * columns / 4:
        return Likeness(0.0, (x / columns, y / rows))
    one, other = a[of_a][seen], b[of_b][seen].astype(np.float32)
    one, other = one - one.mean(), other - other.mean()
    scale = float(np.sqrt(np.sum(one * one) * np.sum(other * other)))
    correlation = float(np.sum(one * other)) / scale if scale > 0 else 0.0
    return Likeness(correlation, (x / columns, y / rows))


def repeat_findings(
    now: NDArray[np.int8] | None,
    before: list[tuple[int, NDArray[np.int8]]],
    settings: AdvanceSettings,
    outlined: Sequence[bool] = (),
) -> list[Finding]:
    """Say when a picture is one that was photographed before.

    Parameters
    ----------
    now
        Signature of this picture, None where it has no detail.
    before
        (frame number, signature) of earlier frames; -1 for one without a number.
    outlined
        For each of these whether its outline and that of this picture were found for certain. The
        same picture then lies at the same place within it, and one that agrees only when moved is
        another picture of a like motif. Without it this is not known of any.

    Two frames of one motif, taken one after the other from a stand, look alike as well. They
    seldom lie so alike that every detail of a 96 x 64 picture falls on the same place, and the
    two differ where anything moved; the limit leaves room for that.
    """
    if now is None or not before:
        return []
    transformed = _spectrum(now, _REACH)
    likest, frame = Likeness(0.0, (0.0, 0.0)), -1
    placed = [*outlined, *[False] * (len(before) - len(outlined))]
    for (number, signature), at_its_place in zip(before, placed, strict=True):
        if signature.shape != now.shape:
            continue
        likeness = _compared(signature, now, transformed, _REACH)
        limit = settings.same_correlation
        if max(abs(by) for by in likeness.shift) > _PLACED:
            if at_its_place:
                continue
            limit = 1 - _MOVED * (1 - limit)
        if likeness.correlation >= max(limit, likest.correlation):
            likest, frame = likeness, number
    if not likest.correlation:
        return []
    return [
        Finding.of(
            "not-advanced",
            round(likest.correlation, 3),
            case="" if frame >= 0 else "unnumbered",
            frame=frame,
        )
    ]


def _resampled(plane: FloatArray, area: Quad, seen: Quad) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return the picture within an outline as `ROWS` x `COLUMNS`, means of 3 x 3 samples each.

    With it, which of its pixels lie within the upright box around ``seen``; the others repeat
    the nearest of these.
    """
    per = 3
    v = (np.arange(ROWS * per) + 0.5)[:, None] / (ROWS * per)
    u = (np.arange(COLUMNS * per) + 0.5)[None, :] / (COLUMNS * per)
    limits = np.asarray(seen.corners)
    size = (plane.shape[1], plane.shape[0])
    inside: NDArray[np.bool_] = np.ones((v.size, u.size), bool)
    pixel = []
    for axis in (0, 1):
        a, b, c, d = (corner[axis] for corner in area.corners)
        place = a + (b - a) * u + v * ((d - a) + (a - b + c - d) * u)
        low = max(float(np.ceil(limits[:, axis].min())), 0.0)
        high = min(float(np.floor(limits[:, axis].max())), size[axis]) - 1
        inside &= (place >= low) & (place <= high + 1)
        pixel.append(np.clip(place, low, high, out=place).astype(np.intp))
    taken = np.maximum(plane[pixel[1], pixel[0]], np.float32(0))
    means = _by_threes(_by_threes(taken).T).T / np.float32(per**2)
    samples = _by_threes(_by_threes(inside.view(np.uint8)).T).T
    return np.asarray(means, np.float32), np.asarray(samples == per**2)


def _by_threes(values: NDArray[Any]) -> NDArray[Any]:
    """Return the sums of three rows each."""
    total: NDArray[Any] = values[::3] + values[1::3] + values[2::3]
    return total


def _smooth(values: FloatArray, reach: int) -> FloatArray:
    """Return running means over (2 reach + 1)², taken twice: nearly a normal distribution."""
    for _ in range(2):
        for axis in (0, 1):
            padding = [(reach + 1, reach) if a == axis else (0, 0) for a in (0, 1)]
            total = np.cumsum(np.pad(values, padding, mode="edge"), axis=axis, dtype=np.float64)
            size = 2 * reach + 1
            upper = np.take(total, np.arange(size, total.shape[axis]), axis=axis)
            lower = np.take(total, np.arange(total.shape[axis] - size), axis=axis)
            values = ((upper - lower) / size).astype(np.float32)
    return values
