"""The steps of the job: what to do, why, and the caution that belongs to it.

The steps are the trade's usual ones (common practice, no published source). Every step belongs
to one scope and is asked once in it: once a sitting, once a roll, once a strip, once a frame.
"""

from __future__ import annotations

from tether.bench.check_step import Part, Scope, Step
from tether.bench.setup_steps import BASE, SET_UP

__all__ = ["BY_KEY", "STEPS", "Part", "Scope", "Step", "left_out", "reminders", "steps_of"]

STEPS: tuple[Step, ...] = (
    *SET_UP,
    Step(
        "film-base",
        Scope.ROLL,
        "Make sure that the film is safety film and in a fit state to handle.",
        "Old cellulose nitrate film burns fiercely and cannot be put out: never put it on a lamp.",
        "Safety film usually says SAFETY on its edge. Film from before the early 1950s without "
        "that word, film that smells sharp, is brown, sticky or powdery is a case for an archive.",
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
