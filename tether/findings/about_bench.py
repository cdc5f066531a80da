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
    "Make sensor and film parallel: a mirror in the gate must show the lens in the middle. Focus "
    "again and reshoot."
)
_OF_REFERENCE = "of the reference"
_DRIFTED = "Brightness has {way} by {stops:.2g} stops since frame {frame}."
EVENED_OUT = (
    "Positives are corrected for it, but the dark side keeps more noise and the bright side less "
    "headroom."
)
"""What a flat field that is uneven does and does not do, in a sentence."""

BENCH: Mapping[str, FindingKind] = {
    "out-of-focus": FindingKind(
        RESHOOT,
        MEASURED,
        "Out of focus: {percent:.0f} % as sharp as this roll's sharp frames.",
        "Magnify the live view, focus on the grain and reshoot.",
        _OF_REFERENCE,
        steps=("focus-lock",),
    ),
    "one-side-soft": FindingKind(
        RESHOOT,
        MEASURED,
        "Soft toward the {side}: {percent:.0f} % as sharp as this roll's sharp frames.",
        _PARALLEL,
        _OF_REFERENCE,
        cases={
            "soft-all-over": Words(
                "Out of focus, least at the {side}: {percent:.0f} % as sharp as this roll's sharp "
                "frames.",
                _PARALLEL,
                _OF_REFERENCE,
            ),
        },
        steps=("stand-square", "focus-lock"),
    ),
    "focus-drift": FindingKind(
        LOOK,
        MEASURED,
        "Sharpness has fallen over the last {frames} frames, to {percent:.0f} %.",
        "Focus again. Check that stand, lens and film holder do not slip.",
        "of the first frame",
        helps=FOCUS,
        brief="focus again",
    ),
    "dust-not-on-film": FindingKind(
        LOOK,
        MEASURED,
        "Dust on lens, sensor or lamp, not on the film. Frame after frame has {spots} in the same "
        "place, the darkest {where}.",
        "Clean before the next frame: first the lamp's cover, then the lens, and the sensor only "
        "as its maker says. Earlier frames have the same spots: check them.",
        "spots",
        steps=("lens-clean",),
    ),
    "light-drift": FindingKind(
        NOTE,
        MEASURED,
        _DRIFTED,
        "Check the lamp, its supply and its dimmer. Then run the light test again.",
        "stops",
        cases={
            "strobe": Words(
                _DRIFTED,
                "Check the strobe: its charge, its power, its place. Then run the light test "
                "again.",
                "stops",
            ),
        },
        helps=LIGHT_TEST,
        brief="check the lamp",
    ),
    "lamp-colour-drift": FindingKind(
        NOTE,
        MEASURED,
        "The lamp has turned {way} since frame {frame}: {stops:.2g} stops of red against blue.",
        "Let it warm up, or check its supply. Then run the light test again.",
        "stops of red over blue",
        helps=LIGHT_TEST,
        brief="check the lamp",
    ),
    "light-moved": FindingKind(
        LOOK,
        MEASURED,
        "The light has shifted since the light test: {stops:.1f} stops brighter at the {lighter} "
        "than at the {darker}.",
        "Put lamp and holder back where they were, or run the light test again.",
        "stops",
        helps=LIGHT_TEST,
        brief="run the light test again",
    ),
    "gate-uneven": FindingKind(
        NOTE,
        MEASURED,
        "The roll's open gate is {percent:.0f} % uneven. " + EVENED_OUT,
        "Centre the lamp under the gate and run the light test again.",
        "%",
        helps=LIGHT_TEST,
    ),
    "flat-stale": FindingKind(
        NOTE,
        COUNTED,
        "The open gate was photographed {hours:.0f} hours ago.",
        "Photograph it again: lamps change, and benches get moved.",
        "h",
        helps=LIGHT_TEST,
        brief="run the light test again",
    ),
}
"""Codes about what stays on the bench from frame to frame."""
