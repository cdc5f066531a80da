"""Every key of every screen, by its id: what it does, and which key a person has bound to it.

The table holds the built-in keys. A person binds others by their ids in the settings file,
``[keys]``; `Keys` is what is in force, and gives each text the name of the key: ``keys["shoot"]``.
Texts that are written once for all, a step's or a screen's help, name an action by its id in
braces, ``{shoot}``; `Keys.put_into` writes the key there.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from itertools import chain
from typing import Any, Protocol

from textual import keys as textual_keys
from textual.binding import Binding, BindingType
from textual.events import Event, Key
from textual.screen import Screen


def _key(
    name: str, keys: str, action: str, words: str, what: str,
    *, show: bool = True, priority: bool = False,
) -> Binding:  # fmt: skip
    return Binding(keys, action, words, show, priority=priority, tooltip=what, id=name)


def _hidden(name: str, keys: str, action: str, words: str, what: str) -> Binding:
    return _key(name, keys, action, words, what, show=False)


EVERYWHERE: tuple[Binding, ...] = (
    _key("help", "question_mark,f1", "app.help", "Help", "this help; in a text field F1 has it"),
    _hidden("palette", "ctrl+p", "app.command_palette", "Commands",
            "find a command by its words; themes; a picture of the screen"),
)  # fmt: skip
"""The keys of every screen. A screen over another one has to have them itself."""

APP: tuple[Binding, ...] = (
    _key("quit", "ctrl+c", "leave", "Leave", "leave the program", show=False, priority=True),
    _key("forward", "f24", "forward", "Forward", "what comes next, for a foot switch",
         show=False, priority=True),
)  # fmt: skip
"""The keys of the program itself, which come before all others."""

_BACK = _key("back", "escape,q", "leave", "Back", "back to the main screen")
_CLOSE = _key("back", "escape,q", "leave", "Back", "back")
_CANCEL = _key("cancel", "escape", "leave", "Back", "back, nothing changed")
_LINES = (
    _key("next-line", "enter", "next_line", "Next line", "go to the next field", show=False,
         priority=True),
    _key("next-field", "tab", "app.focus_next", "Next field", "go to the next field", show=False,
         priority=True),
)  # fmt: skip
"""Keys of a form. They come before those of its fields, so that what a scanner or a paste types in
one burst goes into the field that it is for."""

CHANGES_A_FRAME = frozenset(
    {"shoot", "keep", "reshoot", "backwards", "advice", "skip", "blank", "damaged", "fetch-all"}
)
"""Ids of keys that change a frame's state. No other action has one of these keys on any screen."""

