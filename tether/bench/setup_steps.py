"""The steps that ready the bench, from a bare table to the first frame.

They are the trade's usual ones (common practice, no published source). Those that need film in
the gate come up when the first frame lies there.
"""

from __future__ import annotations

from tether.bench.check_step import Part, Scope, Step

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
        "W opens the set-up walk, where a bench gets a name and its parts are written down. "
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
        "Hold the lens against the lamp at a slant: no speck, no smear, no fibre, front and rear.",
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
        "The lit gate shows in the viewfinder with its whole frame and about a millimetre of "
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
        "Look down on the gate through the viewfinder, far out of focus: an even field with no "
        "pattern, no shadow of a lead, no bright edge.",
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
        "Hand over the gate, lamp off: you can hardly see it in the viewfinder. Lamp on: two light "
        "tests five minutes apart agree.",
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
        station="camera",
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
        station="light",
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
    station="base",
    label="Base exposure, film in",
)
"""Belongs to each roll, and needs its film in the gate."""

WALK: tuple[Step, ...] = (*SET_UP, BASE)
"""The steps of the set-up walk."""
