"""Whether rebate is beside a found outline: borders within pictures can look like it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tether.measure.levels import FULL, FloatArray, stops
from tether.measure.shapes import Quad

_SIDES = ("top", "right", "bottom", "left")
_MASK_MM = 0.15
"""What the soft edge of the gate's mask takes of the rebate, mm."""
_ALONG = np.linspace(0.05, 0.95, 240)
"""Where along a side the rebate is looked at, as shares of it."""
_SEEN_MM = (0.15, 0.25, 0.35)
"""Distances from a border that was seen, mm: perforations begin 0.7 mm beyond a 24 mm picture."""
_UNSEEN_MM = (0.55, 0.65)
"""The same where the format alone has the border: pictures differ by half a millimetre."""
_DARKER_EV = 0.4
_LIGHTER_EV = 1.5
_SPREAD_EV = 0.5
"""How much darker than all of it the rebate of one side may be, by falloff and lamp."""
_OTHER_SHARE = {True: 0.08, False: 0.12}
"""Share of a side that may be something else (dust, hairs, print), for negatives and for
transparencies; a quarter of it where the outline is not sure."""
_BROKEN_SHARE = 0.35
"""The same where the border was not seen: the other sides' rebate is not quite as light."""
_ALIKE_EV = 0.25
_MOSTLY = 0.8


def rebate_beside(
    corners: Quad,
    seen: tuple[str, ...],
    signal: FloatArray,
    scale: float,
    gate: Quad,
    level: float,
    negative: bool,
    *,
    sure: bool,
) -> bool:
    """Whether rebate runs along each side of an outline, where the gate shows it.

    Parameters
    ----------
    corners, gate
        Outline of the picture, and what light reaches, in pixels of ``signal``.
    seen
        Sides whose border was seen: there the rebate is held against its own level, on the others
        against ``level``, in stops from saturation.
    signal
        Main channel, relative to saturation, shape (h, w).
    scale
        Pixels per millimetre.
    sure
        Whether the outline rests on four borders, or on three and the roll's scale.
    """
    inner = gate.grown(-_MASK_MM * scale)
    # A transparency's rebate is as dark as the mask, and may not seem to be seen.
    whole = Quad.whole(signal.shape[1], signal.shape[0])
    any_seen = False
    share = _OTHER_SHARE[negative] * (1.0 if sure else 0.25)
    for side, (first, last) in _ends(corners).items():
        border = side in seen
        away = [d * scale for d in (_SEEN_MM if border else _UNSEEN_MM)]
        ev = _along(signal, first, last, away, inner if negative else whole)
        if ev.size < 0.25 * _ALONG.size:
            continue
        any_seen = True
        own = float(np.median(ev)) if border else level
        if negative:
            other = ev < max(own, level - _SPREAD_EV) - _DARKER_EV * (1.0 if border else 1.5)
        else:
            other = ev > level + _LIGHTER_EV
        if np.mean(other) > (share if border else _BROKEN_SHARE):
            return False
    return any_seen


def ends_in_view(signal: FloatArray, gate: Quad, missing: dict[str, float], level: float) -> bool:
    """Whether a side that should be cut off shows rebate along the border of what is seen.

    ``missing`` is how much lies beyond the view on each side; the rest as for `rebate_beside`.
    """
    corners = np.asarray(gate.grown(-1.0).corners)
    left, top = corners.min(axis=0).astype(int)
    right, bottom = corners.max(axis=0).astype(int)
    ev = stops(signal[max(0, top) : bottom, max(0, left) : right])
    if min(ev.shape) < 20:
        return False
    borders = {"left": ev[:, :3], "right": ev[:, -3:], "top": ev[:3], "bottom": ev[-3:]}
    return any(
        amount > 0 and np.mean(np.abs(borders[side] - level) < _ALIKE_EV) > _MOSTLY
        for side, amount in missing.items()
    )


def is_bare_light(level: float, seen: tuple[str, ...]) -> bool:
    """Whether a negative's level beside fewer than four borders may be light beside the film."""
    return len(seen) < len(_SIDES) and level > np.log2(FULL)


def _ends(corners: Quad) -> dict[str, tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Return the ends of each side, so that the outside lies to the left of the way along it."""
    a, b, c, d = (np.asarray(corner, np.float64) for corner in corners.corners)
    return dict(zip(_SIDES, ((a, b), (b, c), (c, d), (d, a)), strict=True))


def _along(
    signal: FloatArray,
    first: NDArray[np.float64],
    last: NDArray[np.float64],
    away: list[float],
    gate: Quad,
) -> FloatArray:
    """Return the median light, in stops, at some distances outside a side, along what is seen."""
    way = last - first
    outward = np.array([way[1], -way[0]]) / max(float(np.hypot(*way)), 1e-9)
    places = first + _ALONG[:, None, None] * way
    places = places + np.maximum(np.array(away), 1.5)[:, None] * outward
    columns, rows = (
        np.floor(places[..., 0]).astype(np.intp),
        np.floor(places[..., 1]).astype(np.intp),
    )
    height, width = signal.shape
    (left, top), _, (right, bottom), _ = gate.corners
    inside = (columns >= max(left, 0)) & (columns < min(right, width))
    inside &= (rows >= max(top, 0)) & (rows < min(bottom, height))
    whole = inside.all(axis=1)
    return (
        np.median(stops(signal[rows[whole], columns[whole]]), axis=1)
        if whole.any()
        else np.zeros(0, np.float32)
    )
