"""Parts of a raw file that hold nothing, where a card or a disk lost them.

A decoder fills what it does not find with zeros, and so does a card that lost a block of an
uncompressed file; the file is as long as it should be, and opens. A sensor with a black level above
zero gives no such runs: its noise lies around that level (EMVA 1288 asks for an offset at which
hardly any pixel is clipped to zero; from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tether.findings import Finding
from tether.raw.mosaic import Mosaic
from tether.text import percent

_LEAST_BLACK = 4.0
"""Black level, in the file's own numbers, from which runs of exact zeros are no noise."""
_STRIDE = 128
"""Columns between two looks: a lost sector of 256 photosites is met twice, wherever it begins."""
_BLOCK = 32
_BLOCKS = 5
"""A run is so many blocks of so many photosites: 160, or 320 bytes of an uncompressed file; a card
loses 512 bytes at the least."""
_BORDER_ROWS = 16
"""Rows at the top and at the bottom that some cameras leave empty within what is visible."""


def lost_share(mosaic: Mosaic) -> float:
    """Return the share of the visible mosaic that lies in rows with a run of exact zeros, 0..1.

    Always 0.0 where the file states no black level: there zeros may be what was dark.
    """
    width = mosaic.shape[1]
    if min(mosaic.black) < _LEAST_BLACK or width < _BLOCK * _BLOCKS:
        return 0.0
    met: NDArray[np.bool_] = np.equal(mosaic.data[:, ::_STRIDE], 0)
    if not met.any():
        return 0.0
    rows = np.flatnonzero(np.any(met[:, :-1] & met[:, 1:], axis=1))
    zero = mosaic.data[rows] == 0
    whole = width // _BLOCK
    blocks = zero[:, : whole * _BLOCK].reshape(len(rows), whole, _BLOCK).all(axis=2)
    runs = np.lib.stride_tricks.sliding_window_view(blocks, _BLOCKS, axis=1)
    hit = np.any(np.all(runs, axis=2), axis=1)
    rows, zero = rows[hit], zero[hit]
    within = (rows >= _BORDER_ROWS) & (rows < mosaic.shape[0] - _BORDER_ROWS)
    return float(np.count_nonzero(zero)) / mosaic.data.size if within.any() else 0.0


def file_damaged(lost: float) -> Finding:
    """Say that a share of the file is lost, from `lost_share`: ``file-damaged``."""
    return Finding.of("file-damaged", round(100 * lost, 4), share=percent(lost))
