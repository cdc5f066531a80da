"""The keys of the worktable, in the order in which its foot shows them, and when each fits."""

from __future__ import annotations

from textual.binding import Binding, BindingType

from tether.archive.records import Capture, Scope
from tether.session.next_step import NextKind
from tether.session.session import View
from tether.tui.screens.setup_screens import STATIONS


def _key(key: str, action: str, words: str, what: str, *, show: bool = True) -> Binding:
    shown = key.partition(",")[0] if "," in key else None
    return Binding(key, action, words, show=show, key_display=shown, tooltip=what)


WORKTABLE_KEYS: list[BindingType] = [
    _key("enter", "proceed", "Next",
         "do what is next: confirm a step, shoot, keep a picture whose verdict is keep"),
    _key("f", "shoot", "Shoot",
         "fire the shutter; the camera's own button and a cable release count as well"),
    _key("k", "keep", "Keep", "keep the picture: it stands for the frame"),
    _key("a", "again", "Again", "put the picture aside for another take; it stays on disk"),
    _key("u", "use_advice", "Advice",
         "set the camera's shutter as the verdict advises, for another take"),
    _key("s", "mark('skipped')", "Skip", "skip the frame for good; G goes back to it at any time"),
    _key("b", "mark('blank')", "Blank", "mark the frame as blank"),
    _key("d", "mark('damaged')", "Damaged", "mark the frame as damaged"),
    _key("n", "onward", "Onward",
         "leave a frame that was gone to, and go on with the next open one"),
    _key("e", "extra", "Extra frame", "one more frame than was counted, once all are decided"),
    _key("c", "connect", "Connect", "connect to the camera again"),
    _key("x", "leave_out", "Leave out", "leave out what is open of the set-up"),
    _key("g", "go", "Go to", "go to any frame; a click on it does the same"),
    _key("q,ctrl+c", "leave", "Leave",
         "leave; everything is stored, and the next start opens at this place"),
    _key("backspace", "undo", "Undo", "take the last step or choice back"),
    _key("t", "note", "Note", "write a note about the frame"),
    _key("v", "takes", "Takes",
         "see the takes of the frame, and choose the one that stands for it"),
    _key("p", "picture", "Picture",
         "see the positive as large as the terminal; hatched spots are saturated"),
    _key("z", "ask_less", "Steps",
         "be asked less, or everything again; the log says what was left out"),
    _key("l", "log", "Log", "read the log of the roll", show=False),
    _key("w", "walk", "Walk", "the set-up walk: from a bare table to a bench that is ready",
         show=False),
    _key("space", "pause", "Pause", "pause: its time does not count as time a frame", show=False),
    _key("h", "statement", "How far",
         "how far the roll is: what was done, what to look at again, what is next"),
    *(_key(key, f"bench('{name}')", words, what) for name, (key, words, what) in STATIONS.items()),
    _key("r", "left_over", "Left over",
         "pictures on the card and files of no frame: fetch, file or leave them", show=False),
    _key("pagedown", "scroll_verdict(1)", "Read on", "read on in a long verdict", show=False),
    _key("pageup", "scroll_verdict(-1)", "Read back", "read back in it", show=False),
    _key("m", "mishap", "Mishap",
         "rehearsal only: let something go wrong on the bench, or put it right"),
    _key("o", "own_button", "Button", "rehearsal only: press the camera's own shutter button"),
]  # fmt: skip


def fits(
    view: View | None, action: str, parameters: tuple[object, ...], *, rehearsing: bool
) -> bool:
    """Whether a key has something to do where the work stands."""
    if view is None:
        return action == "leave"
    todo, step = view.place.kind, view.place.step
    when = {
        "proceed": todo is not NextKind.DONE,
        "shoot": todo in (NextKind.SHOOT, NextKind.STEP),
        "keep": todo is NextKind.DECIDE,
        "again": todo is NextKind.DECIDE,
        "use_advice": view.advised_shutter is not None and not view.shutter_is_right,
        "mark": todo is NextKind.SHOOT or (todo is NextKind.DECIDE and parameters != ("skipped",)),
        "picture": any(frame.captures for frame in view.frames),
        "takes": bool(takes_of(view)),
        "onward": view.roll.cursor is not None,
        "undo": view.can_undo,
        "extra": todo is NextKind.DONE,
        "connect": view.camera is None,
        "mishap": rehearsing,
        "own_button": rehearsing,
        "leave_out": step is not None and step.scope is Scope.SITTING,
    }
    return when.get(action, True)


def takes_of(view: View | None) -> tuple[Capture, ...]:
    """The captures of the frame that is next."""
    frame = view.place.frame if view else None
    return view.frames[frame - 1].captures if view and frame else ()