TABLE: Mapping[str, tuple[Binding, ...]] = {
    "main screen": (
        _key("next", "enter", "proceed", "Next",
             "do the next thing: open the step's screen, confirm the step, shoot, or keep a take "
             "whose verdict is keep"),
        _key("done", "y", "done", "Done already", "the step is done already; opens no screen"),
        _key("shoot", "f", "shoot", "Shoot",
             "fire the shutter; the camera's own button and a cable release work, too"),
        _key("keep", "k", "keep", "Keep", "keep this take for the frame"),
        _key("reshoot", "a", "again", "Reshoot", "shoot another take; this one stays on disk"),
        _hidden("backwards", "ctrl+b", "backwards", "Reads backwards",
             "writing in the positive reads backwards: the shiny side faces the lens"),
        _key("advice", "u", "use_advice", "Advice",
             "set the shutter as the verdict advises, for another take"),
        _key("skip", "s", "mark('skipped')", "Skip",
             "skip the frame; {go-to} takes you back to it at any time"),
        _key("blank", "b", "mark('blank')", "Blank", "mark the frame as blank"),
        _key("damaged", "d", "mark('damaged')", "Damaged",
             "keep the picture, and mark its film as damaged; again to take the mark away"),
        _key("takes", "v", "takes", "Takes", "compare the frame's takes and choose which to keep"),
        _key("picture", "p", "picture", "Picture",
             "show the positive as large as the terminal; clipped spots are hatched"),
        _key("onward", "n", "onward", "Next open", "leave this frame and go to the next open one"),
        _key("extra-frame", "e", "extra", "Extra frame",
             "add a frame to the roll when all others are done"),
        _key("next-roll", "r", "next_roll", "Next roll",
             "begin the next roll: the next on the list, or the same film with the next number"),
        _key("connect", "c", "connect", "Connect", "connect to the camera again"),
        _key("skip-rest", "x", "leave_out", "Skip set-up", "skip the rest of the set-up"),
        _key("undo", "backspace", "undo", "Undo", "undo the last step or choice"),
        _key("go-to", "g", "go", "Go to", "go to any frame; you can also click it"),
        _key("note", "t", "note", "Note", "write a note about the frame"),
        _key("progress", "h", "statement", "Progress",
             "progress of the roll: frames done, frames to check, what to do next"),
        _key("checklist", "z", "ask_less", "Checklist",
             "short or full checklist; the log lists the skipped steps"),
        _key("leave", "q", "leave", "Leave",
             "leave; everything is stored, and the next start resumes here"),
        _key("mishap", "m", "mishap", "Mishap",
             "rehearsal only: let something go wrong, or put it right"),
        _key("button", "o", "own_button", "Button",
             "rehearsal only: press the camera's own shutter button"),
        _key("camera-check", "1", "bench('camera-check')", "camera",
             "check the camera's settings"),
        _key("focus", "2", "bench('focus')", "focus",
             "live picture, with the sharpness of middle and corners"),
        _key("light-test", "3", "bench('light-test')", "light",
             "measure the light on the open gate: evenness, flicker, colour, stray light"),
        _key("base-exposure", "4", "bench('base-exposure')", "base",
             "set the roll's exposure on its clear film"),
        _hidden("give-up", "escape", "give_up", "Give up",
                "stop waiting for a camera that does not answer"),
        _hidden("log", "l", "log", "Log", "read the log of the roll"),
        _hidden("set-up", "w", "walk", "Set-up", "set up the bench, step by step"),
        _hidden("pause", "space", "pause", "Pause", "pause; paused time is not counted"),
        _hidden("hands-free", "5", "bench('hands-free')", "Hands free",
                "shoot film that comes to rest without a key"),
        _hidden("not-assigned", "i", "left_over", "Not assigned",
                "pictures on the card and files that belong to no frame yet"),
        _hidden("read-on", "pagedown", "scroll_verdict(1)", "Read on", "read on in a long verdict"),
        _hidden("read-back", "pageup", "scroll_verdict(-1)", "Read back",
                "read back in a long verdict"),
    ),
    "set-up": (
        # The list of steps has some of these keys too: those of the screen come first.
        _key("next", "enter", "proceed", "Next", "do the step, or open the screen for it",
             priority=True),
        _key("done", "y", "done", "Done already", "the step is done already; opens no screen"),
        _key("retry", "r", "again", "Ask again", "do a finished step again"),
        _key("set-up", "w", "bench", "Which bench", "choose another bench, or change this one"),
        _key("skip-rest", "x", "leave_out", "Skip set-up", "skip the rest of the set-up"),
        _hidden("undo", "backspace", "undo", "Undo", "undo the last set-up step"),
        _key("read-on", "pagedown", "read(1)", "Read on", "read on in a long step",
             show=False, priority=True),
        _key("read-back", "pageup", "read(-1)", "Read back", "read back in a long step",
             show=False, priority=True),
        _BACK,
    ),
    "bench form": (
        _key("save", "ctrl+s", "save", "Save", "save this bench"), *_LINES, _CANCEL
    ),
    "camera check": (
        _key("next", "enter", "proceed", "Next", "back, once nothing is left to change"),
        _key("set-all", "c", "set_up", "Change all", "set everything that can be set from here"),
        _key("put-back", "z", "put_back", "Restore", "restore the settings from before"),
        _key("retry", "r", "check", "Read again", "read the camera again"),
        _BACK,
    ),
    "focus": (
        _key("next", "enter", "sharp", "Sharp", "back, when it is sharp"),
        _key("retry", "r", "retry", "Start again",
             "forget the best values, or look for the live picture again"),
        _key("magnify", "m", "magnify", "Magnify", "rehearsal only: the camera's own magnifier"),
        _key("ring-back", "[", "turn_ring(-1)", "Ring", "rehearsal only: turn the focusing ring"),
        _key("ring-on", "]", "turn_ring(1)", "Ring", "rehearsal only: turn the focusing ring back"),
        _BACK,
    ),
    "hands free": (
        _key("next", "enter", "go_on", "Continue", "continue after a stop"),
        _key("shoot", "f", "say('shoot')", "Shoot", "shoot the frame in the gate"),
        _key("keep", "k", "say('keep')", "Keep", "keep the picture that waits"),
        _key("reshoot", "a", "say('again')", "Reshoot",
             "put the waiting picture aside for another take"),
        _key("undo", "backspace", "say('undo')", "Undo", "take the last choice back"),
        _key("pause", "space", "hold", "Hold", "hold the work; again to continue"),
        _BACK,
    ),
    "light test": (
        _key("next", "enter", "proceed", "Next", "measure, then go back"),
        _key("retry", "r", "measure", "Measure again", "measure again after a change"),
        _key("skip-dark", "x", "skip", "Skip", "skip the picture with the lamp off"),
        _key("put-back", "z", "put_back", "Restore shutter",
             "set the shutter as it was before an interrupted test"),
        _BACK,
    ),
    "base exposure": (
        _key("next", "enter", "proceed", "Next", "measure, set the shutter, or go back"),
        _key("on-frame", "g", "frame", "Frame", "measure on the frame in the gate"),
        _key("retry", "r", "anew", "Start again", "begin again, with other film in the gate"),
        _BACK,
    ),
    "not assigned": (
        _key("fetch-all", "f", "all_in_order", "Copy all",
             "copy all pictures from the card, oldest first, to the next open frames"),
        _key("leave-all", "l", "leave_all", "Leave all",
             "leave the files where they are that nothing else can be done with"),
        _key("retry", "r", "look_again", "Search again", "search card and folder again"),
        _BACK,
    ),
    "pause": (
        _key("next", "enter", "go_on", "Continue", "continue the work"),
        _hidden("pause", "space", "go_on", "Continue", "continue the work"),
        _hidden("cancel", "escape", "go_on", "Continue", "continue the work"),
    ),
    "opening": (
        _key("retry", "r", "retry", "Try again", "search for the roll and the camera again"),
        _key("leave", "q", "app.leave", "Leave", "leave the program"),
        _hidden("cancel", "escape", "app.leave", "Leave", "leave the program"),
    ),
    "rolls": (
        _key("leave", "q", "leave", "Leave", "leave the program"),
        _hidden("cancel", "escape", "leave", "Leave", "leave the program"),
    ),
    "a new roll": (
        _key("save", "ctrl+s", "start", "Start the roll", "start the roll"),
        *_LINES,
        _CANCEL,
    ),
    "question": (_CANCEL,),
    "choice": (_CANCEL,),
    "reading": (
        _CLOSE,
        _hidden("next", "enter", "leave", "Back", "back"),
        _hidden("help", "question_mark,f1", "leave", "Back", "back"),
        _hidden("scroll-down", "down", "down", "Down", "read on"),
        _hidden("scroll-up", "up", "up", "Up", "read back"),
    ),
    "positive": (
        _key("contrast", "c", "contrast(False)", "Contrast",
             "next contrast of this frame's positive: soft, normal, hard; deliveries use it"),
        _key("contrast-roll", "w", "contrast(True)", "For the roll",
             "give all frames of the roll this contrast"),
        _CLOSE,
        _hidden("picture", "p", "leave", "Back", "back"),
        _hidden("next", "enter", "leave", "Back", "back"),
    ),
}  # fmt: skip
"""By screen, its keys in the order in which its foot shows them."""

