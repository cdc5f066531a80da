"""What is found about the film in the gate: how it lies, which frame it is, if it is blank."""

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

_ADVANCE = ("frame-advance",)
_EDGE_SAYS = "The film's edge shows {seen} where {wanted} should follow: "
_WHICH = (
    "Check which frame is in the gate. If it is the right one, keep it: counting continues here."
)
_TWICE = "Advance the film and reshoot. If the film really has two frames alike, keep it."
_NOT_JUDGED = "The raw file could not be judged: {what}"

FILM: Mapping[str, FindingKind] = {
    "between-frames": FindingKind(
        RESHOOT,
        MEASURED,
        "The gate is between two frames: {mm:.0f} mm of the picture are out of view.",
        "Move the film until the picture is {mm:.0f} mm further {way} in the view.",
        "mm cut off",
        steps=_ADVANCE,
    ),
    "picture-cut-off": FindingKind(
        RESHOOT,
        MEASURED,
        "{mm:.1f} mm of the picture are cut off at the {side}.",
        "Move the film until the picture is {mm:.1f} mm further {way} in the view.",
        "mm cut off",
        steps=_ADVANCE,
    ),
    "askew": FindingKind(
        LOOK,
        MEASURED,
        "The film is {degrees:.1f} degrees askew ({way}).",
        "Turn the film or its holder {back}, or straighten the picture later.",
        "degrees",
        steps=("strip-line-up",),
    ),
    "small-on-sensor": FindingKind(
        NOTE,
        MEASURED,
        "The picture fills {share} of the sensor: {per_inch:.0f} pixels per inch of film.",
        "Move the camera closer for more.",
        "share of the sensor",
    ),
    "wrong-side": FindingKind(
        RESHOOT,
        MEASURED,
        "The film is the wrong way up: by its bar code, the shiny side faces the lens.",
        "Turn the strip over, emulsion toward the lens, and reshoot.",
        cases={
            "seen": Words(
                "The film is the wrong way up: you saw writing read backwards.",
                "Turn the strip over, emulsion toward the lens, and reshoot: it is sharper. If you "
                "keep it, its positive is mirrored.",
            ),
        },
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
        _EDGE_SAYS + "{frames} skipped.",
        _WHICH,
        "frames",
        cases={"back": Words(_EDGE_SAYS + "the film is {frames} back.", _WHICH, "frames")},
        steps=_ADVANCE,
    ),
    "blank-frame": FindingKind(
        LOOK,
        MEASURED,
        "There is nothing on this frame but film base.",
        "Mark it as blank if the film shows no picture either.",
        "stops from base",
        cases={
            "transparency": Words(
                "The frame is black all over: not exposed, or the lamp is off.",
                "Mark it as blank if the film shows no picture either.",
                "stops from saturation",
            ),
        },
    ),
    "even-frame": FindingKind(
        LOOK,
        MEASURED,
        "The frame shows one even tone, {stops:.1f} stops darker than film base.",
        "Look at the film: it may be fogged, or the lamp may have changed.",
        "stops from base",
    ),
    "even-view": FindingKind(
        LOOK,
        MEASURED,
        "The view shows one even tone: a blank frame, or no film in the gate.",
        "Mark it as blank if the film shows no picture either.",
    ),
    "no-film": FindingKind(
        LOOK,
        MEASURED,
        "The view is brighter than film base all over: there seems to be no film in the gate.",
        "Put the film in the gate and reshoot.",
        "stops above base",
    ),
    "dust-on-film": FindingKind(
        NOTE + LOOK,
        ESTIMATED,
        "There may be dust on the film: {specks} in even parts of this frame.",
        "Look at the positive. If it is dust, blow or brush it off and reshoot.",
        "specks",
    ),
    "file-damaged": FindingKind(
        RESHOOT,
        COUNTED,
        "The raw file is damaged: {share} of the picture is empty, which no sensor gives.",
        "Compare it with the copy on the camera's card. If that is no better, change the card and "
        "reshoot.",
        "%",
    ),
    "not-judged": FindingKind(
        LOOK,
        COUNTED,
        _NOT_JUDGED,
        "{todo}",
        cases={"no-advice": Words(_NOT_JUDGED, "Check the file; if in doubt, reshoot.")},
    ),
    "detectors-off": FindingKind(
        NOTE,
        COUNTED,
        "Not looked for, by your settings: {names}.",
        "[detectors] in the settings file switches them on.",
        "detectors",
    ),
    "facts-damaged": FindingKind(
        LOOK,
        COUNTED,
        "Part of this picture's stored measurements cannot be read: {keys}.",
        "The raw file may still be good: tether verify checks it.",
    ),
}
"""Codes about framing, the film's advance, its edge, empty frames, and files that tell nothing."""
