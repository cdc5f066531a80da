"""What is found about the light without film: open gate, lamp off, flicker."""

from __future__ import annotations

from collections.abc import Mapping

from tether.findings.kind import (
    COUNTED,
    ESTIMATED,
    LOOK,
    MEASURED,
    NOTE,
    RESHOOT,
    FindingKind,
    Words,
)

_CLIPPED = "The open gate is clipped: its evenness and colour cannot be measured."
_NO_LIGHT = "Hardly any light reaches the sensor."
_CENTRE = (
    "Centre the lamp under the gate. Raise the film above its diffuser. Set the lens to about f/8. "
    "Photograph the open gate again."
)
_REBATE_BANDS = (
    "The lamp flickers: {bands:.0f} bands along the rows, {percent:.1f} % strong, in the rebate on "
    "both sides."
)
_BANDS = "The lamp flickers: {bands:.0f} bands along the rows, {percent:.1f} % strong."
_DIRECT = (
    ", with the lamp dimmed to suit, or use a lamp that runs on direct current. Then run the light "
    "test again."
)
_PERIODS = (
    ", with the lamp dimmed to suit. Over whole periods of mains light (1/100 s or 1/120 s) "
    "flicker averages to under 1 %. Or use a lamp that runs on direct current."
)
_POWER = "The open gate is {below:.1f} stops below clipping. The target is {target:.1f} stops."

LIGHT: Mapping[str, FindingKind] = {
    "light-saturated": FindingKind(
        RESHOOT,
        COUNTED,
        _CLIPPED,
        "Give {count} stops less light and photograph the open gate again.",
        "EV",
        cases={
            "strobe": Words(
                _CLIPPED,
                "Give {count} stops less light: {turn}. Then photograph the open gate again.",
                "EV",
            ),
        },
    ),
    "light-too-dark": FindingKind(
        RESHOOT,
        MEASURED,
        _NO_LIGHT,
        "Check that the lamp is on and the lens cap is off. Then give more light.",
        "EV",
        cases={
            "strobe": Words(
                _NO_LIGHT,
                "Check that the strobe fired and the lens cap is off. Then give more light.",
                "EV",
            ),
        },
    ),
    "light-uneven": FindingKind(
        LOOK,
        MEASURED,
        "The light is uneven: the {darkest} part is {percent:.0f} % ({stops:.1f} stops) darker "
        "than the {brightest} part.",
        _CENTRE,
        "%",
        cases={
            "one-place": Words(
                "The light is uneven: it differs by {percent:.0f} % ({stops:.1f} stops) within the "
                "{darkest} part.",
                _CENTRE + " Is there film in the gate?",
                "%",
            ),
        },
    ),
    "gate-spots": FindingKind(
        LOOK,
        MEASURED,
        "The open gate shows {spots}: dust on the lens, the sensor or the lamp.",
        "Clean them, and photograph the open gate again. The flat field leaves the spots out.",
        "spots",
    ),
    "lamp-changed": FindingKind(
        LOOK,
        MEASURED,
        "The lamp gives {stops:.1f} stops {way} light than at the light test before.",
        "Check its dimmer, its supply and its distance; then find the base exposure again.",
        "stops",
    ),
    "lamp-flicker": FindingKind(
        LOOK + RESHOOT,
        MEASURED,
        _BANDS,
        "Set the shutter to {time}" + _PERIODS,
        "%",
        cases={
            "time": Words(_BANDS, "Expose {time:g} s or a multiple of it" + _PERIODS, "%"),
            "rebate": Words(_REBATE_BANDS, "Expose {time}" + _DIRECT, "%"),
            "rebate-time": Words(
                _REBATE_BANDS, "Expose {time:g} s or a multiple of it" + _DIRECT, "%"
            ),
        },
    ),
    "white-balance-off": FindingKind(
        NOTE,
        MEASURED,
        "The camera's white balance is {stops:.1f} stops from the lamp's colour.",
        "Fix it to the lamp (daylight lamp: 5000 K or daylight; incandescent: tungsten), never "
        "automatic. The raw values do not change.",
        "EV",
    ),
    "light-metered": FindingKind(
        NOTE,
        ESTIMATED,
        "The open gate is at {stops} from clipping, near a meter's mid-grey: it looks grey and not "
        "white.",
        unit="EV",
    ),
    "strobe-power": FindingKind(
        NOTE + RESHOOT,
        MEASURED,
        _POWER,
        "Good enough. For a finer measurement give {stops:.1f} stops {way}: {turn}.",
        "stops",
        cases={
            "far": Words(
                _POWER,
                "Give {stops:.1f} stops {way} light: {turn}. Then photograph the open gate again.",
                "stops",
            ),
        },
    ),
    "lamp-still-on": FindingKind(
        RESHOOT,
        MEASURED,
        "{share} of the lamp's light reaches the sensor: the lamp seems to be on.",
        "Switch it off, or lay a black card over the gate, and measure again.",
        "share of the open gate",
    ),
    "room-light": FindingKind(
        LOOK + RESHOOT,
        MEASURED,
        "Light of the room falls on the film: the black around the picture has {share} of the "
        "film base's light.",
        "Switch off the room light, shade the film from windows and screens, and reshoot.",
        "share of the film base",
        cases={
            "slide": Words(
                "Light of the room falls on the film: the black around the picture has {share} "
                "of a slide's brightest light.",
                "Switch off the room light, shade the film from windows and screens, and reshoot.",
                "share of the brightest light",
            ),
        },
    ),
    "stray-light": FindingKind(
        LOOK,
        MEASURED,
        "With the lamp off, {share} of its light still reaches the sensor.",
        "Switch off the room light, shade the film from windows and screens, and mask the lamp "
        "around the gate.",
        "share of the open gate",
    ),
}
"""Codes of the light test and of `tether light`, and of room light on a frame."""
