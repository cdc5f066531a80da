"""What holds nothing: frames never exposed, a gate without film, lost parts of a raw file."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tether.findings import Finding
from tether.measure.levels import FloatArray, stops
from tether.measure.survey import Survey, halved
from tether.raw import Mosaic
from tether.text import percent

_STEP_EV = 0.15
_LEAST_SHARE = 0.004
_NO_FILM_EV = 0.45
_DARK_SLIDE_EV = -8.5
_BLOCK = 4


def empty_negative(
    picture: Survey, where: NDArray[np.bool_], base_ev: float | None
) -> Finding | None:
    """Say whether a negative shows nothing but base, or not even that.

    Parameters
    ----------
    picture, where
        The survey and the part of it that should be picture, shape (height, width).
    base_ev
        Base in the main channel as the rebate or the roll has it, stops from saturation; None
        where it is not known, and then only an even view is remarked on.

    Grain and noise are averaged away over 4 x 4 pixels; a slow change over the view (falloff) is
    followed by comparing each place with its surroundings.
    """
    blocks, inside = _blocks(picture, where)
    if np.count_nonzero(inside) < 100:
        return None
    ev = stops(blocks)
    middle = float(np.median(ev[inside]))
    if not _is_even(ev, inside, middle):
        return None
    if base_ev is None:
        return Finding.of("even-view")
    above = round(middle - base_ev, 3)
    if middle > base_ev + _NO_FILM_EV:
        return Finding.of("no-film", above)
    if middle < base_ev - 2 * _STEP_EV:
        return Finding.of("even-frame", above, stops=base_ev - middle)
    return Finding.of("blank-frame", above)


def _is_even(ev: FloatArray, inside: NDArray[np.bool_], middle: float) -> bool:
    """Whether hardly anything stands out, of the whole or of its surroundings."""
    if np.mean(np.abs(ev - middle)[inside] > _STEP_EV * 2) > _LEAST_SHARE:
        return False
    shown = np.where(inside, ev, 0)
    around = _around(shown) / np.maximum(_around(inside.astype(np.float32)), 1e-3)
    return bool(np.mean(np.abs(ev - around)[inside] > _STEP_EV) <= _LEAST_SHARE)


def empty_transparency(picture: Survey, where: NDArray[np.bool_]) -> Finding | None:
    """Say whether a transparency is black all over: an unexposed frame."""
    blocks, inside = _blocks(picture, where)
    if np.count_nonzero(inside) < 100:
        return None
    lightest = float(stops(np.percentile(blocks[inside], 99.5)))
    if lightest > _DARK_SLIDE_EV:
        return None
    return Finding.of("blank-frame", round(lightest, 3), case="transparency")


def _blocks(picture: Survey, where: NDArray[np.bool_]) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return means of 4 x 4 pixels of the main channel, and which lie inside with all corners."""
    means = halved(picture.half_main)
    rows, columns = (_BLOCK * n for n in means.shape)
    low, high = slice(0, rows, _BLOCK), slice(_BLOCK - 1, rows, _BLOCK)
    left, right = slice(0, columns, _BLOCK), slice(_BLOCK - 1, columns, _BLOCK)
    inside = where[low, left] & where[low, right] & where[high, left] & where[high, right]
    return means, inside


def _around(values: FloatArray) -> FloatArray:
    """Return the mean of the 15 x 15 surroundings of each value."""
    reach = 7
    padded = np.pad(values, reach, mode="edge").astype(np.float64)
    total = np.pad(padded.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))
    size = 2 * reach + 1
    sums = total[size:, size:] - total[:-size, size:] - total[size:, :-size] + total[:-size, :-size]
    return np.asarray(sums / size**2, np.float32)


_LEAST_BLACK = 4.0
"""Black level, in the file's own numbers, from which runs of exact zeros are no noise."""
_STRIDE = 128
"""Columns between two looks: a lost sector of 256 photosites is met twice, wherever it begins."""
_RUN = 32
_RUNS = 5
"""Lost is a row with so many stretches of so many photosites in turn: 160, or 320 bytes of an
uncompressed file; a card loses 512 bytes at the least."""
_BORDER_ROWS = 16
"""Rows at the top and at the bottom that some cameras leave empty within what is visible."""


def lost_share(mosaic: Mosaic) -> float:
    """Return the share of the visible mosaic that lies in rows with a run of exact zeros, 0..1.

    A decoder fills what it does not find with zeros, and so does a card that lost a block; the
    file opens, as long as it should be. A sensor's own noise lies around its black level (EMVA
    1288 asks for an offset at which hardly any pixel is clipped to zero; from memory). Always 0.0
    where the file states no black level: there zeros may be what was dark.
    """
    width = mosaic.shape[1]
    if min(mosaic.black) < _LEAST_BLACK or width < _RUN * _RUNS:
        return 0.0
    met: NDArray[np.bool_] = np.equal(mosaic.data[:, ::_STRIDE], 0)
    if not met.any():
        return 0.0
    rows = np.flatnonzero(np.any(met[:, :-1] & met[:, 1:], axis=1))
    zero = mosaic.data[rows] == 0
    whole = width // _RUN
    blocks = zero[:, : whole * _RUN].reshape(len(rows), whole, _RUN).all(axis=2)
    runs = np.lib.stride_tricks.sliding_window_view(blocks, _RUNS, axis=1)
    hit = np.any(np.all(runs, axis=2), axis=1)
    rows, zero = rows[hit], zero[hit]
    within = (rows >= _BORDER_ROWS) & (rows < mosaic.shape[0] - _BORDER_ROWS)
    return float(np.count_nonzero(zero)) / mosaic.data.size if within.any() else 0.0


def file_damaged(lost: float) -> Finding:
    """Say that a share of the file is lost, from `lost_share`: ``file-damaged``."""
    return Finding.of("file-damaged", round(100 * lost, 4), share=percent(lost))
