"""Bands of a flickering lamp in the open gate and in a frame's rebate."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tether.findings import Finding, Severity
from tether.measure.context import FrameContext
from tether.measure.exposure.base import Base
from tether.measure.framing.position import Framing
from tether.measure.levels import main_channels, row_medians, sites_of
from tether.raw import Mosaic

STEADY_SECONDS = 0.05
"""Whole periods of both kinds of mains light: 5 of 1/100 s (50 Hz) and 6 of 1/120 s (60 Hz)."""

_LIT = 0.25
"""Share of the light from which a row belongs to the gate and not to its mask."""
_FEWEST_PERIODS = 2.0
_PADDED = 4
_FEWEST_ROWS = 64
_LEAST = 1e-3
_STANDS_OUT = 8.0
_UNLIKE = 0.4


def flicker(mosaic: Mosaic) -> tuple[float, float]:
    """Return amplitude in per cent, and number over the height, of bands along the rows.

    A lamp that flickers under a rolling shutter gives rows that are brighter and darker in turn,
    over the whole width alike. The mean of each row is taken in three parts of the width, the
    smooth trend (a fourth-degree polynomial) divided out, and the middle value of the three
    spectra taken; what they do not share does not count. The strongest single frequency
    of at least two periods is returned if it stands out: eight times the median amplitude of all
    frequencies and 0.1 per cent. Fewer than two bands cannot be told from uneven light.
    """
    if min(mosaic.shape) < 2 * _FEWEST_ROWS:
        return 0.0, 0.0
    parts = [_row_means(mosaic, third) for third in range(3)]
    rows = np.median(parts, axis=0)
    inside = np.flatnonzero(rows > _LIT * np.percentile(rows, 95))
    if inside.size < _FEWEST_ROWS:
        return 0.0, 0.0
    margin = max(2, inside.size // 50)
    kept = slice(int(inside[0]) + margin, int(inside[-1]) + 1 - margin)
    strength, periods = bands_in([part[kept] for part in parts])
    return 100 * strength, periods * rows.size / (kept.stop - kept.start)


def bands_in(profiles: Sequence[NDArray[np.float64]]) -> tuple[float, float]:
    """Return amplitude (share of the light) and number of the bands that profiles have in common.

    Parameters
    ----------
    profiles
        Light of the same rows in several parts of the width, at least two, of one length.

    Returns
    -------
    Zeros where nothing stands out, or where the profiles do not agree: bands of a lamp are the
    same over the whole width, dust and the like are not.
    """
    spectra = np.stack([_spectrum(profile) for profile in profiles])
    middle = np.median(spectra.real, axis=0) + 1j * np.median(spectra.imag, axis=0)
    amplitude = np.abs(middle)
    amplitude[: int(_FEWEST_PERIODS * _PADDED)] = 0
    peak = int(np.argmax(amplitude))
    strength = float(amplitude[peak])
    if strength < _STANDS_OUT * float(np.median(amplitude)) or strength < _LEAST:
        return 0.0, 0.0
    if np.abs(spectra[:, peak] - middle[peak]).max() > _UNLIKE * strength:
        return 0.0, 0.0
    return strength, peak / _PADDED


def steady_seconds(seconds: float) -> float:
    """Return the shortest time, no shorter than this, in which mains flicker averages out.

    Lamps on the mains flicker at twice its frequency, 100 or 120 Hz. A twentieth of a second
    holds whole periods of both, and so does every multiple of it. A camera's "1/20" is 1/20.16 s
    (thirds of a stop are powers of two), which leaves less than a hundredth of the ripple.
    """
    return max(1, math.ceil(seconds / STEADY_SECONDS - 1e-6)) * STEADY_SECONDS


def steadier_shutter(
    shutters: tuple[tuple[str, float], ...], seconds: float
) -> tuple[str, float] | None:
    """Return the shortest longer setting that averages the flicker out, None where there is none.

    Taken are times within two per cent of a multiple of a twentieth of a second (see
    `steady_seconds`), and else those from a fifth of a second on, where the rest is small
    whatever the frequency.
    """
    longer = sorted((s for s in shutters if s[1] > seconds), key=lambda s: s[1])
    for setting in longer:
        periods = setting[1] / STEADY_SECONDS
        if round(periods) >= 1 and abs(periods / round(periods) - 1) < 0.02:
            return setting
        if setting[1] >= 0.2:
            return setting
    return None


def _spectrum(rows: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Return the amplitude of every frequency left after the trend, four steps a period."""
    place = np.linspace(-1, 1, rows.size)
    fit = np.polynomial.polynomial.polyfit(place, rows, 4)
    rest = rows / np.maximum(np.polynomial.polynomial.polyval(place, fit), 1e-9) - 1
    window = np.hanning(rest.size)
    padded = np.fft.rfft(rest * window, _PADDED * rest.size) * 2 / window.sum()
    return np.asarray(padded, np.complex128)


