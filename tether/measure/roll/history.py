"""Light and lens at each frame of a roll: one row of numbers a frame."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tether.facts import ExposureValues

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
