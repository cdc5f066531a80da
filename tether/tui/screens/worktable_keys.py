"""When a key of the main screen has something to do, and which choices it offers."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from tether.archive.records import Capture, Scope
from tether.session.next_step import NextKind
from tether.session.session import View
from tether.tui.widgets.title_line import Mishap

_DECISIONS = {"chosen": "kept", "other": "not kept"}


def fits(
    view: View | None, action: str, parameters: tuple[object, ...], *, rehearsing: bool
) -> bool | None:
    """Whether a key has something to do now.

    None where it has nothing to do and keeps its place at the foot, so that others keep theirs.
    """
    if view is None:
        return action == "leave"
    todo, step = view.place.kind, view.place.step
    when: dict[str, bool | None] = {
        "proceed": todo is not NextKind.DONE,
        "done": step is not None and bool(step.station),
        "shoot": todo is NextKind.SHOOT or (None if todo is NextKind.STEP else False),
        "keep": todo is NextKind.DECIDE,
        "again": todo is NextKind.DECIDE,
        "backwards": _can_read_backwards(view),
        "use_advice": (view.advised_shutter is not None and not view.shutter_is_right)
        or (None if todo is NextKind.DECIDE else False),
        "mark": _can_mark(view, str(parameters[0]) if parameters else ""),
        "picture": any(frame.captures for frame in view.frames),
        "takes": bool(takes_of(view)),
        "onward": view.roll.cursor is not None,
        "undo": view.can_undo or None,
        "extra": todo is NextKind.DONE,
        "next_roll": todo is NextKind.DONE and not rehearsing,
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


def _can_mark(view: View, state: str) -> bool:
    """Whether the frame that is next can be marked: of one that was gone to, from the table."""
    todo, there = view.place.kind, bool(takes_of(view))
    gone_to = todo is NextKind.STEP and view.roll.cursor is not None
    if todo is NextKind.DECIDE:
        return state != "skipped"
    return (todo is NextKind.SHOOT or gone_to) and (there or state != "damaged")


def takes_of(view: View | None) -> tuple[Capture, ...]:
    """The captures of the frame that is next."""
    frame = view.place.frame if view else None
    return view.frames[frame - 1].captures if view and frame else ()


def take_choices(takes: Sequence[Capture]) -> list[tuple[str, str]]:
    """Return takes to choose from, each with its id."""
    return [
        (
            str(c.id),
            f"Take {c.take}   {c.verdict.mark} {c.verdict.word:<11} "
            f"{_DECISIONS.get(c.decision or '', 'waits for your choice')}",
        )
        for c in takes
    ]


def mishap_choices(mishaps: Sequence[Mishap], active: Collection[str]) -> Iterator[tuple[str, str]]:
    """Yield a rehearsal's mishaps to choose from, each with its code; headings have none."""
    before = ""
    for code, label, heading in mishaps:
        if heading != before:
            yield "", heading
        before = heading
        yield code, f"{'[x]' if code in active else '[ ]'} {label}"


def frame_complaint(text: str, last: int) -> str | None:
    """Return what is wrong with a frame's number that was written, None for nothing."""
    if text.isdecimal() and 1 <= int(text) <= last:
        return None
    return f"Give a number from 1 to {last}."
