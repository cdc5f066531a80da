"""Whether the light still lies over the gate as it did when the open gate was photographed."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from tether.measure.base import Base, beside, main_channels
from tether.measure.framing import Framing, seen_area
from tether.measure.levels import FLOOR, FloatArray, stops
from tether.measure.roll import OpenGate, spread
from tether.measure.survey import Survey
from tether.measure.verdict import Finding, Severity
from tether.settings import Light

_STRIP_MM = 0.6
_FEWEST = 60
"""Pixels of a side that have to show base before it counts."""
_NEAR_EV = 1.0
"""Stops around the frame's base within which a pixel beside the picture can be base."""
_FULL = 0.985
_ALIKE_EV = 0.1
_OPPOSITE = (("left", "right"), ("top", "bottom"))


def base_sides(picture: Survey, framing: Framing, base: Base, gate: OpenGate) -> dict[str, float]:
    """Return the base beside each side of the picture over the open gate's light there, in stops.

    Only sides where enough of it shows, and nothing that is saturated. What the film's base takes
    away is the same on all sides, so they differ by what the light has changed since.
    """
    which = main_channels(picture.channels)
    main = picture.main
    shape = (int(main.shape[0]), int(main.shape[1]))
    light = spread(gate.grid[which].mean(axis=0, keepdims=True), shape)[0]
    level = float(np.mean([base.signal[picture.channels[i]] for i in which]))
    strip = beside(framing.picture, picture.step, framing.scale * _STRIP_MM, shape)
    strip &= np.abs(stops(main, level)) < _NEAR_EV
    strip &= main < _FULL
    ratio = stops(main / np.maximum(light, np.float32(FLOOR)))
    sides = _side_of(framing, picture.step, shape)
    found = {}
    for number, side in enumerate(("left", "right", "top", "bottom")):
        chosen = strip & (sides == number)
        if np.count_nonzero(chosen) >= _FEWEST:
            found[side] = float(np.median(ratio[chosen]))
    return found


def border_sides(picture: Survey, gate: OpenGate) -> dict[str, float]:
    """Return the same for the border of the view, where no outline of the picture was found.

    Uneven light can hide the outline. A side counts when its border, over the open gate's light,
    is even along at least half of its length, as rebate is and hardly any picture.
    """
    which = main_channels(picture.channels)
    main = picture.half[which].mean(axis=0)
    shape = (int(main.shape[0]), int(main.shape[1]))
    light = spread(gate.grid[which].mean(axis=0, keepdims=True), shape)[0]
    corners = np.asarray(seen_area(picture, negative=True).scaled(0.5 / picture.step).corners)
    left, top = np.ceil(corners.min(axis=0)).astype(int)
    right, bottom = np.floor(corners.max(axis=0)).astype(int)
    ratio = stops(main / np.maximum(light, np.float32(FLOOR)))[top:bottom, left:right]
    full = main[top:bottom, left:right] >= _FULL
    if min(ratio.shape, default=0) < 40:
        return {}
    found = {}
    for side, where in (
        ("left", np.s_[:, 1:4]),
        ("right", np.s_[:, -4:-1]),
        ("top", np.s_[1:4]),
        ("bottom", np.s_[-4:-1]),
    ):
        values = ratio[where]
        level = float(np.median(values))
        if np.mean(np.abs(values - level) < _ALIKE_EV) > 0.5 and np.mean(full[where]) < 0.5:
            found[side] = level
    return found


def light_moved(
    picture: Survey,
    framing: Framing | None,
    base: Base | None,
    gate: OpenGate | None,
    settings: Light | None = None,
) -> list[Finding]:
    """Say ``light-moved`` where the base's sides are not as even as the open gate makes them.

    Needs an open gate, a base from the rebate and its strip on two sides that face each other.
    """
    settings = settings or Light()
    if gate is None or gate.channels != picture.channels or base is None:
        return []
    if base.source != "rebate" or base.clipped:
        return []
    if framing is not None:
        sides = base_sides(picture, framing, base, gate)
    else:
        sides = border_sides(picture, gate)
    worst, lighter, darker = 0.0, "", ""
    for one, other in _OPPOSITE:
        if one in sides and other in sides and abs(sides[one] - sides[other]) > worst:
            worst = abs(sides[one] - sides[other])
            lighter, darker = (one, other) if sides[one] > sides[other] else (other, one)
    if worst <= settings.moved_ev or not math.isfinite(worst):
        return []
    return [
        Finding(
            "light-moved",
            Severity.LOOK,
            round(worst, 3),
            "stops",
            f"The light lies otherwise than when the open gate was photographed: {worst:.1f} stops "
            f"more on the {lighter} side than on the {darker} one.",
            "Put lamp and holder back where they were, or test the light again.",
        )
    ]


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
