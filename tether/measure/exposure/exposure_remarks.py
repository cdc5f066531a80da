"""What is said about a frame's exposure, and how it is put right."""

from __future__ import annotations

import math
from dataclasses import dataclass

from tether.findings import Finding, Severity
from tether.measure.exposure.base import Base
from tether.measure.exposure.exposure import nearest_exposure, strongest
from tether.measure.exposure.shadows import Shadows
from tether.settings import Exposure
from tether.text import percent

Shutters = tuple[tuple[str, float], ...]

EXPOSURE_CODES = frozenset({"base-off-target", "base-saturated", "picture-saturated", "too-dark"})
"""Findings that ask for another exposure of the same frame."""

_CLIPPED_STEP_EV = 1.0


@dataclass(frozen=True, slots=True)
class Advice:
    """How much light to add (stops, negative for less) and the camera's own setting for it.

    ``shutter`` is None where nothing is to be changed, or the camera's list is not known, or the
    light is a ``strobe``, which no shutter time changes; ``reaches`` is False where no setting on
    the list comes within a third of a stop.
    """

    ev: float
    shutter: str | None
    reaches: bool = True
    strobe: bool = False

    @property
    def words(self) -> str:
        """What to do, one sentence."""
        if abs(self.ev) < 0.05:
            return ""
        more = "more" if self.ev > 0 else "less"
        by = f"Give {abs(self.ev):.1f} stops {more} light"
        if self.strobe:
            return f"{by}: {turn_power(self.ev)}."
        if self.shutter and self.reaches:
            return f"{by}: set the shutter to {self.shutter}."
        if self.shutter:
            return (
                f"{by}: the shutter's nearest is {self.shutter}; change the lamp or the aperture."
            )
        return f"{by}."


def turn_power(ev: float, by: str = "as much") -> str:
    """Say how a strobe's light is changed by ``ev`` stops; ``by`` is the amount in words.

    Aperture and shutter stay: the one is chosen for sharpness, the other changes nothing.
    """
    if ev > 0:
        return f"turn the strobe's power up by {by}, or move it nearer (aperture and shutter stay)"
    return (
        f"turn the strobe's power down by {by}, or move it farther away (aperture and shutter stay)"
    )


