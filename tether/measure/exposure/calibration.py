"""The light that a roll's clear film lets through: what the roll's exposure is set by."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from tether.film import FilmFormat, FilmProcess
from tether.measure.context import FrameContext
from tether.measure.density import density
from tether.measure.exposure.advice import exposure_ratio
from tether.measure.frame import FrameMeasurement, measure_frame
from tether.measure.levels import FULL, main_channels, stops, with_observed_saturation
from tether.measure.light.flat import spread
from tether.measure.roll.memory import OpenGate
from tether.measure.shapes import middle_area
from tether.measure.survey import survey
from tether.raw import Mosaic
from tether.settings import ExposureSettings, Settings

_DARK_EV = -9.0
"""Stops from saturation below which an even view is darkness and not film."""
_NO_FILM_DENSITY = 0.02
"""Density over the open gate below which no film lies in the gate; the clearest bases have 0.03
(from memory)."""


class Seen(StrEnum):
    """What a view shows of the film's clear part."""

    BLANK = "blank film"
    REBATE = "rebate"
    HIGHLIGHTS = "highlights"
    NOTHING = "nothing clear"
    DARKNESS = "darkness"
    NO_FILM = "no film"

    @property
    def usable(self) -> bool:
        """Whether an exposure can be set by it."""
        return self in (Seen.BLANK, Seen.REBATE, Seen.HIGHLIGHTS)


@dataclass(frozen=True, slots=True)
class ClearFilm:
    """What was seen of a roll's clear film.

    Attributes
    ----------
    seen
        Where it was seen.
    signal
        Per channel, relative to saturation; empty where nothing usable was seen.
    ev
        Its strongest channel in stops from saturation; None as above.
    clipped
        Whether that channel is saturated, so that the real level is not known.
    """

    seen: Seen
    signal: dict[str, float]
    ev: float | None
    clipped: bool = False

    def stops_to_target(self, settings: ExposureSettings) -> float:
        """Return how much light to add to bring it to the target, negative for less."""
        if self.clipped or self.ev is None:
            return settings.from_saturation_ev
        return settings.base_target_ev - self.ev


def clear_film(
    mosaic: Mosaic,
    process: FilmProcess,
    film_format: FilmFormat,
    settings: Settings | None = None,
    gate: OpenGate | None = None,
    seconds: float | None = None,
) -> ClearFilm:
    """Find a roll's clear film in a view: blank film, the rebate, or a slide's highlights.

    Parameters
    ----------
    mosaic
        Blank film, or a frame with its rebate in view. Of a transparency the frame with the
        lightest picture, or film that daylight has cleared.
    process, film_format
        The film.
    settings
        Targets and limits.
    gate
        The open gate where it is known: it tells blank film from no film.
    seconds
        Shutter time as the camera has it; None takes the file's.
    """
    settings = settings or Settings()
    mosaic = with_observed_saturation(mosaic)
    context = FrameContext(process, film_format, settings=settings)
    measured = measure_frame(mosaic, context)
    if not process.is_negative:
        return _highlights(measured, settings.exposure)
    codes = {finding.code for finding in measured.findings}
    base = measured.base
    if base is not None and base.source == "rebate":
        return ClearFilm(Seen.REBATE, dict(base.signal), base.ev, base.clipped)
    if "even-view" in codes:
        return _blank(mosaic, context, gate, seconds)
    if base is None:
        return ClearFilm(Seen.DARKNESS, {}, None)
    if base.clipped:
        return ClearFilm(Seen.REBATE, dict(base.signal), base.ev, clipped=True)
    return ClearFilm(Seen.NOTHING, {}, None)


def _blank(
    mosaic: Mosaic, context: FrameContext, gate: OpenGate | None, seconds: float | None
) -> ClearFilm:
    """Measure a view that is even all over."""
    picture = survey(mosaic)
    where = (
        middle_area(mosaic.shape, None, context.film_format)
        .scaled(1 / picture.step)
        .mask(picture.shape)
    )
    signal = {
        name: float(np.median(picture.signal[i][where])) for i, name in enumerate(picture.channels)
    }
    strongest = max(signal.values())
    if strongest >= FULL:
        return ClearFilm(Seen.BLANK, {n: min(v, 1.0) for n, v in signal.items()}, 0.0, clipped=True)
    if float(stops(strongest)) < _DARK_EV:
        return ClearFilm(Seen.DARKNESS, {}, None)
    now = (seconds or mosaic.exposure_seconds, mosaic.iso, mosaic.f_number)
    # A strobe's power may have been turned since the open gate: how light it was says nothing here.
    comparable = gate is not None and not context.settings.light.strobe
    ratio = exposure_ratio(now, gate.exposure) if gate is not None and comparable else None
    if gate is not None and gate.channels == picture.channels and ratio is not None:
        which = main_channels(picture.channels)
        light = spread(gate.grid, picture.shape)
        taken = density(picture.signal[which][:, where], light[which][:, where], ratio=ratio)
        if float(np.median(taken)) < _NO_FILM_DENSITY:
            return ClearFilm(Seen.NO_FILM, {}, None)
    return ClearFilm(Seen.BLANK, signal, float(stops(strongest)))


def _highlights(measured: FrameMeasurement, settings: ExposureSettings) -> ClearFilm:
    """Take the lightest thousandth of a transparency's picture."""
    if any(finding.code == "blank-frame" for finding in measured.findings):
        return ClearFilm(Seen.DARKNESS, {}, None)
    headroom = measured.headroom_picture_ev
    ev = -min(headroom.values())
    clipped = ev >= float(stops(FULL)) or any(
        share > settings.clipped_share for share in measured.saturated_picture.values()
    )
    return ClearFilm(
        Seen.HIGHLIGHTS, {name: float(2.0**-v) for name, v in headroom.items()}, ev, clipped
    )
