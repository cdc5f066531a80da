"""When a key of the main screen has something to do."""

from __future__ import annotations

from tether.archive.records import Capture, Scope
from tether.session.next_step import NextKind
from tether.session.session import View


def fits(
    view: View | None, action: str, parameters: tuple[object, ...], *, rehearsing: bool
) -> bool:
    """Whether a key has something to do where the work stands."""
    if view is None:
        return action == "leave"
    todo, step = view.place.kind, view.place.step
    when = {
        "proceed": todo is not NextKind.DONE,
        "done": step is not None and bool(step.station),
        "shoot": todo in (NextKind.SHOOT, NextKind.STEP),
        "keep": todo is NextKind.DECIDE,
        "again": todo is NextKind.DECIDE,
        "backwards": _can_read_backwards(view),
        "use_advice": view.advised_shutter is not None and not view.shutter_is_right,
        "mark": todo is NextKind.SHOOT or (todo is NextKind.DECIDE and parameters != ("skipped",)),
        "picture": any(frame.captures for frame in view.frames),
        "takes": bool(takes_of(view)),
        "onward": view.roll.cursor is not None,
        "undo": view.can_undo,
        "extra": todo is NextKind.DONE,
        "connect": view.camera is None,
        "bench": parameters != ("hands-free",)
        or (view.camera is not None and todo is not NextKind.DONE),
        "mishap": rehearsing,
        "own_button": rehearsing,
        "leave_out": step is not None and step.scope is Scope.SITTING,
    }
    return when.get(action, True)


def _can_read_backwards(view: View) -> bool:
    """Whether a picture waits that does not count as seen through the base already."""
    waiting = view.place.capture
    return waiting is not None and waiting.facts.base_side is not True


def takes_of(view: View | None) -> tuple[Capture, ...]:
    """The captures of the frame that is next."""
    frame = view.place.frame if view else None
    return view.frames[frame - 1].captures if view and frame else ()
