"""The steps of the job: what to do, why, and the caution that belongs to it.

The steps are the trade's usual ones (common practice, no published source). Every step belongs
to one scope and is asked once in it: once a sitting, once a roll, once a strip, once a frame.
Those of the set-up that need film in the gate come up when the first frame lies there.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from tether.archive.records import Scope
from tether.facts import Facts
from tether.findings import CATALOGUE, Severity


class Part(StrEnum):
    """A part of the bench; a step about it is asked again when the part has changed."""

    CAMERA = "camera"
    LENS = "lens"
    HOLDER = "holder"
    LAMP = "lamp"
    FILM = "film"


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the checklist.

    Attributes
    ----------
    key
        Its name in the store.
    scope
        How often it comes up.
    what, why, more
        What to do, why, and how.
    see
        How to see that it is right; "" where the step itself is a look.
    caution
        Shown with the step whenever it comes up, "" where nothing can hurt.
    habit
        A practised person may choose not to be asked any more.
    with_film
        It needs film in the gate: it comes up when the frame lies there, just before the shutter.
    parts
        Of a set-up step: the parts of the bench whose change makes it due again.
    each_time
        Of a set-up step: due at every sitting, whatever has changed.
    station
        The screen on which it is done, by its name in `tether.tui.screens.setup_screens`; "" for
        none.
    label
        A few words for a list of the set-up steps.
    remind
        Where it is no longer asked, the step that is asked says it in these words.
    """

    key: str
    scope: Scope
    what: str
    why: str
    more: str
    see: str = ""
    caution: str = ""
    habit: bool = False
    with_film: bool = False
    parts: frozenset[Part] = frozenset()
    each_time: bool = False
    station: str = ""
    label: str = ""
    remind: str = ""

    def place(self, strip: int | None, frame: int | None) -> int:
        """Return the number under which it is confirmed: of its strip, of its frame, or 0."""
        return {Scope.STRIP: strip, Scope.FRAME: frame}.get(self.scope) or 0


BENCH = "bench"
"""The step that asks which bench this is, and what has changed on it."""

_CAMERA, _LENS, _HOLDER, _LAMP, _FILM = Part.CAMERA, Part.LENS, Part.HOLDER, Part.LAMP, Part.FILM

