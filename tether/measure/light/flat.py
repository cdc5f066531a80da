"""The open gate as a flat field: made, divided out, and how old it is."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from tether.findings import Finding
from tether.measure.levels import FLOOR, FloatArray
from tether.measure.light.open_gate import uneven_percent
from tether.measure.roll.memory import OpenGate, grid_of, spread
from tether.measure.survey import Survey, survey
from tether.raw.mosaic import Mosaic
from tether.settings import LightSettings

_MASKED = 0.5
"""Share of the median light below which a cell lies behind the gate's mask."""


def flat_of(mosaic: Mosaic, taken_at: str = "", picture: Survey | None = None) -> OpenGate:
    """Return the open gate's light on a small grid, for keeping with the roll.

    Parameters
    ----------
    mosaic
        The open gate: lamp on, no film.
    taken_at
        When it was taken, ISO 8601 with its offset from UTC.
    picture
        Its survey where there is one already.
    """
    picture = picture or survey(mosaic)
    exposure = (mosaic.exposure_seconds, mosaic.iso, mosaic.f_number)
    grid = np.stack([_without_mask(plane) for plane in grid_of(picture.signal)])
    return OpenGate(
        picture.channels, grid.astype(np.float32), exposure, taken_at, uneven_percent(picture)
    )


def _without_mask(grid: FloatArray) -> FloatArray:
    """Carry the light on over cells behind the gate's mask, so that its edge does not show.

    From the last two lit cells of a row or column the light goes on in a straight line.
    """
    lit = grid > _MASKED * np.median(grid)
    out = grid.astype(np.float64)
    for axis in (1, 0):
        lines, known = (out, lit) if axis == 1 else (out.T, lit.T)
        for line, of_line in zip(lines, known, strict=True):
            inside = np.flatnonzero(of_line)
            if inside.size < 2:
                continue
            place = np.arange(line.size)
            for end, step in ((inside[0], 1), (inside[-1], -1)):
                slope = line[end + step] - line[end]
                outside = place < end if step == 1 else place > end
                line[outside] = line[end] - slope * np.abs(place[outside] - end)
        lit = lit | (lit.any(axis=axis, keepdims=True) & (lit.sum(axis=axis, keepdims=True) >= 2))
    return np.asarray(np.maximum(out, FLOOR), np.float32)


def flat_correct(picture: Survey, gate: OpenGate) -> FloatArray:
    """Return signals over the open gate's at the same place, per channel, mean of the light 1.

    What the lamp, the lens's falloff and the lens's colour shading do to a frame goes; what the
    film does remains. Shape and channels as in the survey.

    Raises
    ------
    ValueError
        When the open gate comes from a sensor with other channels.
    """
    if gate.channels != picture.channels:
        raise ValueError("the open gate was taken with another kind of sensor")
    light = spread(gate.grid, (picture.signal.shape[1], picture.signal.shape[2]))
    means = np.maximum(light.mean(axis=(1, 2), keepdims=True), np.float32(FLOOR))
    return np.asarray(picture.signal / np.maximum(light / means, np.float32(FLOOR)), np.float32)


def gate_uneven(gate: OpenGate | None, settings: LightSettings | None = None) -> list[Finding]:
    """Say ``gate-uneven`` of a frame whose open gate is more uneven than the light may be.

    A flat field divides the light's pattern out of positives. It does not give the dark side the
    light that it lacks: photon noise relative to the signal goes with ``1 / sqrt(light)``.
    """
    settings = settings or LightSettings()
    if gate is None or gate.uneven_percent <= settings.uneven_percent:
        return []
    percent = gate.uneven_percent
    return [Finding.of("gate-uneven", round(percent, 1), percent=percent)]


def age_hours(taken_at: str, now: datetime) -> float | None:
    """Return how old an open gate is in hours; None when its time (ISO 8601) is not known.

    A time without an offset is taken in the zone of ``now``.
    """
    try:
        taken = datetime.fromisoformat(taken_at)
    except ValueError:
        return None
    if taken.tzinfo is None:
        taken = taken.replace(tzinfo=now.tzinfo)
    elif now.tzinfo is None:
        now = now.replace(tzinfo=taken.tzinfo)
    return (now - taken).total_seconds() / 3600


def judge_flat(
    taken_at: str, now: datetime, settings: LightSettings | None = None
) -> list[Finding]:
    """Say ``flat-stale`` when an open gate is too old to tell of today's light."""
    settings = settings or LightSettings()
    age = age_hours(taken_at, now)
    if age is None or age <= settings.flat_hours:
        return []
    return [Finding.of("flat-stale", round(age, 1), hours=age)]