BUILT_IN: Mapping[str, str] = {
    str(row.id): row.key for row in chain(APP, EVERYWHERE, *TABLE.values())
}
"""By id, the keys of the table. An id has the same keys on every screen that has it."""

_WHILE_WRITING = frozenset({"save", "cancel", "next-line", "next-field"})
"""Ids of keys that work while text is written, where a letter would be one of the text."""


def bindings(screen: str) -> list[BindingType]:
    """Return the keys of a screen, those of every screen among them, as Textual takes them."""
    return [*_rows(screen)]


def _rows(screen: str) -> tuple[Binding, ...]:
    own = TABLE[screen]
    taken = {row.id for row in own}
    return *own, *(row for row in EVERYWHERE if row.id not in taken)


def bindings_of(kind: type[Screen[Any]]) -> Iterable[Binding]:
    """Return the built-in keys of a kind of screen, one for each key, in their order."""
    return Binding.make_bindings(vars(kind).get("BINDINGS", EVERYWHERE))


def key_name(key: str) -> str:
    """Return how a key is written in texts, help and documents: F, Esc, Ctrl-S."""
    return "-".join(_name_of(part) for part in key.split("+"))


def _name_of(part: str) -> str:
    character = textual_keys.key_to_character(part) or ""
    if character > " " and character.isprintable():
        return character.upper()
    return _NAMES.get(part, part.title())


