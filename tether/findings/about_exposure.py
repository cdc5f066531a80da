"""What is found about a frame's exposure, and the words for a change of light."""

from __future__ import annotations

from collections.abc import Mapping

from tether.findings.kind import (
    BASE_EXPOSURE,
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
_TOO_DARK = "Nothing in view is bright enough to be film base."
_CHANGED = "The film base is {stops:.1f} stops {way} than on earlier frames at these settings."
_NO_REBATE = "Nothing in view is as bright as the rebate of earlier frames."
_CLIPPED = "{share} of the {channel} photosites in the picture are clipped."
_SHARE = "share of the channel's photosites"

EXPOSURE: Mapping[str, FindingKind] = {
    "too-dark": FindingKind(
        RESHOOT,
        MEASURED,
        _TOO_DARK,
        "Check that the lamp is on and the lens cap is off. Give more light.",
        cases={
            "strobe": Words(
                _TOO_DARK,
                "Check that the strobe fired, its power, and that the lens cap is off.",
            ),
        },
    ),
    "base-saturated": FindingKind(
        RESHOOT,
        COUNTED,
        "The film base is clipped: the clear parts of the negative are lost.",
        "{advice}",
        _EV,
    ),
    "picture-saturated": FindingKind(
        RESHOOT,
        COUNTED,
        _CLIPPED,
        "{advice}",
        _SHARE,
        cases={"no-advice": Words(_CLIPPED, "Give one stop less light.", _SHARE)},
        helps=BASE_EXPOSURE,
        brief="set the base exposure again on this frame",
    ),
    "base-off-target": FindingKind(
        NOTE + LOOK + RESHOOT,
        ESTIMATED,
        "The film base is {stops:.1f} stops {side} the target.",
        "{advice}",
        _EV,
        cases={
            "open-gate": Words(
                "Judged by the open gate, the film base is at least {stops:.1f} stops below the "
                "target.",
                "{advice}",
                _EV,
            ),
            "picture": Words(
                "The brightest tone is {stops:.1f} stops below the target for the film base.",
                "{advice}",
                _EV,
            ),
        },
    ),
    "light-changed": FindingKind(
        LOOK + RESHOOT,
        MEASURED,
        _CHANGED,
        "Check that the lamp was not moved or {turned}, and that this is the same film.",
        "stops",
        cases={
            "strobe": Words(
                _CHANGED,
                "Expected if you changed the strobe's power. If not, check that it was charged and "
                "that this is the same film.",
                "stops",
            ),
            "no-rebate": Words(
                _NO_REBATE,
                "Check that the lamp was not dimmed. Or stray light has struck the film here.",
            ),
            "no-rebate-strobe": Words(
                _NO_REBATE,
                "Check that the strobe fired. Or stray light has struck the film here.",
            ),
        },
        helps=LIGHT_TEST,
        brief="check the lamp",
    ),
    "rebate-not-seen": FindingKind(
        NOTE,
        ESTIMATED,
        "No rebate in view, so the brightest tone was taken as the film base.",
        "Show a little rebate, at least on the first frames.",
    ),
    "highlights-below-target": FindingKind(
        NOTE + LOOK,
        MEASURED,
        "The highlights are {stops:.1f} stops below clipping.",
        "{advice} A dark picture at the roll's own exposure may stay as it is.",
        _EV,
    ),
    "shadows-in-noise": FindingKind(
        NOTE,
        ESTIMATED,
        "{share} of the picture is as dark as the sensor's noise ({floor:.1f} stops below "
        "clipping).",
        "If the shadows matter, shoot another take with {bracket:.0f} stops more light.",
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
        return f"{by}: nearest shutter time {shutter}; adjust the lamp or aperture for the rest."
    return f"{by}."


def turn_power(ev: float, by: str = "as much") -> str:
    """Say how a strobe's light is changed by ``ev`` stops; ``by`` is the amount in words.

    Aperture and shutter stay: the one is chosen for sharpness, the other changes nothing.
    """
    way, move = ("up", "nearer") if ev > 0 else ("down", "farther away")
    return f"turn the strobe's power {way} by {by}, or move it {move} (aperture and shutter stay)"
