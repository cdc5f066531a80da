"""What is found about lens and lamp from the frames of a roll: focus, dust, drifts."""

from __future__ import annotations

from collections.abc import Mapping

from tether.findings.kind import (
    COUNTED,
    FOCUS,
    LIGHT_TEST,
    LOOK,
    MEASURED,
    NOTE,
    RESHOOT,
    FindingKind,
    Words,
)

_PARALLEL = (
    "Make sensor and film parallel (a mirror in the gate must show the lens in the middle), focus "
    "again and repeat the frame."
)
_OF_REFERENCE = "of the reference"
_DRIFTED = "The light has {way} by {stops:.2g} stops since frame {frame}."
EVENED_OUT = (
    "Positives are evened out by it; the dark side's noise and the light side's headroom are not."
)
"""What a flat field that is uneven does and does not do, in a sentence."""

BENCH: Mapping[str, FindingKind] = {
    "out-of-focus": FindingKind(
        RESHOOT,
        MEASURED,
        "The grain is soft: {percent:.0f} % of the sharpness of the roll's frames in focus.",
        "Focus on the grain with the live view magnified and repeat the frame.",
        _OF_REFERENCE,
        steps=("focus-lock",),
    ),
    "one-side-soft": FindingKind(
        RESHOOT,
        MEASURED,
        "Sharpness falls off toward the {side}, to {percent:.0f} % of that of the roll's "
        "frames in focus.",
        _PARALLEL,
        _OF_REFERENCE,
        cases={
            "soft-all-over": Words(
                "The grain is soft, least so toward the {side}: {percent:.0f} % of the sharpness "
                "of the roll's frames in focus.",
                _PARALLEL,
                _OF_REFERENCE,
            ),
        },
        steps=("stand-square", "focus-lock"),
    ),
    "focus-drift": FindingKind(
        LOOK,
        MEASURED,
        "Sharpness has been falling over the last {frames} frames, to {percent:.0f} %.",
        "Focus again, and see whether column, lens or film holder gives way.",
        "of the first frame",
        helps=FOCUS,
        brief="focus again",
    ),
    "dust-not-on-film": FindingKind(
        LOOK,
        MEASURED,
        "{spots} in the same place in frame after frame, the darkest {where}: dust on "
        "lens, sensor or lamp, and not on the film.",
        "Stop and clean before the next frame: first the lamp's cover, then the lens, and "
        "the sensor only as its maker says. The frames before it have the same spots: look "
        "whether they are good enough.",
        "spots",
        steps=("lens-clean",),
    ),
    "light-drift": FindingKind(
        NOTE,
        MEASURED,
        _DRIFTED,
        "Check the lamp, its supply and its dimmer; then test the light again.",
        "stops",
        cases={
            "strobe": Words(
                _DRIFTED,
                "Check the strobe: its charge, its power, its place; then test the light again.",
                "stops",
            ),
        },
        helps=LIGHT_TEST,
        brief="check the lamp",
    ),
    "lamp-colour-drift": FindingKind(
        NOTE,
        MEASURED,
        "The lamp has become {way} by {stops:.2g} stops of red against blue since frame {frame}.",
        "Let it warm up, or check its supply; then test the light again.",
        "stops of red over blue",
        helps=LIGHT_TEST,
        brief="check the lamp",
    ),
    "light-moved": FindingKind(
        LOOK,
        MEASURED,
        "The light lies differently from the open gate: {stops:.1f} stops more on the "
        "{lighter} side than on the {darker} one.",
        "Put lamp and holder back where they were, or test the light again.",
        "stops",
        helps=LIGHT_TEST,
        brief="test the light again",
    ),
    "gate-uneven": FindingKind(
        NOTE,
        MEASURED,
        "The roll's open gate is {percent:.0f} % uneven. " + EVENED_OUT,
        "Centre the lamp under the gate and test the light again.",
        "%",
        helps=LIGHT_TEST,
    ),
    "flat-stale": FindingKind(
        NOTE,
        COUNTED,
        "The open gate was photographed {hours:.0f} hours ago.",
        "Photograph it again: lamps age and warm up, and benches get moved.",
        "h",
        helps=LIGHT_TEST,
        brief="test the light again",
    ),
}
"""Codes about what stays on the bench from frame to frame."""
