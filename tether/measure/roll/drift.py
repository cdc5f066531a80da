"""Light and lens at each frame of a roll, and whether they stay as they were.

Each kept frame leaves one row: the level of its base in the light that fell, the base's colour,
and how sharp its grain is. The base is the same all along a roll, so what moves is the bench.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tether.facts import ExposureValues
from tether.findings import Finding
from tether.settings import LightSettings

MOST_ROWS = 500
"""Rows that are kept; no roll has more frames."""
COLUMNS = 9
ORDER, FRAME, LEVEL, RED, BLUE, SHARPNESS = 0, 1, 5, 6, 7, 8
"""Columns of a row; the settings stand in `SETTINGS`."""
SETTINGS = slice(2, 5)

Rows = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FrameRecord:
    """Light and lens at one frame.

    Attributes
    ----------
    order
        Which capture of the roll it is, counted from 1 in the order of taking.
    frame
        Its frame number.
    exposure
        Settings of the camera at which it was taken.
    level
        Base in the main channel in stops from saturation; NaN where no rebate was seen.
    red, blue
        Base in red and blue over green, in stops; NaN where that is not known.
    sharpness
        Sharpness of its grain, NaN where grain does not rule.
    """

    order: int
    frame: int
    exposure: ExposureValues
    level: float = math.nan
    red: float = math.nan
    blue: float = math.nan
    sharpness: float = math.nan

    def row(self) -> Rows:
        """Return it as a row of numbers, NaN for what is not known."""
        exposure = [math.nan if v is None else v for v in self.exposure]
        values = [self.order, self.frame, *exposure]
        return np.array([*values, self.level, self.red, self.blue, self.sharpness], np.float64)


def base_levels(signal: Mapping[str, float]) -> tuple[float, float, float]:
    """Return level, red and blue of a base (see `FrameRecord`) from its signal per channel."""
    by_colour: dict[str, list[float]] = {}
    for name, value in signal.items():
        by_colour.setdefault(name[0], []).append(value)
    means = {letter: float(np.mean(values)) for letter, values in by_colour.items()}
    main = means.get("G", next(iter(means.values()), math.nan))
    red, blue = (_ratio_ev(means.get(letter, math.nan), main) for letter in "RB")
    return _ratio_ev(main, 1.0), red, blue


def _ratio_ev(value: float, reference: float) -> float:
    return math.log2(value / reference) if value > 0 and reference > 0 else math.nan


def with_row(rows: Rows | None, record: FrameRecord) -> Rows:
    """Return the rows with one more; an earlier one of the same frame is replaced."""
    row = record.row()[None]
    if rows is None or not rows.size:
        return row
    others = rows[rows[:, FRAME] != record.frame] if record.frame >= 0 else rows
    return np.concatenate([others, row])[-MOST_ROWS:]


def rows_of(values: object) -> Rows | None:
    """Return stored rows, None where they are none that this program wrote."""
    if not isinstance(values, np.ndarray) or values.dtype != np.float64 or values.ndim != 2:
        return None
    if values.shape[1] != COLUMNS or not 0 < values.shape[0] <= MOST_ROWS:
        return None
    sound = np.isfinite(values[:, : FRAME + 1]).all() and not np.isinf(values).any()
    return values if sound else None


_FEWEST = 5
_LAST = 3
"""Frames that have to agree before anything is said: one odd frame is not a trend."""
_FIRST = 5
_STEPS = 8
"""Part of the limit that a creeping value moves at the least with every frame."""


def light_drift(rows: Rows, since: int = 0, settings: LightSettings | None = None) -> list[Finding]:
    """Say whether the light has moved over the frames up to the last row.

    Parameters
    ----------
    rows
        From `tether.measure.roll.drift.with_row`, oldest first; the last one is the frame at
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
    """Return how far the last value is from that of the first frame, and which that is, or None.

    ``creeps`` is whether a value that moves farther with every frame counts from half the limit on.
    """
    if not np.isfinite(rows[-1, column]):
        return None
    measured = rows[np.isfinite(rows[:, column])]
    values = measured[:, column]
    if values.size < _FEWEST:
        return None
    first = values[: max(2, min(_FIRST, values.size - _LAST))]
    start = float(np.median(first))
    away = values[-_LAST:] - start
    farther = np.diff(away, prepend=0.0) * np.sign(away[-1])
    creeping = creeps and abs(away[-1]) > limit / 2 and np.all(farther > limit / _STEPS)
    if not (creeping or np.all(away > limit) or np.all(away < -limit)):
        return None
    # The first frame after the light test, unless it is odd: two frames that a person can compare.
    reference = int(np.argmax(np.abs(first - start) <= limit / 2))
    return float(values[-1] - values[reference]), int(measured[reference, FRAME])
