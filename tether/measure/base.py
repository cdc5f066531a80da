"""The film's base: where it shows, how light it is, and the frame's edges that it gives away.

A negative's base is the lightest thing that belongs to the film, but light through perforations
or beside the film is lighter still. So every level at which many pixels agree is tried as the
base, and the one that makes the straightest frame edges is taken.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tether.measure.borders import BoolArray
from tether.measure.levels import FloatArray, stops
from tether.measure.placement import Edges, find_edges
from tether.measure.survey import Survey, halved

LOWEST_EV = -9.0
_BIN_EV = 1 / 24
_TOLERANCE_EV = 0.20
_MOST_LEVELS = 6
_BARE_LIGHT_EV = 2.4
_CLIPPED_EV = -0.02


@dataclass(frozen=True, slots=True)
class Areas:
    """What each pixel of the halved survey shows.

    Attributes
    ----------
    level
        Base (or the dark rebate of a transparency) at each pixel in stops from saturation of
        the main channel, shape (height, width): a smooth surface that follows the light.
    rebate, picture, brighter
        Masks: at the level of the base; on the picture's side of it; lighter than the film can be.
    edges
        The frame's edges as these masks show them.
    source
        "rebate" where straight frame edges confirm the level, "picture" where it is only the
        lightest level that many pixels share, "roll" where it comes from earlier frames.
    """

    level: FloatArray
    rebate: BoolArray
    picture: BoolArray
    brighter: BoolArray
    edges: Edges
    source: str


def common_levels(ev: FloatArray, share: float = 0.006) -> list[float]:
    """Return the levels that many pixels share, lightest first, in stops from saturation.

    Peaks of the histogram of ``ev`` in steps of 1/24 stop that hold at least ``share`` of the
    pixels within an eighth of a stop.
    """
    bins = round((0.25 - LOWEST_EV) / _BIN_EV)
    index = np.clip((ev.ravel() - LOWEST_EV) / _BIN_EV, 0, bins - 1).astype(np.int32)
    counts = np.bincount(index, minlength=bins).astype(float)
    counts[0] = 0  # the mask of the gate, and everything too dark to be base
    wide = np.convolve(counts, np.ones(7), "same")
    peaks = []
    for i in range(4, bins - 1):
        window = wide[max(0, i - 5) : i + 6]
        if wide[i] >= share * ev.size and wide[i] == window.max():
            mass = counts[max(0, i - 3) : i + 4]
            place = np.arange(max(0, i - 3), max(0, i - 3) + mass.size) + 0.5
            peaks.append(float(LOWEST_EV + _BIN_EV * np.average(place, weights=mass)))
    merged: list[float] = []
    for level in sorted(peaks, reverse=True):
        if not merged or merged[-1] - level > 0.15:
            merged.append(level)
    return merged


def smooth_surface(values: FloatArray, chosen: BoolArray) -> FloatArray:
    """Fit a second-degree surface to the chosen pixels and return it for all of them.

    Where the chosen pixels are few the surface is their median everywhere.
    """
    height, width = values.shape
    y, x = np.nonzero(chosen)
    if y.size > 6000:
        keep = slice(None, None, y.size // 6000 + 1)
        y, x = y[keep], x[keep]
    flat = np.full(values.shape, np.median(values[chosen]) if y.size else 0.0, np.float32)
    if y.size < 200 or np.ptp(x) < 0.5 * width or np.ptp(y) < 0.5 * height:
        return flat
    u, v = x / width - 0.5, y / height - 0.5
    terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=1)
    fit, *_ = np.linalg.lstsq(terms, values[y, x], rcond=None)
    gu = (np.arange(width) / width - 0.5)[None, :]
    gv = (np.arange(height) / height - 0.5)[:, None]
    surface = (
        fit[0] + fit[1] * gu + fit[2] * gv + fit[3] * gu * gu + fit[4] * gu * gv + fit[5] * gv * gv
    )
    middle = float(np.median(values[y, x]))
    return np.asarray(np.clip(surface, middle - 1.0, middle + 1.0), np.float32)


def find_base(small: FloatArray, known_ev: float | None = None) -> Areas | None:
    """Find the base of a negative in a small picture of the main channel.

    Parameters
    ----------
    small
        Signal relative to saturation, shape (height, width) (`halved` of the survey).
    known_ev
        Base that earlier frames of the roll lead to expect, in stops from saturation.

    Returns
    -------
    None where nothing in the view can be base (everything is dark).
    """
    ev = stops(small)
    levels = common_levels(ev)
    if not levels:
        return None
    tried = levels[:_MOST_LEVELS]
    best: tuple[float, Areas] | None = None
    for level in tried:
        if known_ev is not None and abs(level - known_ev) > 1.5:
            continue
        areas = _areas(ev, np.full(ev.shape, level, np.float32), "rebate")
        score = _score(areas.edges)
        if known_ev is not None and abs(level - known_ev) < 0.3:
            score += 0.5
        if best is None or score > best[0] + 0.15:
            best = (score, areas)
    if best is not None and (
        len(best[1].edges.lines) >= 3 or (best[0] >= 1.5 and known_ev is not None)
    ):
        return _followed(ev, best[1])
    if known_ev is not None:
        flat = np.full(ev.shape, known_ev, np.float32)
        return _areas(ev, flat, "roll")
    return _areas(ev, np.full(ev.shape, _lightest(levels), np.float32), "picture")


def find_dark_rebate(small: FloatArray) -> Areas:
    """Find the rebate of a transparency, which is as dark as the film can be.

    Returns areas whose ``level`` is the limit under which a pixel counts as rebate.
    """
    ev = stops(small)
    top = float(np.percentile(ev, 99.0))
    best: tuple[float, Areas] | None = None
    for below in (8.5, 7.5, 6.5, 5.5, 4.5):
        limit = np.full(ev.shape, top - below, np.float32)
        dark = ev < limit
        edges = find_edges(dark, ~dark)
        areas = Areas(limit, dark, ~dark, np.zeros_like(dark), edges, "rebate")
        score = _score(edges)
        if best is None or score > best[0] + 0.15:
            best = (score, areas)
    assert best is not None
    return best[1]


def _score(edges: Edges) -> float:
    """Add up the sides' support; two opposite sides alone could be the film's own edges."""
    sides = set(edges.lines)
    crossed = bool(sides & {"left", "right"}) and bool(sides & {"top", "bottom"})
    return edges.score * (1.0 if crossed else 0.4)


def _areas(
    ev: FloatArray, level: FloatArray, source: str, tolerance: float = _TOLERANCE_EV
) -> Areas:
    rebate = np.abs(ev - level) <= tolerance
    picture = ev < level - tolerance
    return Areas(
        level, rebate, picture, ev > level + tolerance, find_edges(rebate, picture), source
    )


def _followed(ev: FloatArray, areas: Areas) -> Areas:
    """Let the level follow the light's falloff, and look at the edges again."""
    for _ in range(2):
        surface = smooth_surface(ev, areas.rebate)
        areas = _areas(ev, surface, areas.source)
    return areas


def _lightest(levels: list[float]) -> float:
    """Return the lightest level that belongs to the film: bare light may saturate above it."""
    if len(levels) > 1 and levels[0] > _CLIPPED_EV and levels[0] - levels[1] < _BARE_LIGHT_EV:
        return levels[1]
    return levels[0]


def base_signal(picture: Survey, areas: Areas, where: NDArray[np.bool_] | None) -> dict[str, float]:
    """Return the base per channel, median signal relative to saturation.

    ``where`` limits it to a part of the halved survey (a strip around the frame).
    """
    chosen = areas.rebate if where is None else areas.rebate & where
    if np.count_nonzero(chosen) < 50:
        chosen = areas.rebate
    if not chosen.any():
        return {}
    small = halved(picture.signal)
    return {
        name: float(np.median(small[index][chosen])) for index, name in enumerate(picture.channels)
    }
