"""Dust on the film of one frame: small dark specks that stand alone in even surroundings.

Dust is opaque on either side of the film, so that it is dark on negatives and on slides. What a
picture has of that kind, leaves, pebbles, drops or stars, comes in crowds; in a crowd, and in
surroundings that are not even, nothing is said. On a negative a speck has to lie on the picture,
because lamps in a night lie on clear film. Dust on lens and sensor stays where it is from frame to
frame and is `tether.measure.film.dust`'s.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tether.findings import Finding, Severity
from tether.measure.film.dust import RINGS, DarkPlaces, Spots
from tether.settings import SpeckSettings
from tether.text import plural

_ANGLES = np.arange(16) * (2 * np.pi / 16)
_NEAR = 3.0
"""Pixels from a speck's middle by which its edge has ended."""
_COMPACT = 0.35
"""Most of its depth that is left there."""
_UNEVEN = 0.5
"""Largest difference within the surroundings, as a share of its depth."""
_CROWD = 0.04
"""Distance within which more than `_NEIGHBOURS` dark places are a crowd, in widths of the frame."""
_NEIGHBOURS = 1
_FEWEST_FRAMES = 3
_BEFORE = 3
"""Earlier frames whose spots are compared; of many, some are at any place by chance."""


def specks_of(dark: DarkPlaces, clear_ev: float | None, settings: SpeckSettings) -> Spots:
    """Return the specks among the dark places of a frame, shape (n, 3), as `Spots` are.

    Parameters
    ----------
    dark
        As `tether.measure.film.dust.dark_places` found them.
    clear_ev
        Clear film of a negative, in stops from saturation; None of a transparency.
    settings
        Least depth, and how far from clear film a speck has to be.
    """
    seen, places = dark.seen, dark.places
    if not len(places):
        return np.zeros((0, 3), np.float32)
    centre = seen[places[:, 0], places[:, 1]]
    plain = np.zeros(len(places), np.bool_)
    for radius in (max(2, round(ring * dark.width / dark.step)) for ring in RINGS):
        around = _ring(seen, places, radius)
        deep = np.median(around, axis=1) - centre
        even = np.ptp(around, axis=1) < _UNEVEN * deep
        plain |= (deep > settings.least_depth) & even
    inner = np.median(_ring(seen, places, max(2, round(RINGS[0] * dark.width / dark.step))), axis=1)
    depth = inner - centre
    plain &= depth > settings.least_depth
    edge = _ring(seen, places, _NEAR).mean(axis=1)
    plain &= (inner - edge) < _COMPACT * depth
    if clear_ev is not None:
        plain &= inner < clear_ev - settings.from_clear_ev
    chosen = np.flatnonzero(plain)
    reach = _CROWD * dark.width / dark.step
    apart = np.hypot(*(places[chosen, None] - places[None]).astype(np.float32).transpose(2, 0, 1))
    chosen = chosen[(apart < reach).sum(axis=1) - 1 <= _NEIGHBOURS]
    found: Spots = dark.spots[chosen]
    return found


def dust_findings(
    specks: Spots,
    earlier: Sequence[Spots],
    counts: Sequence[int],
    place: float,
    settings: SpeckSettings,
) -> tuple[list[Finding], Spots]:
    """Say ``dust-on-film`` where a frame has many specks; return its own specks as well.

    Parameters
    ----------
    specks
        Of this frame.
    earlier, counts
        Dark spots of earlier frames, and how many specks each of them had.
    place
        Distance within which a spot of an earlier frame is the same one: it is not on the film.
    settings
        From how many specks on it is a hint, and CHECK.
    """
    own = specks[~_met(specks, earlier, place)] if len(specks) else specks
    count = len(own)
    usual = float(np.median(counts)) if len(counts) >= _FEWEST_FRAMES else float("inf")
    many = count >= settings.check and count >= settings.times_usual * usual
    if count < settings.hint:
        return [], own
    severity = Severity.LOOK if many else Severity.NOTE
    words = plural(count, "small dark speck")
    return [Finding.of("dust-on-film", float(count), severity, specks=words)], own


def _met(specks: Spots, earlier: Sequence[Spots], place: float) -> NDArray[np.bool_]:
    met = np.zeros(len(specks), np.bool_)
    for spots in earlier[-_BEFORE:]:
        if len(spots):
            apart = specks[:, None, :2] - spots[None, :, :2]
            met |= (np.abs(apart).max(axis=2) < place).any(axis=1)
    return met


def _ring(seen: NDArray[np.float32], places: NDArray[np.intp], radius: float) -> Spots:
    """Return the values around places, shape (places, angles)."""
    rows = places[:, :1] + np.rint(radius * np.sin(_ANGLES)).astype(np.intp)
    columns = places[:, 1:] + np.rint(radius * np.cos(_ANGLES)).astype(np.intp)
    height, width = seen.shape
    around: Spots = seen[np.clip(rows, 0, height - 1), np.clip(columns, 0, width - 1)]
    return around