def _row_means(mosaic: Mosaic, third: int) -> NDArray[np.float64]:
    """Return the mean signal of each row of whole tiles in one third of the width."""
    tile_y, tile_x = mosaic.pattern.shape
    height, width = mosaic.shape
    tiles = width // tile_x
    left, right = (tiles * (8 + 28 * third + n) // 100 * tile_x for n in (0, 28))
    part = mosaic.data[: height // tile_y * tile_y, left:right]
    every = max(1, part.shape[1] // (tile_x * 128)) * tile_x
    means = np.zeros(part.shape[0] // tile_y)
    for y in range(tile_y):
        for x in range(tile_x):
            channel = int(mosaic.pattern[y, x])
            black, top = mosaic.black[channel], mosaic.saturation[channel]
            plane = part[y::tile_y, x::every]
            means += (plane.mean(axis=1, dtype=np.float32) - black) / (top - black)
    return np.asarray(means / (tile_y * tile_x), np.float64)


_NEAR_MM, _FAR_MM = 0.12, 0.62
"""Distances from the picture between which the strips lie: clear of the border's blur, and of
the perforations, which begin 0.7 mm beyond a picture 24 mm high (ISO 1754, ISO 491)."""
_NARROWEST = 6
"""Green photosites across a strip at the least."""
_FEWEST_REBATE_ROWS = 100
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
    bands = frame_bands(mosaic, framing)
    if bands[0] <= context.settings.light.flicker_percent:
        return []
    seconds = context.shutter[1] if context.shutter else mosaic.exposure_seconds
    return [flicker_finding(bands, seconds, context.shutters, Severity.LOOK)]


def flicker_finding(
    bands: tuple[float, float],
    seconds: float | None,
    shutters: tuple[tuple[str, float], ...],
    severity: Severity,
) -> Finding:
    """Say ``lamp-flicker``: of an open gate a reason to shoot again, of a frame's rebate to look.

    ``bands`` are amplitude in per cent and number, from `flicker` or `frame_bands`.
    """
    near = steadier_shutter(shutters, seconds) if seconds else None
    of_gate = severity is Severity.RESHOOT
    case = ("" if of_gate else "rebate") if near else "time" if of_gate else "rebate-time"
    return Finding.of(
        "lamp-flicker",
        round(bands[0], 2),
        severity,
        case=case,
        bands=bands[1],
        percent=bands[0],
        time=near[0] if near else steady_seconds(seconds or 0.0),
    )


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
    green = main_channels(mosaic.channels)
    profiles = []
    for left, right in spans:
        start = -(-int(max(left, 0)) // tile_x) * tile_x
        width = (int(min(right, mosaic.shape[1])) - start) // tile_x
        if rows < _FEWEST_REBATE_ROWS or width < _NARROWEST:
            return None
        part = mosaic.data[first : first + rows * tile_y, start : start + width * tile_x]
        light = np.zeros(rows)
        for channel in green:
            for y, x in sites_of(mosaic.pattern, channel):
                values = part[y::tile_y, x::tile_x].astype(np.float32)
                light += row_medians(values) - mosaic.black[channel]
        profiles.append(light)
    return profiles
