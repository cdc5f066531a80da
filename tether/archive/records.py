"""A roll of film and its frames, as they are stored."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from pathlib import Path
from typing import Any, NamedTuple

from tether.camera.protocol import CardFile
from tether.description import FrameDescription, RollDescription
from tether.errors import TetherError
from tether.facts import Facts
from tether.film import FILM_FORMATS, FilmFormat, FilmProcess
from tether.findings import Verdict
from tether.settings import STROBE
from tether.text import is_control, plural, printable

#: How a roll may be cut: frames a strip, 0 for an uncut roll. 35 mm film is cut in four to six, 120
#: film in two to four; a mounted slide is a strip of one; half frames lie twice as close.
STRIP_CUTS = (1, 2, 3, 4, 5, 6, 8, 10, 12, 0)
LIGHT = "light"
"""Beside the camera's settings of a capture: the kind of its light, where it was a strobe."""
LONGEST_ROLL = 500
MOST_TAKES = 99_999
LARGEST_FILE = 1 << 50
LONGEST_NAME_BYTES = 255


def within(what: str, number: int, low: int, high: int) -> int:
    """Return a stored number.

    Raises
    ------
    ValueError
        When it is out of its range.
    """
    if not low <= number <= high:
        raise ValueError(f"{what} {number} is not within {low} and {high}")
    return number


def checksum(text: str) -> str:
    """Return a stored SHA-256.

    Raises
    ------
    ValueError
        When it is none.
    """
    if not _SHA256.match(text):
        raise ValueError(f"'{text:.70}' is no checksum")
    return text


_SHA256 = re.compile(r"^[0-9a-f]{64}\Z")


class RollError(TetherError):
    """A roll's facts do not make sense; nothing was stored."""


class FrameState(StrEnum):
    """What was decided about a frame."""

    OPEN = "open"
    KEPT = "kept"
    SKIPPED = "skipped"
    BLANK = "blank"
    DAMAGED = "damaged"

    @property
    def mark(self) -> str:
        """One character that says the state without colour."""
        return {"open": "·", "kept": "✓", "skipped": "»", "blank": "○", "damaged": "×"}[self.value]


@dataclass(frozen=True, slots=True)
class NewRoll:
    """What a person says of a roll before its first frame; checked by `checked`."""

    name: str
    process: FilmProcess
    format_key: str = "135"
    frames_expected: int = 36
    strip_length: int = 6
    notes: str = ""
    description: RollDescription = field(default_factory=RollDescription)

    def checked(self) -> NewRoll:
        """Return the same roll with its texts in normal form.

        Raises
        ------
        RollError
            When a name cannot become a folder, or a number is out of range.
        """
        if self.format_key not in FILM_FORMATS:
            raise RollError(
                f"There is no film format '{printable(self.format_key)}'.",
                todo=f"Use one of: {', '.join(FILM_FORMATS)}.",
            )
        if not 1 <= self.frames_expected <= LONGEST_ROLL:
            raise RollError(
                f"A roll has 1 to {LONGEST_ROLL} frames, not {self.frames_expected}.",
                todo="Count the frames on the strips and give that number.",
            )
        if self.strip_length not in STRIP_CUTS:
            raise RollError(
                f"Strips of {self.strip_length} frames are not known here.",
                todo="Use 1 to 6 frames per strip, or 8, 10 or 12 half frames. Use 0 for an uncut "
                "roll.",
            )
        return replace(self, name=checked_name(self.name), notes=self.notes.strip())


def checked_name(name: str) -> str:
    """Return a roll name in normal form (NFC, no blanks at its ends).

    Raises
    ------
    RollError
        When the name is empty, too long, or holds a slash or a control character: it becomes
        the name of a folder.
    """
    tidy = unicodedata.normalize("NFC", name).strip()
    wrong, todo = "", "Use letters, digits, blanks and dashes, as on the sleeve."
    if not tidy or set(tidy) <= {"."}:
        wrong = "A roll needs a name."
    elif any(c in "/\\" for c in tidy):
        wrong = f"A roll name becomes a folder, so '{printable(tidy)}' cannot hold a slash."
    elif any(is_control(c) for c in tidy):
        wrong = f"The roll name '{printable(tidy)}' holds a control character."
    elif len(tidy.encode("utf-8")) > LONGEST_NAME_BYTES:
        wrong = f"The roll name '{printable(tidy, 40)}' is longer than 255 bytes."
        todo = "Use a shorter one, and put the rest into the notes."
    if wrong:
        raise RollError(wrong, todo=todo)
    return tidy


