"""How a frame is exposed, what is wrong with it, and which setting puts it right."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tether.facts import ExposureValues
from tether.findings import Finding, Severity
from tether.findings.about_exposure import advice_words
from tether.measure.exposure.base import Base
from tether.measure.exposure.saturation import Shadows
from tether.settings import ExposureSettings
from tether.text import percent


def nearest_exposure(
    shutters: Sequence[tuple[str, float]], seconds: float, ev: float
) -> tuple[str, float] | None:
    """Return the (label, seconds) on a camera's list nearest to a change of ``ev`` stops.

    Distance is measured in stops: exposure is proportional to time (ISO 12232). None when the
    list is empty.
    """
    wanted = seconds * 2.0**ev
    usable = [s for s in shutters if s[1] > 0]
    return min(usable, key=lambda s: abs(float(np.log2(s[1] / wanted))), default=None)


def exposure_ratio(
    now: ExposureValues,
    then: ExposureValues,
    *,
    strobe: bool = False,
) -> float | None:
    """Return the ratio of raw signal that two settings of the camera give for the same light.

    Exposure is proportional to ``t / N²`` (ISO 12232, known) and the
    raw value to ISO as well (ISO 12232). A value that one of them does not know counts as equal;
    None where the times are not both known. A ``strobe`` is over long before the shutter closes:
    its light does not depend on the time, so that only ISO and aperture count.
    """
    ratio = 1.0
    if not strobe:
        if not now[0] or not then[0]:
            return None
        ratio = now[0] / then[0]
    if now[1] and then[1]:
        ratio *= now[1] / then[1]
    if now[2] and then[2]:
        ratio *= (then[2] / now[2]) ** 2
    return ratio


def strongest(values: Mapping[str, float]) -> str:
    """Return the name with the greatest value."""
    return max(values, key=lambda name: values[name])


Shutters = tuple[tuple[str, float], ...]

EXPOSURE_CODES = frozenset({"base-off-target", "base-saturated", "picture-saturated", "too-dark"})
"""Findings that ask for another exposure of the same frame."""

_CLIPPED_STEP_EV = 1.0


@dataclass(frozen=True, slots=True)
class Advice:
    """How much light to add (stops, negative for less) and the camera's own setting for it.

    ``shutter`` is None where nothing is to be changed, or the camera's list is not known, or the
    light is a ``strobe``, which no shutter time changes; ``reaches`` is False where no setting on
    the list comes within a third of a stop. ``at_least`` says that what is to be changed is
    saturated or lost in the dark, so that nobody can say how much is enough.
    """

    ev: float
    shutter: str | None
    reaches: bool = True
    strobe: bool = False
    at_least: bool = False

    @property
    def words(self) -> str:
        """What to do, one sentence."""
        return advice_words(
            self.ev, self.shutter,
            reaches=self.reaches, strobe=self.strobe, at_least=self.at_least,
        )  # fmt: skip


def advise(
    ev: float,
    shutter: tuple[str, float] | None,
    shutters: Shutters,
    tolerance: float,
    *,
    strobe: bool = False,
    at_least: bool = False,
) -> Advice:
    """Return the advice for a change of ``ev`` stops.

    Parameters
    ----------
    ev
        Stops of light to add.
    shutter, shutters
        The setting in force and the camera's own list, each (label, seconds).
    tolerance
        Stops within which nothing is to be changed.
    strobe
        The light is a strobe: no shutter time is named.
    at_least
        See `Advice`.
    """
    plain = Advice(ev, None, strobe=strobe, at_least=at_least)
    if strobe or abs(ev) <= tolerance or shutter is None:
        return plain
    near = nearest_exposure(shutters, shutter[1], ev)
    if near is None or near[0] == shutter[0]:
        return plain
    off = abs(_stops(near[1] / shutter[1]) - ev)
    return replace(plain, shutter=near[0], reaches=off <= max(tolerance, 0.34))


def negative_findings(
    base: Base | None,
    advice: Advice,
    saturated_picture: dict[str, float],
    expected_ev: float | None,
    settings: ExposureSettings,
    lightest_ev: float = -16.0,
    *,
    highest_ev: float | None = None,
    pictures: int = 0,
    rebate_missing: bool = False,
) -> list[Finding]:
    """Say what is wrong with a negative's exposure.

    Parameters
    ----------
    base
        The base, None where nothing in the view can be base.
    advice
        What would bring it to the target.
    saturated_picture
        Share of saturated photosites per channel in the picture.
    expected_ev
        Where the roll's earlier frames lead to expect the base, in stops from saturation.
    lightest_ev
        The lightest part of the whole view, in stops from saturation.
    highest_ev
        Where the base lies at the highest by the open gate, None where that is not known.
    pictures
        Earlier pictures whose lightest tones stand for the base as well.
    rebate_missing
        Whether the roll's earlier frames showed their rebate and nothing here has its light.
    """
    if base is None:
        return [Finding.of("too-dark", case="strobe" if advice.strobe else "")]
    findings = []
    worst = strongest(saturated_picture) if saturated_picture else ""
    share = saturated_picture.get(worst, 0.0)
    if base.clipped:
        advised = advice.words or "Give less light."
        findings.append(Finding.of("base-saturated", round(base.ev, 3), advice=advised))
    elif share > settings.clipped_share:
        findings.append(_saturated(worst, share, advice))
    if not base.clipped and abs(advice.ev) > settings.base_tolerance_ev:
        findings.append(_off_target(base, advice, settings, lightest_ev, highest_ev, pictures))
    if expected_ev is not None and base.source == "rebate" and not base.clipped:
        findings += _light_changed(base.ev - expected_ev, settings, strobe=advice.strobe)
    if rebate_missing and base.source == "roll":
        # More than a stop too dark weighs as much as more than a stop too bright.
        dark = expected_ev is not None and lightest_ev < expected_ev - 1
        findings.append(
            Finding.of(
                "light-changed",
                severity=Severity.RESHOOT if dark else Severity.LOOK,
                case="no-rebate-strobe" if advice.strobe else "no-rebate",
            )
        )
    if base.source == "picture":
        findings.append(Finding.of("rebate-not-seen"))
    return findings


def _off_target(
    base: Base,
    advice: Advice,
    settings: ExposureSettings,
    lightest_ev: float,
    highest_ev: float | None,
    pictures: int,
) -> Finding:
    """Say that the base is off its target; see `negative_findings`.

    The lightest tone of a picture may lie far below the base, so that too little light is claimed
    only where the open gate leaves no other choice, where many pictures agree, or far below.
    """
    case, off = "", abs(advice.ev)
    severity = Severity.RESHOOT if off > 1 else Severity.LOOK
    if base.source == "picture" and advice.ev > 0:
        least = settings.base_target_ev - highest_ev if highest_ev is not None else -math.inf
        if least > settings.base_tolerance_ev:
            case, off = "open-gate", least
            severity = Severity.RESHOOT if least > 1 else Severity.LOOK
        else:
            case = "picture"
            many = pictures >= settings.unsure_pictures
            limit = settings.unsure_many_ev if many else settings.unsure_ev
            dark = lightest_ev < settings.base_target_ev - limit
            severity = Severity.LOOK if dark and advice.ev > limit else Severity.NOTE
    return Finding.of(
        "base-off-target",
        round(base.ev, 3),
        severity,
        case=case,
        stops=off,
        side="below" if advice.ev > 0 else "above",
        advice=advice.words,
    )


def _light_changed(change: float, settings: ExposureSettings, *, strobe: bool) -> list[Finding]:
    """Say that the base lies ``change`` stops from where the roll leads to expect it."""
    if abs(change) <= settings.light_changed_ev:
        return []
    return [
        Finding.of(
            "light-changed",
            round(change, 3),
            Severity.LOOK,
            case="strobe" if strobe else "",
            stops=abs(change),
            way="brighter" if change > 0 else "darker",
            turned="turned up" if change > 0 else "dimmed",
        )
    ]


def transparency_findings(
    advice: Advice,
    headroom_ev: float,
    saturated_picture: dict[str, float],
    dark: Shadows | None,
    settings: ExposureSettings,
    *,
    settled: bool = False,
) -> list[Finding]:
    """Say what is wrong with a transparency's exposure.

    Parameters
    ----------
    advice
        What would bring the highlights to the target.
    headroom_ev
        The least headroom of the channels in the picture, in stops.
    saturated_picture
        Share of saturated photosites per channel in the picture: nothing of it may saturate.
    dark
        The picture's shadows against the sensor's noise.
    settled
        The roll's highlights, as calibrated or as earlier frames showed them, reach the target at
        this exposure: a picture that is darker than those is then right as it is.
    """
    findings = []
    worst = strongest(saturated_picture) if saturated_picture else ""
    share = saturated_picture.get(worst, 0.0)
    note_ev, look_ev = settings.slide_note_ev, settings.slide_look_ev
    if settled:
        note_ev, look_ev = look_ev, settings.slide_settled_ev
    if share > settings.clipped_share:
        findings.append(_saturated(worst, share, advice))
    elif advice.ev > note_ev:
        # A dark picture at the roll's one exposure is right as it is; only far below is it odd.
        findings.append(
            Finding.of(
                "highlights-below-target",
                round(-headroom_ev, 3),
                Severity.LOOK if advice.ev > look_ev else Severity.NOTE,
                stops=headroom_ev,
                advice=advice.words,
            )
        )
    if dark is not None and dark.lost > settings.lost_share:
        findings.append(
            Finding.of(
                "shadows-in-noise",
                round(dark.lost, 4),
                share=percent(dark.lost),
                floor=-dark.floor_ev,
                bracket=settings.bracket_ev,
            )
        )
    return findings


def clipped_step(settings: ExposureSettings) -> float:
    """Return the change to try first when the base is saturated and its real level not known."""
    return settings.base_target_ev - _CLIPPED_STEP_EV


def _saturated(channel: str, share: float, advice: Advice) -> Finding:
    darker = advice.ev < 0
    return Finding.of(
        "picture-saturated",
        share,
        case="" if darker else "no-advice",
        share=percent(share),
        channel=channel,
        advice=advice.words,
    )


def _stops(ratio: float) -> float:
    return math.log2(ratio) if ratio > 0 else -math.inf