_NAMES = {
    "escape": "Esc",
    "pageup": "Page Up",
    "pagedown": "Page Down",
    "up": "↑",
    "down": "↓",
}
"""Keys that are not written as Textual spells them."""


class Keys:
    """The keys in force: those of the table, and a person's own where these can be.

    ``own`` are keys by id, each a key or several with commas between them, as Textual writes them:
    ``k``, ``f8``, ``ctrl+n``, ``pagedown``. One that cannot be is left out and named in
    `complaints`; its action keeps the key of the table.
    """

    def __init__(self, own: Iterable[tuple[str, str]] = ()) -> None:
        self.complaints: list[str] = []
        self.own: dict[str, str] = dict(self._sensible(own))
        """Keys by id where they differ from the table, for Textual."""
        while (clash := _clash(self.own)) is not None:
            key, ours, other, screen = clash
            del self.own[ours]
            self.complaints.append(
                f"{ours}: {key_name(key)} is the key of '{other}' (screen '{screen}'). "
                f"It stays {self[ours]}."
            )

    def _sensible(self, own: Iterable[tuple[str, str]]) -> Iterator[tuple[str, str]]:
        for name, said in own:
            if not said:
                continue  # as `tether settings --write` says: the key of the table
            keys = [row.key for row in Binding.make_bindings([Binding(said.lower(), "")])]
            if name not in BUILT_IN:
                self.complaints.append(f"{name}: there is no such action.")
            elif strange := [k for k in keys if not _is_key(k)]:
                self.complaints.append(f"{name}: there is no key '{strange[0]}'.")
            elif name in _WHILE_WRITING and any(len(k) == 1 for k in keys):
                self.complaints.append(f"{name}: a letter would be written as text.")
            else:
                yield name, ",".join([*(["f24"] if name == "forward" else []), *keys])

    def __getitem__(self, action: str) -> str:
        """Return the name of the key of an action, of the first one where it has several."""
        return self._names(action)[0]

    def _names(self, action: str) -> list[str]:
        return [key_name(key) for key in self.own.get(action, BUILT_IN[action]).split(",")]

    def bound(self, kind: type[Screen[Any]], key: str) -> Iterator[Binding]:
        """Yield what a kind of screen has bound to a key."""
        for row in bindings_of(kind):
            if key in self.own.get(str(row.id), row.key).split(","):
                yield row

    def rows(self, kind: type[Screen[Any]]) -> dict[str, tuple[list[str], str]]:
        """Return what a kind of screen does: by action, the names of its keys and what it does."""
        rows: dict[str, tuple[list[str], str]] = {}
        for row in bindings_of(kind):
            what = self.put_into(row.tooltip or row.description.lower())
            names = rows.setdefault(row.action, ([], what))[0]
            own = self._names(row.id) if row.id else [key_name(row.key)]
            names += [name for name in own if name not in names]
        return rows

    def has(self, action: str, event: Event) -> bool:
        """Whether an event is a key of an action."""
        bound = self.own.get(action, BUILT_IN[action]).split(",")
        return isinstance(event, Key) and event.key in bound

    def put_into(self, text: str) -> str:
        """Return a text with the name of the key for each id in braces."""
        return _IN_BRACES.sub(lambda m: self[m[1]] if m[1] in BUILT_IN else m[0], text)


class Shell(Protocol):
    """What the parts of a screen read of the program."""

    keys: Keys
    cramped: bool


_IN_BRACES = re.compile(r"\{([a-z0-9-]+)\}")


def _is_key(key: str) -> bool:
    *modifiers, last = key.split("+")
    named = {k.value for k in textual_keys.Keys} | set(textual_keys.KEY_TO_UNICODE_NAME)
    return set(modifiers) <= {"ctrl", "alt", "shift"} and (len(last) == 1 or last in named)


def _clash(own: Mapping[str, str]) -> tuple[str, str, str, str] | None:
    """Find a key of a person's own that a screen has for two actions: key, id, the other, screen.

    The key of a foot switch may be another's too: it comes before all others.
    """
    for screen in TABLE:
        taken = {row.key: row for row in APP}
        for row in sorted(_rows(screen), key=lambda row: row.id in own):
            for key in own.get(str(row.id), row.key).split(","):
                other = taken.setdefault(key, row)
                if other.action != row.action:
                    return key, str(row.id), str(other.id), screen
    return None
