"""Whether light and lens stay as they were: the trend over a roll's frames, not the clock.

Each kept frame leaves one row: the level of its base in the light that fell, the base's colour,
and how sharp its grain is. The base is the same all along a roll, so what moves is the bench.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tether.findings import Finding
from tether.measure.roll.history import BLUE, FRAME, LEVEL, ORDER, RED, SETTINGS, SHARPNESS, Rows
from tether.settings import LightSettings

_FEWEST = 5
_LAST = 3
"""Frames that have to agree before anything is said: one odd frame is not a trend."""
_FIRST = 5
_STEPS = 8
"""Part of the limit that a creeping value moves at the least with every frame."""
_BEGAN = 1 / 4
"""Share of a change up to which a frame still counts as from before it."""


def light_drift(rows: Rows, since: int = 0, settings: LightSettings | None = None) -> list[Finding]:
    """Say whether the light has moved over the frames up to the last row.

    Parameters
    ----------
    rows
        From `tether.measure.roll.history.with_row`, oldest first; the last one is the frame at
        hand.
    since
        Only captures after this one count: the light was tested or calibrated there.

    Returns
    -------
    ``light-drift`` (stops, negative for less light) among frames taken at the same settings of
    the camera, since nominal shutter times and apertures differ from the real ones by up to a
    tenth of a stop; and ``lamp-colour-drift`` (stops of red over blue, positive for warmer). A
    change counts when each of the last three frames lies beyond the limit on the same side of
    the median of the first ones, and from half the limit on when each of the three lies plainly
    farther off than the one before: a lamp that creeps away is told while that costs little. A
    strobe's flashes differ by chance, of which such a row may be made. Nothing where the last
    frame shows no rebate.
    """
    settings = settings or LightSettings()
    rows = rows[rows[:, ORDER] > since]
    if not rows.size:
        return []
    findings = []
    creeps = not settings.strobe
    level = _moved(rows[_same_settings(rows, settings.strobe)], LEVEL, settings.drift_ev, creeps)
    if level is not None:
        change, frame = level
        findings.append(
            Finding.of(
                "light-drift",
                round(change, 3),
                case="strobe" if settings.strobe else "",
                way="fallen" if change < 0 else "risen",
                stops=abs(change),
                frame=frame,
            )
        )
    warmth = rows.copy()
    warmth[:, RED] -= rows[:, BLUE]
    colour = _moved(warmth, RED, settings.colour_drift_ev, creeps)
    if colour is not None:
        change, frame = colour
        way = "warmer" if change > 0 else "colder"
        findings.append(
            Finding.of(
                "lamp-colour-drift", round(change, 3), way=way, stops=abs(change), frame=frame
            )
        )
    return findings


def sharpness_of(rows: Rows) -> list[float]:
    """Return the sharpness of the frames taken at the last one's aperture, oldest first.

    NaN where detail of the picture rules: the figure then says nothing about a drift.
    """
    aperture = rows[:, SETTINGS.stop - 1]
    same = (aperture == aperture[-1]) | (np.isnan(aperture) & np.isnan(aperture[-1]))
    return [float(v) for v in rows[same, SHARPNESS]]


def _same_settings(rows: Rows, strobe: bool) -> NDArray[np.bool_]:
    """Tell which frames were taken as the last one; a strobe's light asks for no shutter time."""
    which = slice(SETTINGS.start + strobe, SETTINGS.stop)
    now, then = rows[-1, which], rows[:, which]
    same: NDArray[np.bool_] = ((then == now) | (np.isnan(then) & np.isnan(now))).all(axis=1)
    return same


def _moved(rows: Rows, column: int, limit: float, creeps: bool) -> tuple[float, int] | None:
    """Return how far a value has moved and since which frame; None where it has not.

    ``creeps`` is whether a value that moves farther with every frame counts from half the limit on.
    """
    if not np.isfinite(rows[-1, column]):
        return None
    measured = rows[np.isfinite(rows[:, column])]
    values = measured[:, column]
    if values.size < _FEWEST:
        return None
    start = float(np.median(values[: max(2, min(_FIRST, values.size - _LAST))]))
    away = values[-_LAST:] - start
    change = float(np.median(away))
    farther = np.diff(away, prepend=0.0) * np.sign(away[-1])
    if creeps and abs(away[-1]) > limit / 2 and np.all(farther > limit / _STEPS):
        change = float(away[-1])
    elif not (np.all(away > limit) or np.all(away < -limit)):
        return None
    before = np.flatnonzero(np.abs(values - start) <= _BEGAN * abs(change))
    began = int(before[-1]) if before.size else 0
    return change, int(measured[began, FRAME])
