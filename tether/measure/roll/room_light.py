"""Light of the room on the film: what was black around the picture on earlier frames is not now.

Room light comes off the film and the gate's mask and is added to all of the view. It takes most
from the densest parts of a film, which hold a negative's highlights and a slide's shadows. What
gives it away is what should be black: the mask around the gate, and a transparency's rebate.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tether.findings import Finding, Severity
from tether.measure.exposure.base import Base
from tether.measure.levels import FloatArray, main_channels
from tether.measure.survey import Survey
from tether.settings import RoomLightSettings
from tether.text import percent

SEGMENTS = 12
"""Pieces of each side of the view's border."""


class _Black(NamedTuple):
    """When a piece of the border is one that should be black.

    Attributes
    ----------
    level
        Light up to which it was black on earlier frames: the lens scatters some there.
    percentile
        Of the earlier frames: those that had room light do not count.
    frames, pieces
        Earlier frames and pieces that it takes at the least.
    """

    level: float
    percentile: float
    frames: int
    pieces: int


_OF_NEGATIVE = _Black(0.03, 30.0, 2, 4)
_OF_SLIDE = _Black(0.003, 70.0, 4, 20)
"""The border of a dark picture is nearly black as well, so that more is asked of it."""
_ALIKE = 0.3
"""Least share of the light in the brighter pieces that the darker ones have: it is even light."""
_SCATTER = 3.0
"""How much more light than usual a brighter picture scatters into the mask."""
_INSIDE = (0.012, 0.07)
"""Where the rebate is looked for inside the mask, as shares of the view."""
_REBATE = 0.35
_MOST = 0.15
_PLAIN = 0.06
"""Share of the base's light that a mask has to have where earlier frames do not tell: lenses
scatter up to 0.04 of it there, and holders are not quite black."""
_EVEN = 0.12
_PARTS = 0.8


def border_light(picture: Survey) -> FloatArray:
    """Return the light at the border of the view, shape (4, `SEGMENTS`), relative to saturation.

    Left, right, top and bottom, in pieces along each side; medians of a strip a quarter of a
    per cent wide.
    """
    main = picture.half_main
    wide = max(1, round(max(main.shape) / 400))
    strips = (main[:, :wide].T, main[:, -wide:].T, main[:wide], main[-wide:])
    return np.stack([_pieces(strip) for strip in strips])


def room_light(
    picture: Survey,
    border: FloatArray,
    earlier: list[FloatArray],
    base: Base | None,
    settings: RoomLightSettings,
) -> list[Finding]:
    """Say ``room-light`` where the mask, or a transparency's rebate, is not black any more.

    Parameters
    ----------
    picture, border
        The frame's survey and its `border_light`.
    earlier
        The same of the roll's earlier frames.
    base
        The base of a negative; None of a transparency, whose white is taken to be clipped.
    """
    level = 1.0
    if base is not None:
        level = float(
            np.mean([base.signal[picture.channels[i]] for i in main_channels(picture.channels)])
        )
    if base is None:
        share = _risen(border, earlier, _OF_SLIDE)
        share = share if share < _MOST else 0.0
    else:
        share = _risen(border / level, [frame / level for frame in earlier], _OF_NEGATIVE)
        if share < settings.share:
            seen = _beside_rebate(picture, border / level, level)
            share = seen if seen >= _PLAIN else share
    if share < settings.share:
        return []
    severity = Severity.RESHOOT if share >= settings.reshoot_share else Severity.LOOK
    case = "" if base is not None else "slide"
    return [Finding.of("room-light", round(share, 4), severity, case=case, share=percent(share))]


def _risen(border: FloatArray, earlier: list[FloatArray], black: _Black) -> float:
    """Return the light where the border was black on earlier frames, 0 where it is not even."""
    if len(earlier) < black.frames:
        return 0.0
    usual = np.percentile(np.stack(earlier), black.percentile, axis=0)
    where = usual < black.level
    if np.count_nonzero(where) < black.pieces:
        return 0.0
    low, quarter, most = np.percentile((border - _SCATTER * usual)[where], (10, 25, 75))
    return float(quarter) if low > 0 and quarter > _ALIKE * most else 0.0


def _beside_rebate(picture: Survey, border: FloatArray, level: float) -> float:
    """Return the light of a grey mask as a share of the base, 0 where none is plainly seen.

    Without earlier frames the mask is known by being even, and by the bright rebate or the bare
    light that ends along it.
    """
    main = picture.half_main
    seen = []
    for side, outer in enumerate(border):
        if not outer.max() < _MOST or outer.min() <= 0:
            continue
        slope = np.polyfit(np.arange(SEGMENTS), outer, 1)
        if np.std(outer / np.polyval(slope, np.arange(SEGMENTS))) > _EVEN:
            continue
        across = main.T if side < 2 else main
        near, far = (max(2, round(share * across.shape[0])) for share in _INSIDE)
        inside = across[near:far] if side % 2 == 0 else across[-far:-near]
        lit = np.stack([_pieces(row[None]) for row in inside]).max(axis=0)
        if np.mean(lit > _REBATE * level) >= _PARTS:
            seen.append(float(np.median(outer)))
    return min(seen) if len(seen) >= 2 else 0.0


def _pieces(strip: FloatArray) -> FloatArray:
    """Return the median of each piece along a strip, shape (`SEGMENTS`,)."""
    length = strip.shape[1] // SEGMENTS
    pieces = strip[:, : length * SEGMENTS].reshape(strip.shape[0], SEGMENTS, length)
    return np.asarray(np.median(pieces, axis=(0, 2)), np.float32)
