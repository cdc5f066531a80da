"""Focus against the roll's reference: out of focus, drifting, or soft toward one side."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tether.findings import Finding
from tether.measure.focus.sharpness import FEWEST_CELLS, Sharpness
from tether.settings import FocusSettings

_FEWEST_FOR_DRIFT = 8
_FIRST = 8
"""Frames at the start that tell where sharpness began."""
_FEWEST_WITH_DETAIL = 5
_SHARP_SIDE = 0.15
"""Sharpness relative to the reference that the better side has to have to count as such."""
_LEAST_LEFT, _TIMES_LEFT = 0.03, 4.0
"""Share of its finest part, of the reference's, that grain has left at the sharper edge of a soft
frame, and how many times that of the rest of the frame."""
_NEARLY_ALL = 0.75
_FLOOR = 0.02
"""Sharpness relative to the reference that cannot be told from none."""


def reference_of(
    frames: Sequence[Sharpness], settings: FocusSettings | None = None
) -> Sharpness | None:
    """Return what a roll's frames in focus have in common, to compare the others with.

    Frames ruled by picture detail do not count, unless there are only such and at least
    five of them; None when there is nothing to go by. A figure is the median over the frames that
    count, or the lower quartile of those ruled by detail.
    """
    settings = settings or FocusSettings()
    measured = [f for f in frames if np.isfinite(f.overall)]
    plain = [f for f in measured if f.plain >= settings.plain_ratio]
    share = 50.0
    if not plain and len(measured) >= _FEWEST_WITH_DETAIL:
        plain, share = measured, 25.0
    if not plain:
        return None
    return Sharpness(
        _median(np.stack([f.grid for f in plain])),
        _median(np.stack([f.noise for f in plain])),
        float(np.percentile([f.overall for f in plain], share)),
        _median(np.stack([f.plain_grid for f in plain])),
    )


def compare_focus(
    sharpness: Sharpness, reference: Sharpness | None, settings: FocusSettings | None = None
) -> list[Finding]:
    """Say whether a frame is soft, and on which side, against the roll's reference.

    Parameters
    ----------
    sharpness
        The frame's.
    reference
        From `reference_of`; None (nothing to compare with yet) finds nothing.

    Returns
    -------
    At most one finding: ``one-side-soft`` or ``out-of-focus``, both asking for another shot, with
    the sharpness relative to the reference as its value. Nothing where grain cannot tell.
    """
    settings = settings or FocusSettings()
    if reference is None or not reference.overall > 0 or not np.isfinite(sharpness.overall):
        return []
    # Where noise is as strong as grain, an error in what is taken off for it decides.
    clean = sharpness.noise < settings.most_noise * reference.overall
    seen = np.where(clean, sharpness.grid, np.nan) / reference.overall
    if np.count_nonzero(np.isfinite(seen)) < FEWEST_CELLS:
        return []
    seems_grain = sharpness.plain_grid >= 0.5 * reference.plain
    side, softest = _softer_side(seen, seems_grain, settings.side_ratio)
    if side and softest < settings.soft_ratio:
        percent = 100 * softest
        return [Finding.of("one-side-soft", round(softest, 3), side=side, percent=percent)]
    ratio = float(np.nanpercentile(seen, 50))
    # Blur takes the finest structure first; a dimmer lamp than expected only makes all of it less.
    plain = max(reference.plain, 1e-9)
    finest = float(np.median(sharpness.plain_grid[np.isfinite(seen)])) / plain
    if ratio >= settings.soft_ratio or finest > settings.blurred_ratio:
        return []
    best = _sharper_side(sharpness.plain_grid / plain)
    if best:
        return [
            Finding.of(
                "one-side-soft",
                round(ratio, 3),
                case="soft-all-over",
                side=best,
                percent=100 * ratio,
            )
        ]
    return [Finding.of("out-of-focus", round(ratio, 3), percent=100 * ratio)]


def focus_drift(overalls: Sequence[float], settings: FocusSettings | None = None) -> list[Finding]:
    """Say whether sharpness falls steadily over the frames of a roll.

    Parameters
    ----------
    overalls
        `Sharpness.overall` of the frames in the order they were taken since the last focusing;
        NaN for frames that could not tell.

    Returns
    -------
    ``focus-drift`` when each of the last three lies below the limit, relative to the lower
    quartile of the first eight (detail of the picture makes a frame look sharper, never softer),
    and the line through all frames falls as well (Theil and Sen: the median of the slopes
    between all pairs, which single odd frames do not move), by half of it in stops at the least: a
    drift that has just begun moves the line late. Nothing with fewer than eight frames.
    """
    settings = settings or FocusSettings()
    values = np.asarray(overalls, np.float64)
    index = np.flatnonzero(values > 0)
    if index.size < _FEWEST_FOR_DRIFT:
        return []
    logs = np.log2(values[index])
    rows, columns = np.triu_indices(index.size, 1)
    slope = float(np.median((logs[columns] - logs[rows]) / (index[columns] - index[rows])))
    start = float(np.percentile(logs[: min(_FIRST, index.size - 3)], 25))
    limit = np.log2(settings.drift_ratio)
    fallen = slope * float(index[-1] - index[0])
    if fallen > limit / 2 or np.any(logs[-3:] - start > limit):
        return []
    left = float(2**fallen)
    return [Finding.of("focus-drift", round(left, 3), frames=int(index.size), percent=100 * left)]


def _softer_side(
    seen: NDArray[np.float64], seems_grain: NDArray[np.bool_], side_ratio: float
) -> tuple[str, float]:
    """Return the side toward which sharpness falls, and the sharpness there; "" for none.

    It has to fall steadily from one edge to the other, by more than ``side_ratio`` in all, and
    the better side has to show grain and not only detail of the picture, which stays in sight when
    grain has gone.
    """
    softest = ("", float("inf"))
    for axis, names in ((0, ("left", "right")), (1, ("top", "bottom"))):
        enough = np.count_nonzero(np.isfinite(seen), axis=axis) >= 2
        if np.count_nonzero(enough) < 4:
            continue
        place = np.flatnonzero(enough)
        lines, grain = (seen.T, seems_grain.T) if axis == 0 else (seen, seems_grain)
        profile = np.array([min(1.0, float(np.nanmedian(lines[i]))) for i in place])
        # What noise leaves at the soft end is no measure of anything: hence the floor.
        logs = np.log2(np.maximum(profile, _FLOOR))
        steady = abs(float(np.corrcoef(place, logs)[0, 1])) if np.ptp(logs) > 0 else 0.0
        ends = (profile[0], profile[-1])
        if steady < 0.85 or min(ends) > side_ratio * max(ends) or max(ends) < _SHARP_SIDE:
            continue
        better = lines[place[0 if ends[0] > ends[1] else -1]]
        if not _mostly(grain[place[0 if ends[0] > ends[1] else -1]][np.isfinite(better)]):
            continue
        if min(ends) < softest[1]:
            softest = (names[int(ends[1] < ends[0])], float(min(ends)))
    return softest


def _sharper_side(finest: NDArray[np.float32]) -> str:
    """Return the side at which a soft frame is least so; "" where it is soft all over alike.

    ``finest`` is what grain has left of its finest part in each cell, relative to the reference's:
    unlike its strength it hardly depends on the picture. The edge has to stand out in nearly all of
    its cells, and what is left has to fall from there on.
    """
    for axis, names in ((0, ("left", "right")), (1, ("top", "bottom"))):
        lines = finest.T if axis == 0 else finest
        measured = np.isfinite(lines)
        if not (measured.sum(axis=1) >= 2).all():
            continue
        profile = np.nanmedian(lines, axis=1)
        for name, order in zip(names, (slice(None), slice(None, None, -1)), strict=True):
            along = profile[order]
            edge = lines[order][0]
            rest = max(_LEAST_LEFT, _TIMES_LEFT * float(along[2:].max()))
            if (
                along[0] >= rest
                and along[1] <= along[0]
                and np.mean(edge[np.isfinite(edge)] >= rest / 2) >= _NEARLY_ALL
            ):
                return name
    return ""


def _mostly(values: NDArray[np.bool_]) -> bool:
    return bool(values.mean() >= 0.5) if values.size else False


def _median(layers: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the median over the first axis of what is known; NaN where nothing is."""
    measured = np.isfinite(layers).any(axis=0)
    filled = np.where(measured, layers, np.float32(0))
    return np.where(measured, np.nanmedian(filled, axis=0), np.nan).astype(np.float32)
