"""Where the work stands: derived, every time, from what is stored."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from tether.archive.records import Capture, Confirmed, Frame, Roll, Scope
from tether.bench.steps import Step, steps_of
from tether.findings import Verdict


class NextKind(StrEnum):
    """What kind of thing is next."""

    STEP = "step"
    SHOOT = "shoot"
    DECIDE = "decide"
    DONE = "done"


@dataclass(frozen=True, slots=True)
class NextStep:
    """The next thing to do. ``step`` goes with STEP, ``capture`` with DECIDE."""

    kind: NextKind
    frame: int | None = None
    strip: int | None = None
    step: Step | None = None
    capture: Capture | None = None

    def sentence(self) -> str:
        """Say it in a few words, for the screen and the log."""
        if self.step:
            where = {
                Scope.SITTING: "set-up",
                Scope.ROLL: "roll",
                Scope.STRIP: f"strip {self.strip}",
                Scope.FRAME: f"frame {self.frame}",
            }[self.step.scope]
            return f"{where}: {self.step.what.rstrip('.')}"
        return {
            NextKind.SHOOT: f"shoot frame {self.frame}",
            NextKind.DECIDE: f"frame {self.frame}, keep or reshoot",
        }.get(self.kind, "nothing, all frames are done")


def find_next_step(
    roll: Roll,
    frames: Sequence[Frame],
    confirmed: Sequence[Confirmed],
    *,
    short: bool,
    lock: bool = False,
) -> NextStep:
    """Derive the next thing to do.

    Parameters
    ----------
    roll, frames
        As stored.
    confirmed
        The steps confirmed in this session, in the order of doing.
    short, lock
        Whether steps of habit are skipped, and whether the holder has a lock.
    """
    number = roll.next_frame(frames, in_gate(confirmed))
    if number is None:
        return NextStep(NextKind.DONE)
    frame = frames[number - 1]
    strip = roll.strip_of(number)
    # A picture that waits for a decision comes first: it was taken, whatever else is open.
    if frame.undecided is not None:
        return NextStep(NextKind.DECIDE, number, strip, capture=frame.undecided)
    for scope, at, with_film in (
        # The film is checked before the lamp is warm.
        (Scope.ROLL, 0, False),
        (Scope.SITTING, 0, False),
        (Scope.STRIP, strip, False),
        (Scope.FRAME, number, False),
        # Focus and the roll's exposure need film in the gate: now it is there.
        (Scope.SITTING, 0, True),
        (Scope.ROLL, 0, True),
    ):
        done = in_force(confirmed, scope, at)
        for step in steps_of(scope, short=short, lock=lock, with_film=with_film):
            if step.key not in done:
                return NextStep(NextKind.STEP, number, strip, step=step)
    return NextStep(NextKind.SHOOT, number, strip)


def asks_which_side(roll: Roll, frames: Sequence[Frame], place: NextStep) -> bool:
    """Whether to ask if writing reads the right way round in the picture that waits.

    So at a strip's first picture, where nothing on the film shows which side faces the lens.
    """
    take = place.capture
    if take is None or take.facts.base_side is not None or take.verdict is Verdict.RESHOOT:
        return False
    return not any(f.chosen for f in frames if roll.strip_of(f.number) == place.strip)


def in_gate(confirmed: Sequence[Confirmed]) -> int:
    """Return the frame that was brought into the gate last, 0 for none."""
    return next((c.place for c in reversed(confirmed) if c.key == "frame-advance"), 0)


def set_up_done(confirmed: Sequence[Confirmed], *, short: bool, lock: bool) -> bool:
    """Whether every step of the set-up and of the roll's beginning is done."""
    return all(
        step.key in in_force(confirmed, scope, 0)
        for scope in (Scope.SITTING, Scope.ROLL)
        for with_film in (False, True)
        for step in steps_of(scope, short=short, lock=lock, with_film=with_film)
    )


def in_force(confirmed: Sequence[Confirmed], scope: Scope, at: int) -> set[str]:
    """Return the keys of the steps of a scope that still hold.

    A strip's steps hold until another strip is loaded, a frame's until another frame is brought
    into the gate or a strip is loaded.
    """
    if scope in (Scope.SITTING, Scope.ROLL):
        return {c.key for c in confirmed if c.scope is scope}
    held: set[str] = set()
    for c in reversed(confirmed):
        if c.scope is scope:
            if c.place != at:
                break
            held.add(c.key)
        elif scope is Scope.FRAME and c.scope is Scope.STRIP:
            break
    return held
