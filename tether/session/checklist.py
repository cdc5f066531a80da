"""The steps of the job: what to do, why, and the caution that belongs to it.

The steps are the trade's usual ones (common practice, no published source). Every step belongs
to one scope and is asked once in it: once a sitting, once a roll, once a strip, once a frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Scope(StrEnum):
    """How often a step comes up."""

    SITTING = "sitting"
    ROLL = "roll"
    STRIP = "strip"
    FRAME = "frame"


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the checklist.

    ``habit`` marks a step that a practised person may choose not to be asked any more;
    ``caution`` is shown with the step whenever it comes up, "" where nothing can hurt.
    """

    key: str
    scope: Scope
    what: str
    why: str
    more: str
    caution: str = ""
    habit: bool = False


STEPS: tuple[Step, ...] = (
    Step(
        "lens-clean",
        Scope.SITTING,
        "Clean both ends of the lens; leave nothing screwed in front of it.",
        "Dust on the lens or a filter is in every frame, and costs sharpness in all of them.",
        "Blow first, then a clean lens cloth in circles from the centre out to the edge. Wash and "
        "dry your hands before you touch film.",
        "Cleaning fluids are flammable and their vapour is harmful: ventilate, wear gloves, keep "
        "them off a hot lamp, and follow the product's safety sheet.",
    ),
    Step(
        "light-even",
        Scope.SITTING,
        "Switch the lamp on, let it warm up, and darken the room.",
        "A lamp changes colour and strength while it warms up; room light greys the shadows.",
        "Ten minutes is enough for most lamps. Cover windows, turn screens away from the film. "
        "The diffuser should be far enough from the film that its texture is out of focus.",
        "Do not stare into the lamp. Hot lamps scorch film and fingers: leave them room and air. "
        "Keep mains leads dry and off wet hands.",
    ),
    Step(
        "camera-set",
        Scope.SITTING,
        "Set the camera: raw, manual exposure, base ISO, about f/8, white balance fixed to the "
        "light.",
        "Anything automatic follows the picture on the film, and then no two frames match.",
        "Base ISO has the least noise; most macro lenses are sharpest near f/8 as marked. Switch "
        "stabilisation and long-exposure noise reduction off. Daylight balance suits a daylight "
        "lamp, a window or a strobe; tungsten suits incandescent light.",
    ),
    Step(
        "focus-lock",
        Scope.SITTING,
        "Focus on the grain in the middle of a frame, then lock focus.",
        "Depth of field on film is a fraction of a millimetre, and autofocus hunts on every frame.",
        "Look at the magnified centre and all four corners. If one side stays soft the camera is "
        "not parallel to the film, or the film is not flat.",
    ),
    Step(
        "film-base",
        Scope.ROLL,
        "Make sure that the film is safety film and in a fit state to handle.",
        "Old cellulose nitrate film burns fiercely and cannot be put out: never put it on a lamp.",
        "Safety film usually says SAFETY on its edge. Film from before the early 1950s without "
        "that word, film that smells sharp, is brown, sticky or powdery is a case for an archive.",
        "If it may be nitrate: stop, keep it cool and away from the lamp and from any flame, and "
        "ask your fire authority or a film archive. Film that smells of vinegar: ventilate.",
    ),
    Step(
        "roll-check",
        Scope.ROLL,
        "Compare the sleeve with what is written above: name, kind of film, number of frames.",
        "A frame filed under the wrong roll is as good as lost.",
        "Count the frames on the strips; partly exposed frames at both ends count. Lay the strips "
        "in order with the lowest frame number first.",
    ),
    Step(
        "holder-blow",
        Scope.STRIP,
        "Blow the holder and the gate clean.",
        "Dust in the gate lies in the same place on every frame of the strip.",
        "Use a bulb blower and hold the gate upside down. Canned air can spit liquid.",
        habit=True,
    ),
    Step(
        "strip-clean",
        Scope.STRIP,
        "Hold the strip by its edges; brush it, and wipe both sides if it needs it.",
        "A hair removed now saves an hour of retouching.",
        "An anti-static brush along the strip, both sides. Wipe only film that brushing does not "
        "clean, with a fresh pad and a cleaner made for film, emulsion side last and lightly.",
        "Film cleaners are solvents, often flammable: ventilate, wear gloves, no flame, no hot "
        "lamp, and follow the product's safety sheet.",
        habit=True,
    ),
    Step(
        "strip-load",
        Scope.STRIP,
        "Load the strip with the emulsion side (the dull side) toward the lens.",
        "The picture lies in the emulsion: through the base it is softer, and mirrored.",
        "With the emulsion toward the lens the edge print reads backwards in the camera. That is "
        "right: the picture is turned back later, without touching the raw file.",
    ),
    Step(
        "strip-line-up",
        Scope.STRIP,
        "Line the strip up with the gate, flat and straight, and lock the holder.",
        "A slanted strip loses the corners of every frame on it.",
        "Leave a little of the rebate (the unexposed edge) visible all round: the film base is "
        "measured there.",
        habit=True,
    ),
    Step(
        "frame-advance",
        Scope.FRAME,
        "Bring this frame into the gate, all four edges visible.",
        "A film that was not moved is the same picture twice, and the next one is missing.",
        "Unlock the holder before you slide the film and lock it after. Wait a moment: the stand "
        "must be still.",
        habit=True,
    ),
    Step(
        "frame-dust",
        Scope.FRAME,
        "Look at the frame: blow off dust and hair.",
        "What lies on the film now lies in the picture for good.",
        "Look along the film against the light. Do not touch the picture.",
        habit=True,
    ),
)

BY_KEY: dict[str, Step] = {step.key: step for step in STEPS}


def steps_of(scope: Scope, *, short: bool = False) -> tuple[Step, ...]:
    """Return the steps of a scope in order; ``short`` leaves out those that are habit."""
    return tuple(s for s in STEPS if s.scope is scope and not (short and s.habit))


def left_out() -> tuple[Step, ...]:
    """Return the steps that a shortened checklist does not ask, for the log to name them."""
    return tuple(s for s in STEPS if s.habit)
