"""The shapes of 135 film: perforations and edges, drawn with soft borders of one pixel."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float32]

#: ISO 1007 and the KS perforation of ISO 491 that it uses (from memory): pitch 4.75 mm, 2.794 mm
#: across the film by 1.981 mm along it, corners of 0.5 mm, 2.01 mm from the film's edge.
PERFORATION_PITCH_MM = 4.75
PERFORATION_ACROSS_MM = 2.794
PERFORATION_ALONG_MM = 1.981
PERFORATION_CORNER_MM = 0.508
PERFORATION_EDGE_MM = 2.01


def perforations(u: FloatArray, v: FloatArray, film_width: float, pixel_mm: float) -> FloatArray:
    """Share of each pixel that is a hole.

    Parameters
    ----------
    u, v
        Places in millimetres along the film from a frame's middle, shape (w,), and across it
        from the film's middle, shape (h,). Each frame of 38 mm has its eight perforations
        symmetric about its middle.
    pixel_mm
        Size of a pixel.
    """
    along = np.abs((u % PERFORATION_PITCH_MM) - PERFORATION_PITCH_MM / 2)
    middle = film_width / 2 - PERFORATION_EDGE_MM - PERFORATION_ACROSS_MM / 2
    across = np.abs(np.abs(v) - middle)
    near = np.flatnonzero(across < PERFORATION_ACROSS_MM / 2 + pixel_mm)
    holes = np.zeros((v.size, u.size), np.float32)
    qx = along - (PERFORATION_ALONG_MM / 2 - PERFORATION_CORNER_MM)
    qy = across[near] - (PERFORATION_ACROSS_MM / 2 - PERFORATION_CORNER_MM)
    outside = np.hypot(np.maximum(qx, 0)[None, :], np.maximum(qy, 0)[:, None])
    inside = np.minimum(np.maximum(qx[None, :], qy[:, None]), 0)
    holes[near] = np.clip(0.5 - (outside + inside - PERFORATION_CORNER_MM) / pixel_mm, 0, 1)
    return holes


def interval(x: FloatArray, low: float, high: float, pixel: float) -> FloatArray:
    """Share of each pixel at ``x`` that lies between two borders."""
    part = np.minimum(x + pixel / 2, high) - np.maximum(x - pixel / 2, low)
    result: FloatArray = np.clip(part / pixel, 0, 1).astype(np.float32)
    return result


def add_box(
    plane: FloatArray,
    u: FloatArray,
    v: FloatArray,
    box: tuple[float, float, float, float],
    amount: float,
) -> None:
    """Add ``amount`` within a box (u0, v0, u1, v1) in millimetres, in place."""
    pixel = float(u[1] - u[0])
    along = interval(u, box[0], box[2], pixel)
    across = interval(v, box[1], box[3], pixel)
    columns, rows = np.flatnonzero(along), np.flatnonzero(across)
    if columns.size and rows.size:
        where = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        plane[where] += amount * (
            across[rows[0] : rows[-1] + 1, None] * along[None, columns[0] : columns[-1] + 1]
        )
