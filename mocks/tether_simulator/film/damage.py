"""What happens to film: stray light in the camera, scratches, dust and fibres."""

from __future__ import annotations

import math
from collections.abc import Set as AbstractSet

import numpy as np
from numpy.typing import NDArray

from tether.film import FilmFormat

FloatArray = NDArray[np.float32]


def light_strike(
    exposure: FloatArray, u: FloatArray, v: FloatArray, form: FilmFormat, seed: int
) -> None:
    """Add light that leaked in from one edge, over picture and rebate alike, in place.

    ``u`` and ``v`` are millimetres from the frame's middle. The leak is orange, as light through
    the edge of a camera's back (invented).
    """
    rng = np.random.default_rng((seed, 11))
    place = rng.uniform(-0.3, 0.3) * form.picture_along
    width = rng.uniform(0.12, 0.25) * form.picture_along
    depth = 0.45 * form.picture_across
    sign = rng.choice([-1.0, 1.0])
    along = -(((u - place) / width) ** 2)
    across = -((sign * v + form.picture_across / 2) / depth) * math.log(10)
    glow = (along[None, :] + across[:, None]) / math.log(10)
    for channel, level in enumerate((1.6, 1.2, 0.8)):
        light = (glow + level).astype(np.float32)
        np.logaddexp(
            exposure[channel] * np.float32(math.log(10)),
            light * np.float32(math.log(10)),
            out=exposure[channel],
        )
        exposure[channel] /= np.float32(math.log(10))


def mark(
    out: FloatArray,
    axes: tuple[FloatArray, FloatArray],
    form: FilmFormat,
    codes: AbstractSet[str],
    seed: int,
) -> None:
    """Scratch and soil the film of one frame, in place in its transmittance (3, h, w).

    ``axes`` are millimetres from the frame's middle along and across the film.
    """
    u, v = axes
    if "scratched" in codes:
        _scratches(out, u, v, form, np.random.default_rng((seed, 12)))
    if "dusty" in codes:
        _dust(out, u, v, form, np.random.default_rng((seed, 13)))


def _scratches(
    out: FloatArray, u: FloatArray, v: FloatArray, form: FilmFormat, rng: np.random.Generator
) -> None:
    """Scratches along the film: in the emulsion they are clear, in the base they scatter."""
    inside = np.abs(u) < form.pitch / 2
    for _ in range(3):
        middle = rng.uniform(-0.4, 0.4) * form.picture_across
        wander = 0.05 * np.sin(u / rng.uniform(4, 9) + rng.uniform(0, 6))
        width = rng.uniform(0.02, 0.05)
        clear = rng.random() < 0.7
        rows = np.flatnonzero(np.abs(v - middle) < 0.3)
        if not rows.size:
            continue
        depth = np.clip(1.5 - np.abs(v[rows, None] - middle - wander[None, :]) / width, 0, 1)
        depth = (depth * inside * 0.85).astype(np.float32)
        part = out[:, rows]
        out[:, rows] = part + (0.9 - part) * depth if clear else part * (1 - 0.8 * depth)


def _dust(
    out: FloatArray, u: FloatArray, v: FloatArray, form: FilmFormat, rng: np.random.Generator
) -> None:
    """Specks and fibres: opaque, small, everywhere on the frame."""
    for index in range(46):
        x = rng.uniform(-0.5, 0.5) * form.picture_along
        y = rng.uniform(-0.5, 0.5) * form.picture_across
        fibre = index < 6
        reach = 2.0 if fibre else 0.2
        columns = np.flatnonzero(np.abs(u - x) < reach)
        rows = np.flatnonzero(np.abs(v - y) < reach)
        bend, angle = rng.uniform(0.5, 1.6), rng.uniform(0, math.tau)
        radius = rng.uniform(0.02, 0.09)
        if not columns.size or not rows.size:
            continue
        dx, dy = u[columns][None, :] - x, v[rows][:, None] - y
        if fibre:
            # A piece of a circle of radius ``bend``.
            ring = np.abs(np.hypot(dx, dy) - bend)
            turn = np.cos(np.arctan2(dy, dx) - angle)
            cover = np.clip(1.5 - ring / 0.02, 0, 1) * (turn > 0.2)
        else:
            cover = np.clip(1.5 - np.hypot(dx, dy) / radius, 0, 1)
        where = np.s_[:, rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        out[where] *= (1 - 0.9 * cover).astype(np.float32)
