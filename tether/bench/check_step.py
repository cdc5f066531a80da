"""What a step of the checklist is, how often it comes up, and which part of the bench it is on."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Scope(StrEnum):
    """How often a step comes up."""

    SITTING = "sitting"
    ROLL = "roll"
    STRIP = "strip"
    FRAME = "frame"


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
