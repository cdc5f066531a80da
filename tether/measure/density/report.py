"""Density against the open gate (ISO 5-2: transmittance density, D = -log10 T)."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tether.measure.levels import FLOOR, FloatArray
from tether.measure.light.flat import spread
from tether.measure.roll.memory import OpenGate
from tether.measure.survey import Survey

_MOST_PLACES = 40_000
"""Places of a picture that the range of its densities is taken of."""


def density(
    frame: ArrayLike, open_gate: ArrayLike, dark: float = 0.0, ratio: float = 1.0
) -> NDArray[np.float32]:
    """Return the density of what lies in the gate.

    Parameters
    ----------
    frame, open_gate
        Signals relative to saturation of the same channel, any shapes that go together.
    dark
        Signal with the lamp off (stray light), taken off both.
    ratio
        How many times the frame's exposure is that of the open gate.

    Returns
    -------
    ``D = -log10 T`` with ``T = (frame - dark) / (open gate - dark) / ratio`` (ISO 5-2). Signals
    are kept above 2**-16, so the result never exceeds what the sensor could tell.
    """
    top = np.maximum(np.asarray(frame, np.float32) - np.float32(dark), np.float32(FLOOR))
    light = np.maximum(np.asarray(open_gate, np.float32) - np.float32(dark), np.float32(FLOOR))
    return np.asarray(np.log10(light * np.float32(ratio)) - np.log10(top), np.float32)


def density_report(
    picture: Survey,
    gate: OpenGate,
    where: NDArray[np.bool_] | None,
    base: Mapping[str, float] | None,
    base_place: NDArray[np.bool_] | None = None,
    ratio: float = 1.0,
) -> dict[str, dict[str, float | None]]:
    """Return base and the range of densities in the picture, per channel.

    Parameters
    ----------
    picture
        Survey of the frame.
    gate
        The open gate, with the channels of the picture.
    where
        The picture, shape (height, width); None takes everything.
    base
        Signal of the base per channel, None where it is not known.
    base_place
        Where that was measured, shape (height, width); None takes the open gate's median.
    ratio
        How many times the frame's exposure is that of the open gate.

    Returns
    -------
    Per channel ``base`` (base plus fog; None where not known) and ``p1``, ``p50``, ``p99``, the
    densities that 1, 50 and 99 per cent of the picture stay below, of about 40,000 places.
    """
    every = max(1, round((picture.main.size / _MOST_PLACES) ** 0.5))
    if where is not None and not where[::every, ::every].any():
        every = 1
    lattice = np.s_[::every, ::every]
    light = spread(gate.grid, picture.shape, every)
    seen = picture.signal[:, ::every, ::every]
    chosen = None if where is None else where[lattice]
    at_base = None if base_place is None or not base_place[lattice].any() else base_place[lattice]
    report: dict[str, dict[str, float | None]] = {}
    for index, name in enumerate(picture.channels):
        values, lights = (
            plane.ravel() if chosen is None else plane[chosen]
            for plane in (seen[index], light[index])
        )
        densities = density(values, lights, ratio=ratio)
        of_base = None
        if base is not None and name in base:
            beside = light[index] if at_base is None else light[index][at_base]
            of_base = float(density(base[name], float(np.median(beside)), ratio=ratio))
        p1, p50, p99 = np.percentile(densities, (1, 50, 99), method="nearest")
        report[name] = {"base": of_base, "p1": p1, "p50": p50, "p99": p99}
    return report


def density_planes(
    frame: Survey,
    open_gate: Survey,
    ratio: float = 1.0,
    dark: Survey | None = None,
    dark_ratios: tuple[float, float] = (1.0, 1.0),
) -> FloatArray:
    """Return the density at each pixel of a survey, shape (channels, height, width).

    Parameters
    ----------
    frame, open_gate
        Surveys of the film and of the light without it, of one kind of sensor.
    ratio
        How many times the frame's exposure is that of the open gate.
    dark
        Survey of a frame with the lamp off, None for none: what it shows is taken off both.
    dark_ratios
        How many times the exposures of the frame and of the open gate are that of ``dark``.

    Raises
    ------
    ValueError
        When the surveys differ in size or channels.
    """
    for other in (open_gate, dark):
        if other is not None and (
            other.channels != frame.channels or other.signal.shape != frame.signal.shape
        ):
            raise ValueError("the pictures come from different sensors")
    film, light = frame.signal, open_gate.signal
    if dark is not None:
        film = film - dark.signal * np.float32(dark_ratios[0])
        light = light - dark.signal * np.float32(dark_ratios[1])
    return density(film, light, ratio=ratio)