SET_UP: tuple[Step, ...] = (
    Step(
        BENCH,
        Scope.SITTING,
        "Say which bench this is: camera, lens, holder, lamp.",
        "Of a bench that is known only what has changed is asked, and what has to be done each "
        "time.",
        "{walk} opens the set-up walk, where a bench gets a name and its parts are written down. "
        "Without a name every step is asked.",
        each_time=True,
        label="Which bench",
    ),
    Step(
        "stand-square",
        Scope.SITTING,
        "Tighten the stand, and set the camera square over the gate.",
        "A camera that is not square has one side of every frame out of focus.",
        "Put the camera on the stand and pull at every clamp. Level the gate with a spirit level, "
        "then the camera's back. Lead the cable so that nobody's sleeve or foot can catch it.",
        "Lay a small flat mirror in the gate, lamp off: the lens sees the middle of its own "
        "reflection when the camera is square. Pushed with a finger, nothing gives.",
        "A camera over a bench falls on film and fingers when a clamp is loose.",
        parts=frozenset({_CAMERA, _LENS}),
        label="Stand, camera square",
    ),
    Step(
        "lens-clean",
        Scope.SITTING,
        "Wash your hands; clean both ends of the lens; leave nothing screwed in front of it.",
        "Dust on the lens or a filter is in every frame, and costs sharpness in all of them.",
        "Wash and dry your hands before you touch lens or film. Take the lens off for its rear "
        "element. Blow first, then a clean lens cloth in circles from the centre out to the edge, "
        "front and rear. Filters, hoods and close-up lenses come off.",
        "Tilt the lens under a desk lamp, with the light from the side: no speck, no smear, no "
        "fibre, front and rear. Never look through the lens at a lamp or the sun.",
        "Cleaning fluids are flammable and their vapour is harmful: ventilate, wear gloves, keep "
        "them off a hot lamp, and follow the product's safety sheet.",
        each_time=True,
        label="Hands and lens",
    ),
    Step(
        "holder-fit",
        Scope.SITTING,
        "Put in the holder for this film, and the spacer that lens and sensor want.",
        "They set how large the film lies on the sensor: too small gives away pixels, too large "
        "cuts the frame.",
        "`tether plan` works out magnification and spacer for the film's format, the sensor and "
        "the lens. Without a plan: as near as the lens goes with the whole frame in view.",
        "On the camera's display the lit gate shows its whole frame and about a millimetre of "
        "rebate on each side.",
        parts=frozenset({_CAMERA, _LENS, _HOLDER, _FILM}),
        label="Holder and spacer",
    ),
    Step(
        "film-gate",
        Scope.SITTING,
        "Set the gate for this film: its thickness, or the kind of mount.",
        "Film that is held too loosely bends out of focus; too tightly it is scratched.",
        "Bare film, and mounts of card, of plastic or with glass, differ by millimetres: change "
        "the insert or turn the stop, and focus again after it. Never force a mount.",
        "A piece of waste film (or an empty mount) slides without scraping and does not rattle; a "
        "straight edge laid over it shows no gap.",
        parts=frozenset({_HOLDER, _FILM}),
        label="Film gate or mount",
    ),
    Step(
        "holder-lock",
        Scope.SITTING,
        "Try the holder's lock: unlock it, slide, lock it.",
        "Slid while it is locked a holder scratches; left unlocked it moves in the picture.",
        "Always unlock before you slide, always lock before you let go. Holders without a lock "
        "want a second look at every frame.",
        "Unlocked it slides with one finger; locked it does not give when it is pushed.",
        parts=frozenset({_HOLDER}),
        label="The holder's lock",
    ),
    Step(
        "light-placed",
        Scope.SITTING,
        "Place the lamp under the middle of the gate, with the diffuser between.",
        "Light from one side, or with a pattern in it, is printed into every frame.",
        "The diffuser should be so far below the film that its texture is out of focus (a few "
        "centimetres). Mask what shines past the gate. One lamp only, and one colour.",
        "On the camera's display, far out of focus, the gate is an even field: no pattern, no "
        "shadow of a lead, no bright edge.",
        "Do not stare into the lamp. Mains leads stay dry, whole, and out of the way of feet; work "
        "inside a housing is for a qualified person.",
        parts=frozenset({_LAMP, _HOLDER}),
        label="Lamp and diffuser",
    ),
    Step(
        "light-even",
        Scope.SITTING,
        "Switch the lamp on, let it warm up, and darken the room.",
        "A lamp changes colour and strength while it warms up; room light greys the shadows.",
        "Ten minutes is enough for most lamps. Cover windows, turn screens away from the film. "
        "The diffuser should be far enough from the film that its texture is out of focus.",
        "With the lamp off, a hand over the gate is barely visible on the camera's display. With "
        "it on, two light tests five minutes apart agree.",
        "Do not stare into the lamp. Hot lamps scorch film and fingers: leave them room and air, "
        "and never leave one alone. Keep mains leads dry and off wet hands.",
        each_time=True,
        label="Warm-up, dark room",
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
        "The camera check has no line with ✗ left; lines with ? were looked at on the camera.",
        parts=frozenset({_CAMERA, _LENS, _LAMP}),
        station="camera-check",
        label="Camera check",
    ),
    Step(
        "light-test",
        Scope.SITTING,
        "Test the light on the open gate, with no film in it.",
        "Once film lies over it, uneven or flickering light can hardly be told from the picture.",
        "The light test photographs the bare light, about a stop below saturation, and says how "
        "even it is, whether it flickers, and its colour. The open gate is kept for the roll.",
        "The light test finds the light even and steady.",
        "Do not stare into the lamp.",
        each_time=True,
        station="light-test",
        label="Light test",
    ),
    Step(
        "focus-lock",
        Scope.SITTING,
        "Focus on the grain in the middle of the frame, then lock focus.",
        "Depth of field on film is a fraction of a millimetre, and autofocus hunts on every frame.",
        "Magnify the middle, turn past the sharpest point and come back; then look at all four "
        "corners. Switch autofocus off on lens and body, and tape the ring if it has no lock.",
        "Grain stands out in the middle and in all four corners. If one side stays soft the camera "
        "is not square to the film, or the film is not flat.",
        with_film=True,
        each_time=True,
        station="focus",
        label="Focus, film in",
    ),
)

