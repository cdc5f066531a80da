"""What is found about the film in the gate: how it lies, which frame it is, if it is blank."""

from __future__ import annotations

from collections.abc import Mapping

from tether.findings.kind import COUNTED, LOOK, MEASURED, NOTE, RESHOOT, FindingKind, Words

_ADVANCE = ("frame-advance",)
_LEFT_OUT = "The film's edge says {seen} where {wanted} should follow: "
_WHICH = (
    "See which frame lies in the gate. If it is the right one all the same, keep it: what follows "
    "is counted from here."
)
_TWICE = (
    "Advance the film and photograph the frame again; if the film really has two frames alike, "
    "keep it."
)

FILM: Mapping[str, FindingKind] = {
    "between-frames": FindingKind(
        RESHOOT,
        MEASURED,
        "The film lies between two frames: {mm:.0f} mm of the picture are out of view.",
        "Move the film until the picture lies {mm:.0f} mm further {way} in the view.",
        "mm cut off",
        steps=_ADVANCE,
    ),
    "picture-cut-off": FindingKind(
        RESHOOT,
        MEASURED,
        "{mm:.1f} mm of the picture are cut off on its {side} side.",
        "Move the film until the picture lies {mm:.1f} mm further {way} in the view.",
        "mm cut off",
        steps=_ADVANCE,
    ),
    "askew": FindingKind(
        LOOK,
        MEASURED,
        "The film lies {degrees:.1f} degrees askew ({way}).",
        "Turn the film or its holder {back}, or straighten the picture later.",
        "degrees",
        steps=("strip-load",),
    ),
    "small-on-sensor": FindingKind(
        NOTE,
        MEASURED,
        "The picture takes {share} of the sensor: {per_inch:.0f} pixels per inch of film.",
        "Move the camera closer for more.",
        "share of the sensor",
    ),
    "wrong-side": FindingKind(
        RESHOOT,
        MEASURED,
        "The film lies the wrong way up: its bar code shows that the base side faces the lens.",
        "Turn the strip over, emulsion toward the lens, and photograph the frame again.",
        steps=("strip-load",),
    ),
    "not-advanced": FindingKind(
        RESHOOT,
        MEASURED,
        "This is the same picture as frame {frame}.",
        _TWICE,
        "correlation",
        cases={
            "unnumbered": Words(
                "This is the same picture as an earlier frame.", _TWICE, "correlation"
            ),
        },
        steps=_ADVANCE,
    ),
    "frame-number": FindingKind(
        LOOK,
        MEASURED,
        _LEFT_OUT + "{frames} left out.",
        _WHICH,
        "frames",
        cases={
            "back": Words(
                _LEFT_OUT + "the film lies {frames} back, where it was before.", _WHICH, "frames"
            ),
        },
        steps=_ADVANCE,
    ),
    "blank-frame": FindingKind(
        LOOK,
        MEASURED,
        "There is nothing on this frame but film base.",
        "Mark the frame as blank if the film shows none either.",
        "stops from base",
        cases={
            "transparency": Words(
                "The frame is black all over: it was not exposed, or the lamp is off.",
                "Mark the frame as blank if the film shows nothing either.",
                "stops from saturation",
            ),
        },
    ),
    "even-frame": FindingKind(
        LOOK,
        MEASURED,
        "The frame shows one even tone, {stops:.1f} stops darker than base.",
        "Look at the film: it may have been fogged, or the lamp may have changed.",
        "stops from base",
    ),
    "even-view": FindingKind(
        LOOK,
        MEASURED,
        "The view shows one even tone: a blank frame, or no film in the gate.",
        "Mark the frame as blank if the film shows none either.",
    ),
    "no-film": FindingKind(
        LOOK,
        MEASURED,
        "The view is lighter than the film's base all over: there seems to be no film in the gate.",
        "Put the film in the gate and photograph the frame again.",
        "stops above base",
    ),
    "file-damaged": FindingKind(
        RESHOOT,
        COUNTED,
        "The file is damaged: {share} of the picture holds nothing at all, as no sensor gives it.",
        "Compare it with the copy on the camera's card. If that is no better, take another "
        "card, and photograph the frame again.",
        "%",
    ),
    "not-judged": FindingKind(
        LOOK,
        COUNTED,
        "The file could not be judged: {what}",
        "{todo}",
        cases={
            "no-advice": Words(
                "The file could not be judged: {what}",
                "Look at the file; shoot again if in doubt.",
            ),
        },
    ),
    "facts-damaged": FindingKind(
        LOOK,
        COUNTED,
        "What is stored of this picture's measurements cannot be read in part: {keys}.",
        "This says nothing of the raw file: tether verify shows whether it is what it was.",
    ),
}
"""Codes about framing, the film's advance, its edge, empty frames, and files that tell nothing."""
