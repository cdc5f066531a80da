"""The steps of the job: what to do, why, and the caution that belongs to it.

The steps are the trade's usual ones (common practice, no published source). Every step belongs to
one scope and comes up once in it: per session, roll, strip or frame. Film is checked before the
lamp is on. Steps of the set-up that need film in the gate come up when the first frame is there.
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
        Shown with the step whenever it comes up, "" where nothing can hurt. See `warning`.
    habit
        The short checklist skips it.
    with_film
        It needs film in the gate: it comes up when the frame is there, just before the shutter.
    parts
        Of a set-up step: the parts of the bench whose change makes it due again.
    each_time
        Of a set-up step: due in every session, whatever has changed.
    station
        The screen on which it is done, by its name in `tether.tui.screens.setup_screens`; "" for
        none.
    label
        A few words for the list of the set-up steps and for the log.
    remind
        What the short checklist, which skips it, says beside the step that it keeps.
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

    @property
    def warning(self) -> str:
        """Its caution, with the sentence that goes with each; "" where nothing can hurt."""
        return f"{self.caution} {DEFERRING}" if self.caution else ""

    def place(self, strip: int | None, frame: int | None) -> int:
        """Return the number under which it is confirmed: of its strip, of its frame, or 0."""
        return {Scope.STRIP: strip, Scope.FRAME: frame}.get(self.scope) or 0


BENCH = "bench"
"""The step that asks which bench this is, and what has changed on it."""
LOCK = "holder-lock"
"""The step that only a bench with a holder that locks has."""
DEFERRING = "Product safety sheets, local rules and qualified people come first."
"""Beside every caution, on screens and pages: the same sentence everywhere."""

_CAMERA, _LENS, _HOLDER, _LAMP, _FILM = Part.CAMERA, Part.LENS, Part.HOLDER, Part.LAMP, Part.FILM

SET_UP: tuple[Step, ...] = (
    Step(
        BENCH,
        Scope.SITTING,
        "Say which bench this is: camera, lens, holder, lamp.",
        "For a bench it knows, the program asks only about changes and the checks of every "
        "session.",
        "In the set-up you give a bench a name and write down its parts. Without a name, every "
        "step comes up.",
        each_time=True,
        label="Which bench",
    ),
    Step(
        "stand-square",
        Scope.SITTING,
        "Tighten the stand, and set the camera square over the gate.",
        "If the camera is not square, one side of every frame is out of focus.",
        "Mount the camera and pull at every clamp. Level the gate with a spirit level, then the "
        "camera's back. Route the cable where no sleeve or foot can catch it.",
        "Lay a small flat mirror in the gate, lamp off. On the camera's display, the lens is in "
        "the middle of its own reflection. Push with a finger: nothing moves.",
        "A copy stand is heavy: set it up with two people, and bend your knees. Never lift it with "
        "the camera on. If a clamp is loose, the camera falls on film and fingers.",
        parts=frozenset({_CAMERA, _LENS}),
        label="Stand, camera square",
    ),
    Step(
        "lens-clean",
        Scope.SITTING,
        "Wash your hands. Clean both ends of the lens. Take off filters and hood.",
        "Dust on the lens or a filter is in every frame and softens all of them.",
        "Wash and dry your hands before you touch lens or film. Take the lens off to reach its "
        "rear. Blow first, then wipe with a clean lens cloth, in circles from the centre outward. "
        "Filters, hoods and close-up lenses come off.",
        "Hold the lens over white paper, with a desk lamp at its side. No speck, no smear, no "
        "fibre, front and rear. Never look through the lens at a lamp or the sun.",
        "Cleaning fluids are flammable and their vapour is harmful. Ventilate, use a few drops, "
        "close the bottle. Keep them off your eyes and off a hot lamp. Wear the gloves that the "
        "sheet names.",
        parts=frozenset({_LENS}),
        each_time=True,
        label="Hands and lens",
    ),
    Step(
        "holder-fit",
        Scope.SITTING,
        "Put in the holder for this film, and the spacer that lens and sensor need.",
        "They set the magnification. Too little wastes pixels, too much crops the frame.",
        "`tether plan` works out magnification and spacer from film format, sensor and lens. "
        "Without a plan: as close as the lens focuses with the whole frame in view.",
        "The camera's display shows the whole gate, with about a millimetre of rebate on each "
        "side.",
        parts=frozenset({_CAMERA, _LENS, _HOLDER, _FILM}),
        label="Holder and spacer",
    ),
    Step(
        "film-gate",
        Scope.SITTING,
        "Set the gate for this film: its thickness, or the kind of mount.",
        "Loose film bends out of focus; tight film gets scratched.",
        "Bare film and mounts of card, plastic or glass differ by millimetres. Change the insert "
        "or adjust the gate, then focus again. Never force a mount.",
        "A piece of waste film, or an empty mount, slides without scraping and does not rattle. A "
        "straight edge laid across it shows no gap.",
        parts=frozenset({_HOLDER, _FILM}),
        label="Film gate or mount",
    ),
    Step(
        LOCK,
        Scope.SITTING,
        "Try the holder's lock: unlock, slide, lock.",
        "Sliding a locked holder scratches the film; an unlocked one moves during the exposure.",
        "Always unlock before you slide, and lock before you let go.",
        "Unlocked, it slides with one finger. Locked, it does not give when you push it.",
        parts=frozenset({_HOLDER}),
        label="The holder's lock",
    ),
    Step(
        "light-placed",
        Scope.SITTING,
        "Place the lamp under the middle of the gate, with the diffuser between.",
        "Light from one side, or with a pattern, marks every frame.",
        "Keep the diffuser a few centimetres below the film, so that its texture is out of focus. "
        "Mask the light that passes beside the gate. Use one lamp only.",
        "On the camera's display, far out of focus, the lit gate is an even field. No pattern, no "
        "shadow of a lead, no bright edge.",
        "Do not stare into the lamp. Dry your hands before you touch plugs or switches. Unplug a "
        "lamp before you change it. Keep mains leads whole, and away from feet. Work inside a "
        "housing is for a qualified person.",
        parts=frozenset({_LAMP, _HOLDER}),
        label="Lamp and diffuser",
    ),
    Step(
        "light-even",
        Scope.SITTING,
        "Switch the lamp on, let it warm up, and darken the room.",
        "A lamp changes colour and brightness while it warms up. Room light greys the shadows.",
        "Ten minutes are enough for most lamps; stay with it. Cover windows, and turn screens away "
        "from the film.",
        "With the lamp off, a hand over the gate is barely visible on the camera's display. With "
        "it on, two light tests five minutes apart agree.",
        "Do not stare into the lamp. Hot lamps scorch film and fingers: leave them room and air, "
        "and stay with them. Dry your hands before you touch plugs or switches.",
        each_time=True,
        label="Warm-up, dark room",
    ),
    Step(
        "camera-set",
        Scope.SITTING,
        "Set the camera: raw, manual exposure, base ISO, about f/8, white balance fixed to the "
        "light.",
        "Anything automatic follows the picture on the film, and then no two frames match.",
        "Base ISO has the least noise. Most macro lenses are sharpest near f/8 as marked. Switch "
        "off stabilisation and long-exposure noise reduction. Daylight balance suits a daylight "
        "lamp, a window or a strobe; tungsten suits incandescent light.",
        "No ✗ is left in the camera check, and you have checked the ? lines on the camera.",
        parts=frozenset({_CAMERA, _LENS, _LAMP}),
        station="camera-check",
        label="Camera check",
    ),
    Step(
        "light-test",
        Scope.SITTING,
        "Test the light on the open gate, with no film in it.",
        "With film in the gate, uneven or flickering light is hard to see.",
        "The light test photographs the open gate about a stop below clipping. It shows how even "
        "the light is, whether it flickers, and its colour. The roll keeps the open gate.",
        "The light test shows even, steady light.",
        "Do not stare into the lamp.",
        parts=frozenset({_LENS, _LAMP}),
        each_time=True,
        station="light-test",
        label="Light test",
    ),
    Step(
        "focus-lock",
        Scope.SITTING,
        "Focus on the grain in the middle of the frame, then lock focus.",
        "Depth of field on film is a fraction of a millimetre, and autofocus hunts on every frame.",
        "Magnify the middle, turn past the sharpest point and come back. Then check all four "
        "corners. Switch autofocus off on lens and body. Tape the ring if it has no lock.",
        "Grain is sharp in the middle and in all four corners. If one side stays soft, the camera "
        "is not square to the film, or the film is not flat.",
        parts=frozenset({_CAMERA, _LENS, _HOLDER}),
        with_film=True,
        each_time=True,
        station="focus",
        label="Focus (with film)",
    ),
)

BASE = Step(
    "base-set",
    Scope.ROLL,
    "Set this roll's exposure.",
    "With the brightest thing on the roll just below clipping, one exposure is safe for all.",
    "On negatives that is clear film. A blank frame at the beginning of the roll is best. The "
    "rebate beside a frame works, too. On transparencies it is the brightest picture.",
    "The first frame's verdict shows base -0.5 stops, give or take a third.",
    with_film=True,
    station="base-exposure",
    label="Base exposure (with film)",
)
"""Belongs to each roll, and needs its film in the gate."""

WALK: tuple[Step, ...] = (*SET_UP, BASE)
"""The steps of the set-up; a bench without a lock does not have `LOCK`."""


STEPS: tuple[Step, ...] = (
    Step(
        "film-base",
        Scope.ROLL,
        "Check the film, away from the bench: safety film, in a fit state to handle.",
        "Nitrate film catches fire easily, and covering it does not put it out.",
        "NITRATE on the edge means nitrate; SAFETY usually means safety film. Nitrate was made "
        "until about 1952, in some countries later. Treat old film without SAFETY as nitrate until "
        "someone qualified has looked at it. So too film that smells sharp, or is brown, sticky, "
        "bubbled or powdery. When in doubt, stop. If film burns: everyone out, shut the door, call "
        "the fire service from outside. Do not fight it, do not breathe the smoke.",
        caution="Keep film boxed, away from the lamp, until you have checked it. If it may be "
        "nitrate: stop, keep it cool, away from flames, ask your fire authority or a film archive. "
        "Vinegar smell or mould: ventilate, keep it apart, wear gloves and mask.",
        label="Safety film",
    ),
    Step(
        "roll-check",
        Scope.ROLL,
        "Compare the sleeve with the lines above: name, kind of film, number of frames.",
        "A frame filed under the wrong roll is as good as lost.",
        "Count the frames on the strips, with the partly exposed ones at both ends. Lay the strips "
        "in order, lowest frame number first.",
        label="Sleeve compared",
    ),
    *SET_UP,
    BASE,
    Step(
        "holder-blow",
        Scope.STRIP,
        "Blow the holder and the gate clean.",
        "Dust in the gate is in the same place on every frame of the strip.",
        "Use a bulb blower and hold the gate upside down. Canned air can spit liquid.",
        habit=True,
        label="Holder blown clean",
        remind="Blow the holder and the gate clean first.",
    ),
    Step(
        "strip-clean",
        Scope.STRIP,
        "Hold the strip by its edges. Brush it, and wipe both sides if it needs it.",
        "A hair removed now saves an hour of retouching.",
        "Put fluids away, then brush along both sides with an anti-static brush. Wipe only film "
        "that brushing does not clean. Take a fresh pad and a few drops of a cleaner sold for "
        "film; the emulsion side last and lightly. Household solvents can dissolve film.",
        caution="Film cleaners are solvents, often flammable. Ventilate, close the bottle, keep "
        "them off your eyes and away from flames and a hot lamp. Wear the gloves that the safety "
        "sheet names. Let the film dry before it goes near the lamp.",
        habit=True,
        label="Strip cleaned",
        remind="If you wipe: ventilate, no hot lamp, let it dry before the gate.",
    ),
    Step(
        "strip-load",
        Scope.STRIP,
        "Load the strip with the emulsion side (the dull side) toward the lens.",
        "The image is in the emulsion. Photographed through the shiny side it is softer.",
        "Seen from the lens, the edge print reads backwards. That is right: the positive is turned "
        "round, and the raw file stays as it is.",
        caution="Hot lamp: leave no frame in the gate longer than you need.",
        label="Strip loaded",
    ),
    Step(
        "strip-line-up",
        Scope.STRIP,
        "Line the strip up with the gate, flat and straight.",
        "A slanted strip loses the corners of every frame on it.",
        "Leave a little rebate (the unexposed edge) in view all round: the film base is measured "
        "there. If the holder locks, lock it.",
        habit=True,
        label="Strip lined up",
    ),
    Step(
        "frame-advance",
        Scope.FRAME,
        "Bring this frame into the gate, all four edges visible.",
        "If you forget to advance, you get one picture twice and miss the next.",
        "If the holder locks, unlock it before you slide the film and lock it after. Wait a "
        "moment: the stand must be still. Over a hot lamp, don't leave the frame there.",
        habit=True,
        label="Frame in the gate",
        remind="Bring the frame into the gate, and blow off dust.",
    ),
    Step(
        "frame-dust",
        Scope.FRAME,
        "Look at the frame: blow off dust and hair.",
        "Dust on the film now is in the picture for good.",
        "Tilt your view, so that light falls along the film. Do not touch the picture.",
        habit=True,
        label="Frame dusted",
    ),
)

BY_KEY: dict[str, Step] = {step.key: step for step in STEPS}


def steps_of(
    scope: Scope, *, short: bool = False, lock: bool = True, with_film: bool | None = None
) -> tuple[Step, ...]:
    """Return the steps of a scope in order.

    ``short`` skips those that are habit, a holder without a ``lock`` its step; ``with_film`` takes
    only those that need film in the gate (True) or do not (False).
    """
    return tuple(
        s
        for s in STEPS
        if s.scope is scope
        and not (short and s.habit)
        and (lock or s.key != LOCK)
        and (with_film is None or s.with_film is with_film)
    )


def skipped_steps() -> tuple[Step, ...]:
    """Return the steps that the short checklist skips, for the log to name them."""
    return tuple(s for s in STEPS if s.habit)


def reminders(scope: Scope) -> tuple[str, ...]:
    """Return what the short checklist says of the steps of a scope that it skips."""
    return tuple(s.remind for s in skipped_steps() if s.scope is scope and s.remind)


def steps_to_redo(facts: Iterable[Facts], *, short: bool = False) -> tuple[Step, ...]:
    """Return the steps that the findings of pictures which were put aside ask for, once each.

    Notes ask for nothing, nor do codes of a newer program. In the ``short`` checklist the strip is
    loaded again where it has to be lined up.
    """
    keys = [
        step
        for fact in facts
        for finding in fact.findings
        if finding.severity is not Severity.NOTE and finding.code in CATALOGUE
        for step in CATALOGUE[finding.code].steps
    ]
    if short:
        keys = ["strip-load" if key == "strip-line-up" else key for key in keys]
    return tuple(BY_KEY[key] for key in dict.fromkeys(keys))
