"""The words and keys between the program and a person who works hands free."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from tether.bench.film_watch import FilmMotion

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


class Cue(StrEnum):
    """What the person is told, large."""

    LAY_STRIP = "Lay the next strip"
    HOLD_STILL = "Let the film rest"
    MOVE_ON = "Move the film on"
    WRONG_PLACE = "The film is off"
    HAND = "Take your hand away"
    COUNT_LOST = "Which frame is it?"
    LOOK = "Look at this picture"
    RESHOOT = "Shoot it again"
    BY_KEYS = "On with keys"
    DONE = "The roll is complete"


class Command(StrEnum):
    """What a person can say by a key."""

    SHOOT = "shoot"
    KEEP = "keep"
    AGAIN = "again"
    UNDO = "undo"


@dataclass(frozen=True, slots=True)
class Moment:
    """How the work is, for a screen.

    Attributes
    ----------
    cue, text
        What to do, and why.
    frame
        The frame that is worked on.
    film
        Where the film is; None before the first live picture.
    push_mm
        How far to move the film, positive in the direction in which it has moved so far.
    live
        The live picture: linear light, shape (h, w, 3), 0..1; None before the first.
    done
        How many frames are decided.
    releases, live_seconds, battery_percent
        What the work costs the camera: since it began, and what is left (None where not known).
    """

    cue: Cue
    text: str
    frame: int | None = None
    film: FilmMotion | None = None
    push_mm: float = 0.0
    live: NDArray[np.float32] | None = None
    done: int = 0
    releases: int = 0
    live_seconds: float = 0.0
    battery_percent: float | None = None