BASE = Step(
    "base-set",
    Scope.ROLL,
    "Find the exposure for this roll on its clear film base; of transparencies, on the lightest "
    "picture.",
    "That is the lightest thing on the roll: exposed just below saturation, all pictures lie "
    "safely under it.",
    "A blank frame at the roll's beginning is best, else the rebate beside the frame that lies in "
    "the gate. On transparencies the lightest picture takes its place.",
    "The verdict on the first frame gives the base at -0.5 stops, a third either way.",
    with_film=True,
    station="base-exposure",
    label="Base exposure, film in",
)
"""Belongs to each roll, and needs its film in the gate."""

WALK: tuple[Step, ...] = (*SET_UP, BASE)
"""The steps of the set-up walk."""


STEPS: tuple[Step, ...] = (
    *SET_UP,
    Step(
        "film-base",
        Scope.ROLL,
        "Make sure that the film is safety film and in a fit state to handle.",
        "Old cellulose nitrate film burns fiercely and cannot be put out: never put it on a lamp.",
        "Safety film usually says SAFETY on its edge. Film from before the early 1950s without "
        "that word, film that smells sharp, is brown, sticky or powdery is a case for an archive. "
        "If film burns: everyone out, shut the door, call the fire service from outside. Do not "
        "fight it, do not breathe the smoke.",
        caution="If it may be nitrate: stop, keep it cool and away from the lamp and from any "
        "flame, and ask your fire authority or a film archive. Vinegar smell or mould: ventilate, "
        "keep it apart from other film.",
    ),
    Step(
        "roll-check",
        Scope.ROLL,
        "Compare the sleeve with what is written above: name, kind of film, number of frames.",
        "A frame filed under the wrong roll is as good as lost.",
        "Count the frames on the strips; partly exposed frames at both ends count. Lay the strips "
        "in order with the lowest frame number first.",
    ),
    BASE,
    Step(
        "holder-blow",
        Scope.STRIP,
        "Blow the holder and the gate clean.",
        "Dust in the gate lies in the same place on every frame of the strip.",
        "Use a bulb blower and hold the gate upside down. Canned air can spit liquid.",
        habit=True,
        remind="Blow the holder and the gate clean first.",
    ),
    Step(
        "strip-clean",
        Scope.STRIP,
        "Hold the strip by its edges; brush it, and wipe both sides if it needs it.",
        "A hair removed now saves an hour of retouching.",
        "An anti-static brush along the strip, both sides. Wipe only film that brushing does not "
        "clean, with a fresh pad and a cleaner made for film, emulsion side last and lightly.",
        caution="Film cleaners are solvents, often flammable: ventilate, wear gloves, no flame, no "
        "hot lamp, and follow the product's safety sheet.",
        habit=True,
    ),
    Step(
        "strip-load",
        Scope.STRIP,
        "Load the strip with the emulsion side (the dull side) toward the lens.",
        "The picture lies in the emulsion: through the base it is softer.",
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
        remind="Unlock, bring the frame into the gate, lock; blow off dust.",
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


def steps_of(
    scope: Scope, *, short: bool = False, with_film: bool | None = None
) -> tuple[Step, ...]:
    """Return the steps of a scope in order.

    ``short`` leaves out those that are habit; ``with_film`` takes only those that need film in
    the gate (True) or do not (False).
    """
    return tuple(
        s
        for s in STEPS
        if s.scope is scope
        and not (short and s.habit)
        and (with_film is None or s.with_film is with_film)
    )


def left_out() -> tuple[Step, ...]:
    """Return the steps that a shortened checklist does not ask, for the log to name them."""
    return tuple(s for s in STEPS if s.habit)


def reminders(scope: Scope) -> tuple[str, ...]:
    """Return what a shortened checklist still says of the steps of a scope that it leaves out."""
    return tuple(s.remind for s in left_out() if s.scope is scope and s.remind)


def steps_to_redo(facts: Iterable[Facts]) -> tuple[Step, ...]:
    """Return the steps that the findings of pictures which were put aside ask for, once each.

    Notes ask for nothing, nor do codes of a newer program.
    """
    keys = [
        step
        for fact in facts
        for finding in fact.findings
        if finding.severity is not Severity.NOTE and finding.code in CATALOGUE
        for step in CATALOGUE[finding.code].steps
    ]
    return tuple(BY_KEY[key] for key in dict.fromkeys(keys))
