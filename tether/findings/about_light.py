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

_SATURATED = "The open gate is saturated: neither evenness nor colour can be measured."
_NO_LIGHT = "Hardly any light reaches the sensor."
_CENTRE = (
    "Centre the lamp under the gate, raise the film above its diffuser, stop the lens down to "
    "about f/8, and photograph the open gate again."
)
_REBATE_BANDS = (
    "The lamp flickers: {bands:.0f} bands along the rows run through the rebate on both sides, "
    "{percent:.1f} % strong."
)
_BANDS = "The lamp flickers: {bands:.0f} bands along the rows, {percent:.1f} % strong."
_DIRECT = (
    ", with the lamp dimmed to suit, or use a lamp that runs on direct current; then test the "
    "light again."
)
_PERIODS = (
    " with the lamp dimmed to suit: whole periods of mains light (1/100 s or 1/120 s) average "
    "out. Or use a lamp that runs on direct current."
)
_POWER = (
    "The open gate lies {below:.1f} stops below saturation, and should lie {target:.1f} below it."
)

LIGHT: Mapping[str, FindingKind] = {
    "light-saturated": FindingKind(
        RESHOOT,
        COUNTED,
        _SATURATED,
        "Give {count} stops less light and photograph the open gate again.",
        "EV",
        cases={
            "strobe": Words(
                _SATURATED,
                "Give {count} stops less light: {turn}. Then photograph the open gate again.",
                "EV",
            ),
        },
    ),
    "light-too-dark": FindingKind(
        RESHOOT,
        MEASURED,
        _NO_LIGHT,
        "See whether the lamp is on and the lens cap is off; then give more light.",
        "EV",
        cases={
            "strobe": Words(
                _NO_LIGHT,
                "See whether the strobe fired and the lens cap is off; then give more light.",
                "EV",
            ),
        },
    ),
    "light-uneven": FindingKind(
        LOOK,
        MEASURED,
        "The light is uneven: the {darkest} has {percent:.0f} % ({stops:.2f} stops) less "
        "than the {lightest}.",
        _CENTRE,
        "%",
        cases={
            "one-place": Words(
                "The light is uneven: it differs by {percent:.0f} % ({stops:.2f} stops) within the "
                "{darkest}.",
                _CENTRE,
                "%",
            ),
        },
    ),
    "lamp-flicker": FindingKind(
        LOOK + RESHOOT,
        MEASURED,
        _BANDS,
        "Set the shutter to {time}" + _PERIODS,
        "%",
        cases={
            "time": Words(_BANDS, "Expose {time:g} s or a multiple of it," + _PERIODS, "%"),
            "rebate": Words(_REBATE_BANDS, "Expose {time}" + _DIRECT, "%"),
            "rebate-time": Words(
                _REBATE_BANDS, "Expose {time:g} s or a multiple of it" + _DIRECT, "%"
            ),
        },
    ),
    "white-balance-off": FindingKind(
        NOTE,
        MEASURED,
        "The white balance set is {stops:.1f} stops from the lamp's colour.",
        "Set it to the lamp (daylight lamp: 5000 K or daylight; incandescent: tungsten) "
        "and never to automatic. The raw values do not change by it.",
        "EV",
    ),
    "light-metered": FindingKind(
        NOTE,
        ESTIMATED,
        "The open gate lies {stops} from saturation, where a meter puts every even field: "
        "it looks grey and not white.",
        unit="EV",
    ),
    "strobe-power": FindingKind(
        NOTE + RESHOOT,
        MEASURED,
        _POWER,
        "It will do. For a finer look give {stops:.1f} stops {way}: {turn}.",
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
        "As much as {share} of the lamp's light reaches the sensor: the lamp seems to be on still.",
        "Switch it off, or lay a black card over the gate, and photograph it again.",
        "share of the open gate",
    ),
    "stray-light": FindingKind(
        LOOK,
        MEASURED,
        "With the lamp off, {share} of its light still reaches the sensor.",
        "Switch the room light off, shade the film from windows and screens, and mask the "
        "lamp around the gate.",
        "share of the open gate",
    ),
}
"""Codes of the light test and of `tether light`."""
