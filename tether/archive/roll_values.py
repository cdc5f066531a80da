"""What a person can change of a roll or frame, as text by key: typed, compared, and read back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import NamedTuple, TypeVar

from tether.archive.records import Frame, NewRoll, RollError
from tether.description import FRAME_FIELDS, ROLL_FIELDS
from tether.film import FILM_FORMATS, FilmProcess
from tether.text import printable

ROLL_KEYS = (
    *("name", "film", "format", "frames", "frames_per_strip", "notes"),
    *(key for key in ROLL_FIELDS if key != "former_names"),
)
"""What can be changed of a roll, by the words of the command line."""
FRAME_KEYS = ("note", *FRAME_FIELDS)
"""What can be changed of a frame."""

_T = TypeVar("_T", bound=str)

#: Words for the kinds of film in people's lists. Common practice, no published source.
_FILM_WORDS = {
    FilmProcess.BW_NEGATIVE: ("bw", "b&w", "b/w", "black and white", "black-and-white"),
    FilmProcess.COLOUR_NEGATIVE: ("colour", "color", "color negative", "c-41", "c41"),
    FilmProcess.TRANSPARENCY: ("slide", "slides", "positive", "reversal", "e-6", "e6"),
}  # fmt: skip
_FILMS = {
    word: process
    for process, words in _FILM_WORDS.items()
    for word in (process.value, process.label, *words)
}
_FORMATS = {
    word: key
    for key, known in FILM_FORMATS.items()
    for word in (key, known.label.casefold())
} | {"35 mm": "135", "35mm": "135"}  # fmt: skip


class Change(NamedTuple):
    """One value that is changed, as a person would type it."""

    key: str
    before: str
    after: str

    def sentence(self) -> str:
        """Say it, safe to show."""
        after = printable(self.after, 200) or "(empty)"
        before = f" (before: {printable(self.before, 200)})" if self.before else ""
        return f"{self.key.replace('_', ' ')}: {after}{before}"


def differences(before: Mapping[str, str], after: Mapping[str, str]) -> list[Change]:
    """Return what differs, in the order of ``after``."""
    return [
        Change(key, before.get(key, ""), text)
        for key, text in after.items()
        if before.get(key, "") != text
    ]


def roll_values(roll: NewRoll) -> dict[str, str]:
    """Return every value of `ROLL_KEYS` as a person would type it."""
    said = roll.description.texts()
    return {
        "name": roll.name,
        "film": roll.process.value,
        "format": roll.format_key,
        "frames": str(roll.frames_expected),
        "frames_per_strip": str(roll.strip_length),
        "notes": roll.notes,
    } | {key: said.get(key, "") for key in ROLL_FIELDS if key != "former_names"}


def frame_values(frame: Frame) -> dict[str, str]:
    """Return every value of `FRAME_KEYS` as a person would type it."""
    said = frame.description.texts()
    return {"note": frame.note} | {key: said.get(key, "") for key in FRAME_FIELDS}


def changed_roll(roll: NewRoll, values: Mapping[str, str]) -> NewRoll:
    """Return a roll with values that a person typed, by `ROLL_KEYS`.

    Raises
    ------
    TetherError
        When a key is not known or a value makes no sense.
    """
    said = dict(values)
    said.pop("former_names", None)
    name, notes = said.pop("name", roll.name), said.pop("notes", roll.notes)
    film, film_format = said.pop("film", ""), said.pop("format", "")
    frames, strips = said.pop("frames", ""), said.pop("frames_per_strip", "")
    if unknown := said.keys() - ROLL_FIELDS.keys():
        raise RollError(
            f"A roll has no field '{printable(min(unknown), 40)}'.",
            kept="Nothing was changed.",
            todo=f"Use one of: {', '.join(ROLL_KEYS)}.",
        )
    return replace(
        roll,
        name=name,
        process=_one_of("kind of film", film, _FILMS, list(FilmProcess)) or roll.process,
        format_key=_one_of("format", film_format, _FORMATS, list(FILM_FORMATS)) or roll.format_key,
        frames_expected=_number("frames", frames, roll.frames_expected),
        strip_length=_number("frames per strip", strips, roll.strip_length),
        notes=notes,
        description=roll.description.changed(said),
    ).checked()


def _one_of(what: str, text: str, words: Mapping[str, _T], known: list[_T]) -> _T | None:
    tidy = " ".join(text.casefold().split())
    if not tidy:
        return None
    if tidy not in words:
        raise RollError(
            f"There is no {what} '{printable(text, 40)}'.",
            kept="Nothing was changed.",
            todo=f"Use one of: {', '.join(known)}.",
        )
    return words[tidy]


def _number(what: str, text: str, before: int) -> int:
    tidy = text.strip()
    if not tidy:
        return before
    if not (tidy.isascii() and tidy.isdecimal()) or len(tidy) > 6:
        raise RollError(
            f"'{printable(text, 40)}' is not a number of {what}.",
            kept="Nothing was changed.",
            todo="Write digits only.",
        )
    return int(tidy)