@dataclass(frozen=True, slots=True)
class Roll:
    """A roll as it is stored. ``cursor`` is the frame a person asked to go to, if any."""

    id: int
    name: str
    folder: str
    process: FilmProcess
    format_key: str
    frames_expected: int
    strip_length: int
    notes: str = ""
    cursor: int | None = None
    description: RollDescription = field(default_factory=RollDescription)

    def as_new(self) -> NewRoll:
        """Return what was said of the roll, without where it is and how far."""
        return NewRoll(
            self.name,
            self.process,
            self.format_key,
            self.frames_expected,
            self.strip_length,
            self.notes,
            self.description,
        )

    @property
    def film_format(self) -> FilmFormat:
        """The geometry of the roll's format."""
        return FILM_FORMATS[self.format_key]

    @property
    def strips(self) -> int:
        """How many strips the roll was cut into."""
        return self.strip_of(self.frames_expected)

    def strip_of(self, frame: int) -> int:
        """Return the strip (1 and up) on which a frame (1 and up) lies."""
        return 1 if self.strip_length == 0 else (frame - 1) // self.strip_length + 1

    def frames_of(self, strip: int) -> range:
        """Return the frame numbers on a strip."""
        if self.strip_length == 0:
            return range(1, self.frames_expected + 1)
        first = (strip - 1) * self.strip_length + 1
        return range(first, min(first + self.strip_length, self.frames_expected + 1))

    def next_frame(self, frames: Sequence[Frame], here: int = 0) -> int | None:
        """Return the frame to work on, None when all are done.

        That is the frame the person asked for, else one that is open or has a picture waiting: of
        the strip on which ``here`` lies, from it onward before those in front of it, then of the
        whole roll.
        """
        if self.cursor is not None:
            return self.cursor
        free = [
            f.number
            for f in frames
            if f.undecided or (f.state is FrameState.OPEN and f.number <= self.frames_expected)
        ]
        strip = [n for n in free if here and self.strip_of(n) == self.strip_of(here)]
        return next((n for n in strip if n >= here), next(iter(strip or free), None))


@dataclass(frozen=True, slots=True)
class Capture:
    """One raw file of one frame. ``decision`` is None until the person has decided.

    ``facts`` is what the judge measured (see docs/json.md), ``settings`` the camera's settings
    by role at the time, ``companions`` the names of other files of the same release.
    """

    id: int
    frame: int
    take: int
    file_name: str
    size: int
    sha256: str
    taken_at: str
    origin: str
    decision: str | None = None
    verdict: Verdict = Verdict.UNJUDGED
    facts: Facts = field(default_factory=Facts)
    settings: dict[str, str] = field(default_factory=dict)
    companions: tuple[str, ...] = ()

    @property
    def strobe(self) -> bool:
        """Whether a strobe lit it: then its shutter time does not tell how much light it had."""
        return self.settings.get(LIGHT) == STROBE


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame with its captures, oldest first."""

    number: int
    state: FrameState = FrameState.OPEN
    note: str = ""
    captures: tuple[Capture, ...] = ()
    description: FrameDescription = field(default_factory=FrameDescription)

    @property
    def chosen(self) -> Capture | None:
        """The capture that stands for the frame."""
        return next((c for c in reversed(self.captures) if c.decision == "chosen"), None)

    @property
    def undecided(self) -> Capture | None:
        """The capture that waits for a decision."""
        return next((c for c in reversed(self.captures) if c.decision is None), None)


def base_side_takes(roll: Roll, frames: Iterable[Frame]) -> frozenset[int]:
    """Return the ids of the takes for which the base side of the film faced the lens.

    What a kept take shows, or a person saw in it, holds for the later ones of its strip, until one
    says otherwise; what a rejected take shows is its own, because the strip was turned since.
    """
    takes = sorted((c for frame in frames for c in frame.captures), key=lambda c: c.id)
    strips: dict[int, bool] = {}
    found = set()
    for take in takes:
        strip, seen = roll.strip_of(take.frame), take.facts.base_side
        base_side = strips.get(strip, False) if seen is None else seen
        if take.decision == "chosen":
            strips[strip] = base_side
        if base_side:
            found.add(take.id)
    return frozenset(found)


class Scope(StrEnum):
    """How often a step of the checklist comes up."""

    SITTING = "sitting"
    ROLL = "roll"
    STRIP = "strip"
    FRAME = "frame"


@dataclass(frozen=True, slots=True)
class Sitting:
    """One stretch of work at the bench."""

    id: int
    started_at: str
    active_at: str
    camera: str
    short: bool


@dataclass(frozen=True, slots=True)
class Confirmed:
    """A confirmed step; ``place`` is the strip or frame number, 0 for a sitting or roll."""

    scope: Scope
    place: int
    key: str


@dataclass(frozen=True, slots=True)
class Intent:
    """Something that was begun and is not known to have ended."""

    id: int
    kind: str
    frame: int
    facts: Mapping[str, Any]
    begun_at: str


@dataclass(frozen=True, slots=True)
class RollProgress:
    """How far a roll is; ``next_frame`` is None when it is complete."""

    roll: Roll
    frames_done: int
    next_frame: int | None


class RollLine(NamedTuple):
    """A roll in a list. ``next_frame`` is None when it is complete."""

    name: str
    folder: str
    process: str
    format_key: str
    frames_expected: int
    frames_done: int
    next_frame: int | None


@dataclass(frozen=True, slots=True)
class Totals:
    """How far the archive is as a whole."""

    rolls: int
    unfinished: int
    frames_expected: int
    frames_done: int


@dataclass(frozen=True, slots=True)
class Companion:
    """Another file of a release. ``take`` is the capture's, None without one."""

    file_name: str
    size: int
    sha256: str
    frame: int | None = None
    take: int | None = None


