"""Whether the light still lies over the gate as the open gate showed it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from tether.findings import Finding
from tether.measure.exposure.base import Base, beside
from tether.measure.framing.position import Framing, seen_area
from tether.measure.levels import FLOOR, FULL, FloatArray, main_channels, stops
from tether.measure.light.flat import spread, spread_at
from tether.measure.roll.memory import OpenGate
from tether.measure.survey import Survey
from tether.settings import LightSettings

_STRIP_MM = 0.6
_FEWEST = 60
"""Pixels of a side that have to show base before it counts."""
_NEAR_EV = 1.0
"""Stops around the frame's base within which a pixel beside the picture can be base."""
_ALIKE_EV = 0.1
_SHARE = 0.6
"""Of each side's border that has to lie on the plane."""
_SMALLEST = 40
_ALL, _FIRST, _LAST = slice(None), slice(1, 4), slice(-4, -1)
_STRIPS = ((_ALL, _FIRST), (_ALL, _LAST), (_FIRST, _ALL), (_LAST, _ALL))
"""Rows and columns of the border on the left, the right, at the top and at the bottom."""
_OPPOSITE = (("left", "right"), ("top", "bottom"))


def base_sides(picture: Survey, framing: Framing, base: Base, gate: OpenGate) -> dict[str, float]:
    """Return the base beside each side of the picture over the open gate's light there, in stops.

    Only sides where enough of it shows; where it is saturated they differ by more than is said.
    What the film's base takes away is the same on all sides, so they differ by what the light has
    changed since.
    """
    which = main_channels(picture.channels)
    main = picture.main
    shape = (int(main.shape[0]), int(main.shape[1]))
    level = float(np.mean([base.signal[picture.channels[i]] for i in which]))
    strip = beside(framing.picture, picture.step, framing.scale * _STRIP_MM, shape)
    places = np.flatnonzero(strip)
    places = places[np.abs(stops(main.ravel()[places], level)) < _NEAR_EV]
    light = spread_at(gate.grid[which].mean(axis=0, keepdims=True), shape, places)[0]
    ratio = stops(main.ravel()[places] / np.maximum(light, np.float32(FLOOR)))
    sides = _side_of(framing, picture.step, shape).ravel()[places]
    found = {}
    for number, side in enumerate(("left", "right", "top", "bottom")):
        chosen = sides == number
        if np.count_nonzero(chosen) >= _FEWEST:
            found[side] = float(np.median(ratio[chosen]))
    return found


def border_sides(picture: Survey, gate: OpenGate) -> dict[str, float]:
    """Return the same for the border of the view, where no outline of the picture was found.

    Uneven light can hide the outline. What lies along the border is taken for rebate if, over the
    open gate's light, it is a plane: even but for a steady slope across the view. Hardly any
    picture is that on all four sides. Empty where it is not.
    """
    which = main_channels(picture.channels)
    main = picture.half[which].mean(axis=0)
    shape = (int(main.shape[0]), int(main.shape[1]))
    light = spread(gate.grid[which].mean(axis=0, keepdims=True), shape)[0]
    corners = np.asarray(seen_area(picture, negative=True).scaled(0.5 / picture.step).corners)
    left, top = np.ceil(corners.min(axis=0)).astype(int)
    right, bottom = np.floor(corners.max(axis=0)).astype(int)
    ratio = stops(main / np.maximum(light, np.float32(FLOOR)))[top:bottom, left:right]
    unsaturated = main[top:bottom, left:right] < FULL
    height, width = ratio.shape
    if min(height, width) < _SMALLEST:
        return {}
    y = np.broadcast_to(np.linspace(-1, 1, height)[:, None], ratio.shape)
    x = np.broadcast_to(np.linspace(-1, 1, width)[None], ratio.shape)
    ring = []
    for rows, columns in _STRIPS:
        seen = unsaturated[rows, columns]
        if np.mean(seen) < _SHARE:
            return {}
        ring.append(tuple(part[rows, columns][seen] for part in (x, y, ratio)))
    level, across, down = _plane(*(np.concatenate(parts) for parts in zip(*ring, strict=True)))
    for px, py, values in ring:
        if np.mean(np.abs(values - level - across * px - down * py) < _ALIKE_EV) < _SHARE:
            return {}
    return {
        "left": level - across,
        "right": level + across,
        "top": level - down,
        "bottom": level + down,
    }


def _plane(
    x: NDArray[np.floating], y: NDArray[np.floating], values: NDArray[np.floating]
) -> tuple[float, float, float]:
    """Fit ``a + b x + c y`` to most of the values; those far from it do not count."""
    table = np.stack([np.ones_like(x), x, y], axis=1)
    use = np.abs(values - np.median(values)) < 2 * _NEAR_EV
    fit = np.zeros(3)
    for width in (4 * _ALIKE_EV, 2 * _ALIKE_EV, _ALIKE_EV):
        fit = np.linalg.lstsq(table[use], values[use], rcond=None)[0]
        use = np.abs(values - table @ fit) < width
        if np.count_nonzero(use) < _FEWEST:
            break
    return float(fit[0]), float(fit[1]), float(fit[2])


def light_moved(
    picture: Survey,
    framing: Framing | None,
    base: Base | None,
    gate: OpenGate | None,
    settings: LightSettings | None = None,
    *,
    outlined: bool = False,
) -> list[Finding]:
    """Say ``light-moved`` where the base's sides are not as even as the open gate makes them.

    Needs an open gate, and rebate on two sides that face each other. Where no outline was found
    the border of the view has to be rebate on all sides; that is only looked at with ``outlined``:
    earlier frames of the roll showed an outline, so that rebate is known to be in view.
    """
    settings = settings or LightSettings()
    if gate is None or gate.channels != picture.channels or base is None:
        return []
    if base.source == "picture" or base.clipped:
        return []
    if framing is None:
        sides = border_sides(picture, gate) if outlined else {}
    elif base.source == "rebate":
        sides = base_sides(picture, framing, base, gate)
    else:
        sides = {}
    worst, lighter, darker = 0.0, "", ""
    for one, other in _OPPOSITE:
        if one in sides and other in sides and abs(sides[one] - sides[other]) > worst:
            worst = abs(sides[one] - sides[other])
            lighter, darker = (one, other) if sides[one] > sides[other] else (other, one)
    if worst <= settings.moved_ev or not math.isfinite(worst):
        return []
    return [Finding.of("light-moved", round(worst, 3), stops=worst, lighter=lighter, darker=darker)]


def _side_of(framing: Framing, pixel: int, shape: tuple[int, int]) -> NDArray[np.intp]:
    """Return the side each pixel belongs to (left 0, right 1, top 2, bottom 3).

    The picture's diagonals part them.
    """
    quad = framing.picture.scaled(1 / pixel)
    cx, cy = quad.centre
    x: FloatArray = (np.arange(shape[1], dtype=np.float32) + 0.5 - np.float32(cx)) / np.float32(
        max(quad.width / 2, 1)
    )
    y: FloatArray = (np.arange(shape[0], dtype=np.float32) + 0.5 - np.float32(cy)) / np.float32(
        max(quad.height / 2, 1)
    )
    level = np.abs(x)[None, :] >= np.abs(y)[:, None]
    return np.where(level, np.where(x[None, :] < 0, 0, 1), np.where(y[:, None] < 0, 2, 3))
