"""Where a frame is cropped whose own edges were not seen: as the roll's other frames lie."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tether.facts import Corners

FEWEST = 4
"""Outlines that a roll's common one is made of at least."""

WIDEST = 0.03
"""Share of the picture's width by which frames may lie apart and still be taken to lie alike: a
millimetre of 35 mm film."""

SPARE = 0.004
"""Share of the picture's width that is left on each side beside that."""


def common_outline(outlines: Sequence[Corners]) -> Corners | None:
    """Return an outline that holds every frame of a roll, from those that were seen.

    A night picture ends in no edge that could be seen; but the holder keeps film in its place.
    The result is the median outline, with each side moved out as far as any frame's lies, and a
    hair more: it shows a little rebate rather than that it cuts into a picture.

    Parameters
    ----------
    outlines
        Of all frames whose own outline is sure, as in `tether.positive.recipe.Recipe`.

    Returns
    -------
    None where fewer than `FEWEST` are known, or they lie further apart than `WIDEST`.
    """
    if len(outlines) < FEWEST:
        return None
    known = np.asarray(outlines, np.float64)
    middle = np.median(known, axis=0)
    across = middle[1] - middle[0] + middle[2] - middle[3]
    width = float(np.hypot(*across)) / 2
    if width < 16:
        return None
    u = across / np.hypot(*across)
    v = np.array([-u[1], u[0]])
    along, down = (known - middle) @ u, (known - middle) @ v
    out = {
        "left": max(0.0, -float(along[:, [0, 3]].min())),
        "right": max(0.0, float(along[:, [1, 2]].max())),
        "top": max(0.0, -float(down[:, [0, 1]].min())),
        "bottom": max(0.0, float(down[:, [2, 3]].max())),
    }
    if max(out.values()) > WIDEST * width:
        return None
    left, right, top, bottom = (out[s] + SPARE * width for s in ("left", "right", "top", "bottom"))
    moves = (
        -left * u - top * v,
        right * u - top * v,
        right * u + bottom * v,
        -left * u + bottom * v,
    )
    a, b, c, d = ((float(x), float(y)) for x, y in middle + np.array(moves))
    return (a, b, c, d)