@dataclass(frozen=True, slots=True)
class Recorded:
    """Where a file is recorded. ``frame``, ``take``: None for one that belongs to no capture."""

    roll_id: int
    roll_name: str
    frame: int | None
    take: int | None
    file_name: str
    size: int

    def sentence(self) -> str:
        """Name the picture for a person."""
        which = f"frame {self.frame} of " if self.frame else "a file of "
        return f"{which}roll '{printable(self.roll_name, 40)}'"


def card_key(file: CardFile) -> tuple[str, str, int, int]:
    """What tells one file on a card from another, also after the counter was set back."""
    return (
        utf8_safe(file.folder),
        utf8_safe(file.name),
        -1 if file.size is None else file.size,
        -1 if file.modified is None else file.modified,
    )


@dataclass(frozen=True, slots=True)
class LogLine:
    """One line of the log; its number only grows."""

    id: int
    at: str
    frame: int | None
    kind: str
    text: str


def utf8_safe(text: str) -> str:
    """SQLite takes no lone surrogates, which undecodable names are made of."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


@dataclass(frozen=True, slots=True)
class CopyState:
    """What is known of the copy folder.

    Attributes
    ----------
    folder, rolls_behind
        Where it is, and how many rolls have something to be copied.
    away
        Why nothing can be copied, "" when it can.
    lacking
        Files of the archive that are missing or changed there, and have no copy.
    compared
        Whether names, sizes and times were compared since the folder was found.
    proved
        The day since which every copy was read and found right, "" where that is not known.
    """

    folder: Path
    rolls_behind: int
    away: str
    lacking: int = 0
    compared: bool = True
    proved: str = ""

    def sentence(self) -> str:
        """Say it for a screen or the end of a sitting: only what was proved is called copied."""
        where = printable(str(self.folder))
        proved = f", proved on {printable(self.proved, 10)}" if self.proved else ""
        if self.away:
            rolls = plural(self.rolls_behind, "roll") if self.rolls_behind else "What it lacks"
            return (
                f"The copy folder {where} cannot be used ({self.away}). {rolls} will be copied "
                "when it is back."
            )
        if self.rolls_behind:
            return f"{plural(self.rolls_behind, 'roll')} still to be copied to {where}."
        if self.lacking:
            return (
                f"{plural(self.lacking, 'file')} could not be copied to {where}: missing or "
                "changed in the archive. See: tether verify"
            )
        if not self.compared:
            return f"Copied to {where}{proved}, but the folder has not been compared yet."
        return f"Everything is copied to {where}{proved or '. To prove it: tether verify'}."
