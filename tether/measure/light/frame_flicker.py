"""Bands of a flickering lamp on a frame, seen in its rebate.

In the picture itself bands cannot be told from what it shows. But the rebate left and right of
it has one tone from top to bottom, and the lamp's bands run along the sensor's rows through both
sides alike.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tether.findings import Finding, Severity
from tether.measure.context import FrameContext
from tether.measure.exposure.base import Base
from tether.measure.framing.framing import Framing
from tether.measure.levels import sites_of
from tether.measure.light.flicker import bands_in, steadier_shutter, steady_seconds
from tether.measure.medians import row_medians
from tether.raw.mosaic import Mosaic

_NEAR_MM, _FAR_MM = 0.12, 0.62
"""Distances from the picture between which the strips lie: clear of the border's blur, and of
the perforations, which begin 0.7 mm beyond a picture 24 mm high (ISO 1007)."""
_NARROWEST = 6
"""Green photosites across a strip at the least."""
_FEWEST_ROWS = 100
_FAR_OUT = 4.0
"""Median deviations from which on a row is a line on the film and no band."""


def frame_bands(mosaic: Mosaic, framing: Framing) -> tuple[float, float]:
    """Return amplitude in per cent, and number over the picture's height, of bands in the rebate.

    Zeros where nothing stands out in both strips alike, or where they are too narrow: the picture
    askew, or little rebate in view.
    """
    strips = _strips(mosaic, framing)
    if strips is None:
        return 0.0, 0.0
    strength, bands = bands_in([_without_lines(strip) for strip in strips])
    return 100 * strength, bands


def frame_flicker(
    mosaic: Mosaic, framing: Framing | None, base: Base | None, context: FrameContext
) -> list[Finding]:
    """Say ``lamp-flicker`` where the rebate of a negative shows bands.

    A transparency's rebate is too dark to tell, and a saturated one hides them. A strobe has none.
    """
    if context.settings.light.strobe:
        return []
    if framing is None or base is None or base.source != "rebate" or base.clipped:
        return []
    if not framing.sure or not {"left", "right"} <= set(framing.seen):
        return []
    percent, bands = frame_bands(mosaic, framing)
    if percent <= context.settings.light.flicker_percent:
        return []
    seconds = context.shutter[1] if context.shutter else mosaic.exposure_seconds
    near = steadier_shutter(context.shutters, seconds) if seconds else None
    return [
        Finding.of(
            "lamp-flicker",
            round(percent, 2),
            Severity.LOOK,
            case="rebate" if near else "rebate-time",
            bands=bands,
            percent=percent,
            time=near[0] if near else steady_seconds(seconds or 0.0),
        )
    ]


def _without_lines(profile: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a profile without what stands out of it by far: scratches run along the rows as well.

    Bands that rise and fall evenly never lie farther from their middle than one and a half of
    their median deviation, so that they are left as they are.
    """
    place = np.linspace(-1, 1, profile.size)
    for _ in range(2):
        fit = np.polynomial.polynomial.polyfit(place, profile, 4)
        trend = np.polynomial.polynomial.polyval(place, fit)
        off = profile - trend
        most = _FAR_OUT * float(np.median(np.abs(off)))
        profile = np.asarray(trend + np.clip(off, -most, most), np.float64)
    return profile


def _strips(mosaic: Mosaic, framing: Framing) -> list[NDArray[np.float64]] | None:
    """Return the light of the rows of tiles in the rebate left and right of the picture."""
    a, b, c, d = framing.picture.corners
    near, far = _NEAR_MM * framing.scale, _FAR_MM * framing.scale
    tile_y, tile_x = mosaic.pattern.shape
    top, bottom = max(a[1], b[1], 0.0), min(c[1], d[1], float(mosaic.shape[0]))
    # Of a side that leans only what is rebate on all rows is left.
    spans = (
        (max(a[0], d[0]) - far, min(a[0], d[0]) - near),
        (max(b[0], c[0]) + near, min(b[0], c[0]) + far),
    )
    first, rows = -(-int(top) // tile_y) * tile_y, int(bottom - top) // tile_y - 1
    green = [i for i, name in enumerate(mosaic.channels) if name.startswith("G")] or [0]
    profiles = []
    for left, right in spans:
        start = -(-int(max(left, 0)) // tile_x) * tile_x
        width = (int(min(right, mosaic.shape[1])) - start) // tile_x
        if rows < _FEWEST_ROWS or width < _NARROWEST:
            return None
        part = mosaic.data[first : first + rows * tile_y, start : start + width * tile_x]
        light = np.zeros(rows)
        for channel in green:
            for y, x in sites_of(mosaic.pattern, channel):
                values = part[y::tile_y, x::tile_x].astype(np.float32)
                light += row_medians(values) - mosaic.black[channel]
        profiles.append(light)
    return profiles
