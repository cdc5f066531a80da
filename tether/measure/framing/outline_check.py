"""A second look at an outline: is what lies beside it really rebate?"""

from __future__ import annotations

import numpy as np

from tether.measure.exposure.base import beside, thick_light
from tether.measure.framing.framing import Framing, seen_area
from tether.measure.levels import stops
from tether.measure.shapes import Quad
from tether.measure.survey import Survey

_STRIP_MM = 0.6
"""Width of the strip that is looked at: the perforations begin 0.7 mm beyond a 24 mm picture."""
_MASK_MM = 0.15
_DARKER_EV = 0.4
_LIGHTER_EV = 1.5
_OTHER_SHARE = {True: 0.012, False: 0.03}
"""Share of the strip that may be something else, for negatives and for transparencies."""
_SATURATED = 0.985
_ALL_SIDES = 4
_ALIKE_EV = 0.25
_MOSTLY = 0.8


def rests_on_rebate(framing: Framing, picture: Survey, negative: bool) -> bool:
    """Whether a strip beside an outline is rebate all along, where the gate shows it.

    The borders of houses and windows in a night picture can lie like the edges of a frame, but
    beyond them the picture goes on. On made frames right outlines had at most 0.3 per cent of
    other things in the strip (transparencies 2.6), nearly all wrong ones more.
    A saturated level beside fewer than four edges may be bare light beside the film, unless the
    middle of the picture shows film as light.
    """
    main = picture.main
    if negative and len(framing.seen) < _ALL_SIDES and framing.rebate > np.log2(_SATURATED):
        small = picture.half[[i for i, n in enumerate(picture.channels) if n[0] == "G"] or [0]]
        if not thick_light(np.asarray(small.mean(axis=0), np.float32), _SATURATED):
            return False
    shape = (int(main.shape[0]), int(main.shape[1]))
    seen = seen_area(picture, negative).grown(-_MASK_MM * framing.scale)
    strip = beside(framing.picture, picture.step, _STRIP_MM * framing.scale, shape)
    if negative:  # a transparency's rebate is as dark as the mask, and may not seem to be seen
        strip &= seen.scaled(1 / picture.step).mask(shape)
    if not strip.any() or _ends_in_view(framing, picture, seen):
        return False
    ev = stops(main[strip])
    other = ev < framing.rebate - _DARKER_EV if negative else ev > framing.rebate + _LIGHTER_EV
    return bool(np.mean(other) <= _OTHER_SHARE[negative])


def _ends_in_view(framing: Framing, picture: Survey, seen: Quad) -> bool:
    """Whether a side that should be cut off shows rebate along the border of what is seen."""
    corners = np.asarray(seen.scaled(1 / picture.step).corners)
    left, top = corners.min(axis=0).astype(int)
    right, bottom = corners.max(axis=0).astype(int)
    ev = stops(picture.main[max(0, top) : bottom, max(0, left) : right])
    if min(ev.shape) < 20:
        return False
    borders = {"left": ev[:, :3], "right": ev[:, -3:], "top": ev[:3], "bottom": ev[-3:]}
    return any(
        amount > 0 and np.mean(np.abs(borders[side] - framing.rebate) < _ALIKE_EV) > _MOSTLY
        for side, amount in framing.missing.items()
    )
