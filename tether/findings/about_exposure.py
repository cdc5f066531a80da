"""What is found about a frame's exposure, and the words for a change of light."""

from __future__ import annotations

from collections.abc import Mapping

from tether.findings.kind import (
    COUNTED,
    ESTIMATED,
    LIGHT_TEST,
    LOOK,
    MEASURED,
    NOTE,
    RESHOOT,
    FindingKind,
    Words,
)

_EV = "stops from saturation"
_TOO_DARK = "Nothing in the view is light enough to be film base."
_CHANGED = (
    "The base is {stops:.1f} stops {way} than the frames before lead to expect at the camera's "
    "settings."
)
_NO_REBATE = "Nothing in the view has the light of the rebate that the frames before showed."
_SATURATED = "{share} of the {channel} photosites in the picture are saturated."

EXPOSURE: Mapping[str, FindingKind] = {
    "too-dark": FindingKind(
        RESHOOT,
        MEASURED,
        _TOO_DARK,
        "See whether the lamp is on and the lens cap off; give more light.",
        cases={
            "strobe": Words(
                _TOO_DARK,
                "See whether the strobe fired, and at its power, and whether the lens cap is off.",
            ),
        },
    ),
    "base-saturated": FindingKind(
        RESHOOT,
        COUNTED,
        "The film base is saturated: what is clear in the picture is lost.",
        "{advice}",
        _EV,
    ),
    "picture-saturated": FindingKind(
        RESHOOT,
        COUNTED,
        _SATURATED,
        "{advice}",
        "share of the channel's photosites",
        cases={
            "no-advice": Words(
                _SATURATED, "Give a stop less light.", "share of the channel's photosites"
            ),
        },
    ),
    "base-off-target": FindingKind(
        NOTE + LOOK + RESHOOT,
        ESTIMATED,
        "The film base lies {stops:.1f} stops {side} the target.",
        "{advice}",
        _EV,
        cases={
            "open-gate": Words(
                "By the open gate the film base lies at least {stops:.1f} stops below the target.",
                "{advice}",
                _EV,
            ),
            "picture": Words(
                "The lightest tone lies {stops:.1f} stops below the target for the base.",
                "{advice}",
                _EV,
            ),
        },
    ),
    "light-changed": FindingKind(
        LOOK,
        MEASURED,
        _CHANGED,
        "See whether the lamp was moved or {turned}, or whether this is another film.",
        "stops",
        cases={
            "strobe": Words(
                _CHANGED,
                "If you have turned the strobe's power, that is what it shows; else see whether it "
                "was charged, or whether this is another film.",
                "stops",
            ),
            "no-rebate": Words(
                _NO_REBATE,
                "See whether the lamp was dimmed, or whether light has struck the film here.",
            ),
            "no-rebate-strobe": Words(
                _NO_REBATE,
                "See whether the strobe fired, or whether light has struck the film here.",
            ),
        },
        helps=LIGHT_TEST,
        brief="check the lamp",
    ),
    "rebate-not-seen": FindingKind(
        NOTE,
        ESTIMATED,
        "No rebate was found in the view, so the lightest tone of the picture stands for the base.",
        "Leave a little of the rebate in view, on the first frames at least.",
    ),
    "highlights-below-target": FindingKind(
        NOTE + LOOK,
        MEASURED,
        "The highlights lie {stops:.1f} stops below saturation.",
        "{advice} A dark picture at the roll's own exposure may stay as it is.",
        _EV,
    ),
    "shadows-in-noise": FindingKind(
        NOTE,
        ESTIMATED,
        "{share} of the picture is as dark as the sensor's noise ({floor:.1f} stops below "
        "saturation).",
        "If the shadows matter, add a frame with {bracket:.0f} stops more light.",
        "share of the picture",
    ),
}
"""Codes about the exposure of negatives and transparencies."""


def advice_words(
    ev: float, shutter: str | None, *, reaches: bool, strobe: bool, at_least: bool = False
) -> str:
    """Say how a frame's light is changed by ``ev`` stops, one sentence; "" for hardly at all.

    ``shutter`` is the camera's setting for it, None where none is known, and ``reaches`` whether
    that is enough. Under a ``strobe`` no shutter time changes the light. ``at_least`` where it
    cannot be seen how much is enough.
    """
    if abs(ev) < 0.05:
        return ""
    least = "at least " if at_least else ""
    by = f"Give {least}{abs(ev):.1f} stops {'more' if ev > 0 else 'less'} light"
    if strobe:
        return f"{by}: {turn_power(ev)}."
    if shutter and reaches:
        return f"{by}: set the shutter to {shutter}."
    if shutter:
        return f"{by}: the shutter's nearest is {shutter}; change the lamp or the aperture."
    return f"{by}."


def turn_power(ev: float, by: str = "as much") -> str:
    """Say how a strobe's light is changed by ``ev`` stops; ``by`` is the amount in words.

    Aperture and shutter stay: the one is chosen for sharpness, the other changes nothing.
    """
    way, move = ("up", "nearer") if ev > 0 else ("down", "farther away")
    return f"turn the strobe's power {way} by {by}, or move it {move} (aperture and shutter stay)"
