"""Print a frame: from its linear picture to the numbers of a positive."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from tether.film import FilmProcess
from tether.positive.flat_field import FlatField, rows_of
from tether.positive.geometry import canvas, of_part, placed, upright
from tether.positive.linear import Linear
from tether.positive.rendering import Rendering
from tether.positive.tones import (
    LEVELS,
    LIGHTEST,
    base_luminance,
    negative_tones,
    slide_tones,
    table_axis,
    table_of,
)

#: Rows that are worked on at once: what they need stays in the processor's cache.
_ROWS = 32


def is_grey(rendering: Rendering) -> bool:
    """Whether the film is the same in all colours."""
    return rendering.process is FilmProcess.BW_NEGATIVE


def print_frame(
    linear: Linear,
    rendering: Rendering,
    weights: tuple[float, float, float],
    flat: FlatField | None = None,
    part: tuple[slice, slice] | None = None,
) -> NDArray[np.uint16]:
    """Return the positive, 16-bit sRGB values, shape (h, w) for one plane, else (h, w, 3).

    Parameters
    ----------
    linear
        The frame.
    rendering
        How it is printed.
    weights
        How many photosites of a tile are red, green and blue (`tile_weights`), for one plane.
    flat
        The light over the view; None where it is not known.
    part
        Rows and columns of the picture, in pixels, to print in the place of its outline.
    """
    outline = rendering.outline
    place = of_part(*part) if part else placed(outline, linear.step, linear.shape)
    tables = _tables(replace(rendering, outline=None, base=(1.0, 1.0, 1.0)), linear.planes)
    base = np.asarray(rendering.base, np.float64)
    per_plane = base if linear.planes == 3 else np.array([float(base @ np.asarray(weights))])
    scale = (LEVELS / LIGHTEST / np.maximum(per_plane, 1e-6)).astype(np.float32)[:, None, None]
    light = _light(flat, linear, np.asarray(weights) * base)
    mixing = None
    if linear.planes == 3 and rendering.process is FilmProcess.TRANSPARENCY and rendering.matrix:
        mixing = np.asarray(rendering.matrix, np.float32).reshape(3, 3)
    height = place.rows.stop - place.rows.start
    width = place.columns.stop - place.columns.start
    shape = (height, width, 3) if linear.planes == 3 else (height, width)
    mirrored = rendering.mirrored
    whole, out = canvas(shape, mirrored=mirrored, turn=0 if place.degrees else rendering.turn)
    for top in range(0, height, _ROWS):
        bottom = min(top + _ROWS, height)
        rows = slice(place.rows.start + top, place.rows.start + bottom)
        x = linear.band(rows, place.columns)
        x *= scale
        if light is not None:
            x /= rows_of(light, rows.start, rows.stop, linear.shape[0])[:, :, place.columns]
        if mixing is not None:
            # What clips is white; the matrix would give it the colour of what clips last.
            np.minimum(x, np.float32(LEVELS / LIGHTEST), out=x)
            # Not as a matrix product: that would start threads for each band in every worker.
            x = _mixed(x, mixing)
        np.clip(x, 0, LEVELS - 1, out=x)
        index = x.astype(np.uint16)
        if linear.planes == 1:
            out[top:bottom] = tables[0].take(index[0])
        else:
            for channel in range(3):
                out[top:bottom, :, channel] = tables[channel].take(index[channel])
    if not place.degrees:
        return whole
    return upright(whole, place, mirrored=mirrored, turn=rendering.turn)


def _mixed(x: NDArray[np.float32], mixing: NDArray[np.float32]) -> NDArray[np.float32]:
    out = mixing[:, 0, None, None] * x[0]
    term = np.empty_like(x[0])
    for plane in range(3):
        for colour in (1, 2):
            out[plane] += np.multiply(x[colour], mixing[plane, colour], out=term)
    return np.asarray(out, np.float32)


@lru_cache(maxsize=4)  # for parts of one picture that are printed one after the other
def _tables(rendering: Rendering, planes: int) -> list[NDArray[np.uint16]]:
    axis = table_axis()
    if rendering.process is FilmProcess.TRANSPARENCY:
        return [table_of(slide_tones(axis, rendering.settings, rendering.shift))] * planes
    settings, shift, black = rendering.settings, rendering.shift, rendering.black
    least = 0.0 if black is None else base_luminance(settings, shift, black)
    if planes == 1:
        return [table_of(negative_tones(axis, settings, offset=shift, least=least))]
    return [
        table_of(negative_tones(axis, settings, gain, offset + shift, least))
        for gain, offset in zip(rendering.balance.gains, rendering.balance.offsets, strict=True)
    ]


def _light(
    flat: FlatField | None, linear: Linear, share: NDArray[np.float64]
) -> NDArray[np.float32] | None:
    if flat is None:
        return None
    wide = flat.wide(linear.shape[1])
    if linear.planes == 3:
        return wide
    # One plane is the sum of all colours, each with the part that it has of the base.
    parts = (share / max(float(share.sum()), 1e-9)).astype(np.float32)
    return np.asarray(np.tensordot(parts, wide, 1)[None], np.float32)