def advise(
    ev: float,
    shutter: tuple[str, float] | None,
    shutters: Shutters,
    tolerance: float,
    *,
    strobe: bool = False,
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
    """
    if strobe:
        return Advice(ev, None, strobe=True)
    if abs(ev) <= tolerance or shutter is None:
        return Advice(ev, None)
    near = nearest_exposure(shutters, shutter[1], ev)
    if near is None or near[0] == shutter[0]:
        return Advice(ev, None)
    off = abs(_stops(near[1] / shutter[1]) - ev)
    return Advice(ev, near[0], off <= max(tolerance, 0.34))


def negative_remarks(
    base: Base | None,
    advice: Advice,
    saturated_picture: dict[str, float],
    expected_ev: float | None,
    settings: Exposure,
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
        return [
            Finding(
                "too-dark",
                Severity.RESHOOT,
                None,
                "",
                "Nothing in the view is light enough to be film base.",
                "See whether the strobe fired, and at its power, and whether the lens cap is off."
                if advice.strobe
                else "See whether the lamp is on and the lens cap off; give more light.",
            )
        ]
    found = []
    worst = strongest(saturated_picture) if saturated_picture else ""
    share = saturated_picture.get(worst, 0.0)
    if base.clipped:
        found.append(
            Finding(
                "base-saturated",
                Severity.RESHOOT,
                round(base.ev, 3),
                "stops from saturation",
                "The film base is saturated: what is clear in the picture is lost.",
                advice.words or "Give less light.",
            )
        )
    elif share > settings.clipped_share:
        found.append(_saturated(worst, share, advice))
    if not base.clipped and abs(advice.ev) > settings.base_tolerance_ev:
        found.append(_off_target(base, advice, settings, lightest_ev, highest_ev, pictures))
    if (
        expected_ev is not None
        and base.source == "rebate"
        and not base.clipped
        and abs(base.ev - expected_ev) > settings.light_changed_ev
    ):
        change = base.ev - expected_ev
        found.append(
            Finding(
                "light-changed",
                Severity.LOOK,
                round(change, 3),
                "stops",
                f"The base is {abs(change):.1f} stops {'lighter' if change > 0 else 'darker'} than "
                "the frames before lead to expect at the camera's settings.",
                "If you have turned the strobe's power, that is what it shows; else see whether it "
                "was charged, or whether this is another film."
                if advice.strobe
                else "See whether the lamp was moved or "
                f"{'turned up' if change > 0 else 'dimmed'}, or whether this is another film.",
            )
        )
    if rebate_missing and base.source == "roll":
        found.append(
            Finding(
                "light-changed",
                Severity.LOOK,
                None,
                "",
                "Nothing in the view has the light of the rebate that the frames before showed.",
                f"See whether {'the strobe fired' if advice.strobe else 'the lamp was dimmed'}, or "
                "whether light has struck the film here.",
            )
        )
    if base.source == "picture":
        found.append(
            Finding(
                "rebate-not-seen",
                Severity.NOTE,
                None,
                "",
                "No rebate was found in the view, so the lightest tone of the picture stands for "
                "the base.",
                "Leave a little of the rebate in view, on the first frames at least.",
            )
        )
    return found


def _off_target(
    base: Base,
    advice: Advice,
    settings: Exposure,
    lightest_ev: float,
    highest_ev: float | None,
    pictures: int,
) -> Finding:
    """Say that the base is off its target; see `negative_remarks`.

    The lightest tone of a picture may lie far below the base, so that too little light is claimed
    only where the open gate leaves no other choice, where many pictures agree, or far below.
    """
    side = "below" if advice.ev > 0 else "above"
    severity = Severity.RESHOOT if abs(advice.ev) > 1 else Severity.LOOK
    text = f"The film base lies {abs(advice.ev):.1f} stops {side} the target."
    if base.source == "picture" and advice.ev > 0:
        least = settings.base_target_ev - highest_ev if highest_ev is not None else -math.inf
        many = pictures >= settings.unsure_pictures
        limit = settings.unsure_many_ev if many else settings.unsure_ev
        dark = lightest_ev < settings.base_target_ev - limit
        if least > settings.base_tolerance_ev:
            severity = Severity.RESHOOT if least > 1 else Severity.LOOK
            text = (
                f"By the open gate the film base lies at least {least:.1f} stops below the target."
            )
        else:
            severity = Severity.LOOK if dark and advice.ev > limit else Severity.NOTE
            text = f"The lightest tone lies {advice.ev:.1f} stops below the target for the base."
    return Finding(
        "base-off-target", severity, round(base.ev, 3), "stops from saturation", text, advice.words
    )


def transparency_remarks(
    advice: Advice,
    headroom_ev: float,
    saturated_picture: dict[str, float],
    dark: Shadows | None,
    settings: Exposure,
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
    found = []
    worst = strongest(saturated_picture) if saturated_picture else ""
    share = saturated_picture.get(worst, 0.0)
    note_ev, look_ev = settings.slide_note_ev, settings.slide_look_ev
    if settled:
        note_ev, look_ev = look_ev, settings.slide_settled_ev
    if share > settings.clipped_share:
        found.append(_saturated(worst, share, advice))
    elif advice.ev > note_ev:
        # A dark picture at the roll's one exposure is right as it is; only far below is it odd.
        found.append(
            Finding(
                "highlights-below-target",
                Severity.LOOK if advice.ev > look_ev else Severity.NOTE,
                round(-headroom_ev, 3),
                "stops from saturation",
                f"The highlights lie {headroom_ev:.1f} stops below saturation.",
                advice.words + " A dark picture at the roll's own exposure may stay as it is.",
            )
        )
    if dark is not None and dark.lost > settings.lost_share:
        found.append(
            Finding(
                "shadows-in-noise",
                Severity.NOTE,
                round(dark.lost, 4),
                "share of the picture",
                f"{percent(dark.lost)} of the picture is as dark as the sensor's noise "
                f"({-dark.floor_ev:.1f} stops below saturation).",
                "If the shadows matter, add a frame with "
                f"{settings.bracket_ev:.0f} stops more light.",
            )
        )
    return found


def clipped_step(settings: Exposure) -> float:
    """Return the change to try first when the base is saturated and its real level not known."""
    return settings.base_target_ev - _CLIPPED_STEP_EV


def _saturated(channel: str, share: float, advice: Advice) -> Finding:
    return Finding(
        "picture-saturated",
        Severity.RESHOOT,
        share,
        "share of the channel's photosites",
        f"{percent(share)} of the {channel} photosites in the picture are saturated.",
        advice.words if advice.ev < 0 else "Give a stop less light.",
    )


def _stops(ratio: float) -> float:
    return math.log2(ratio) if ratio > 0 else -math.inf
