"""The open gate as a flat field: made, divided out, and how old it is."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from tether.measure.levels import FLOOR, FloatArray
from tether.measure.roll import OpenGate, grid_of, spread
from tether.measure.survey import Survey, survey
from tether.measure.verdict import Finding, Severity
from tether.raw.mosaic import Mosaic
from tether.settings import Light


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
    return OpenGate(picture.channels, grid_of(picture.signal), exposure, taken_at)


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


def age_hours(gate: OpenGate, now: datetime) -> float | None:
    """Return how old an open gate is in hours; None when its time is not known.

    A time without an offset is taken in the zone of ``now``.
    """
    try:
        taken = datetime.fromisoformat(gate.taken_at)
    except ValueError:
        return None
    if taken.tzinfo is None:
        taken = taken.replace(tzinfo=now.tzinfo)
    elif now.tzinfo is None:
        now = now.replace(tzinfo=taken.tzinfo)
    return (now - taken).total_seconds() / 3600


def judge_flat(gate: OpenGate, now: datetime, settings: Light | None = None) -> list[Finding]:
    """Say ``flat-stale`` when the open gate is too old to tell of today's light."""
    settings = settings or Light()
    age = age_hours(gate, now)
    if age is None or age <= settings.flat_hours:
        return []
    return [
        Finding(
            "flat-stale",
            Severity.NOTE,
            round(age, 1),
            "h",
            f"The open gate was photographed {age:.0f} hours ago.",
            "Photograph it again: lamps age and warm up, and benches get moved.",
        )
    ]
