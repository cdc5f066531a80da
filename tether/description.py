"""What people say of a roll and of a frame: who, when, where, on which film, with which camera.

A description is stored as a JSON object with the keys of `ROLL_FIELDS` and `FRAME_FIELDS`; what was
not said has no key. Keys that are not known here come from another version of the program and stay
where they are.
"""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any, NamedTuple, Self

from tether.errors import TetherError
from tether.film_date import checked_date
from tether.text import is_control, parsed_json, printable

LONGEST_TEXT = 2000
"""Characters of one value, as of a frame's note."""
MOST_ENTRIES = 200
"""People, keywords or identifiers of one roll or frame."""

JOINERS = "\u200c\u200d"
"""They join and part letters in several scripts, and steer nothing."""


class DescriptionWrong(TetherError):
    """What was said cannot be stored; nothing was changed."""


class Field(NamedTuple):
    """One thing that can be said: its words on a form, and what separates several of it."""

    words: str
    separators: str = ""


ROLL_FIELDS = {
    "photographer": Field("Photographer"),
    "rights": Field("Rights"),
    "date": Field("Date of the film"),
    "place": Field("Place"),
    "subject": Field("Subject"),
    "people": Field("People", ";"),
    "film_stock": Field("Film stock"),
    "camera": Field("Camera that took it"),
    "lens": Field("Lens that took it"),
    "development": Field("Development"),
    "box": Field("Box"),
    "sleeve": Field("Sleeve"),
    "identifiers": Field("Identifiers", ";"),
    "keywords": Field("Keywords", ";,"),
    "organisation": Field("Organisation"),
    "former_names": Field("Former names", ";"),
}
"""What can be said of a roll, by the key that it is stored by."""

FRAME_FIELDS = {
    "caption": Field("Caption"),
    "date": Field("Date"),
    "place": Field("Place"),
    "people": Field("People", ";"),
    "keywords": Field("Keywords", ";,"),
}
"""What can be said of a frame. What it does not say is what its roll says."""


@dataclass(frozen=True, slots=True)
class _Description:
    """Values by key: texts are "" and lists () where nothing was said."""

    other: Mapping[str, Any] = field(default_factory=dict)
    """What another version of the program stored; written back as it is."""

    @classmethod
    def read(cls, stored: object) -> Self:
        """Read what came out of JSON; a value that is not what it should be stays in `other`."""
        if not isinstance(stored, Mapping) or not stored:
            return cls()
        found: dict[str, Any] = {}
        other: dict[str, Any] = {}
        table = {f.name: f for f in fields(cls) if f.name != "other"}
        for key, value in stored.items():
            if key not in table:
                other[str(key)] = value
            elif isinstance(value, str) and table[key].default == "":
                found[key] = _shown(value)
            elif isinstance(value, list) and table[key].default == ():
                found[key] = tuple(_shown(x) for x in value[:MOST_ENTRIES] if isinstance(x, str))
            else:
                other[key] = value
        return cls(other=other, **found)

    @classmethod
    def from_text(cls, text: str) -> Self:
        """Read what the database has.

        Raises
        ------
        ValueError
            When it is no JSON.
        """
        return cls() if text == "{}" else cls.read(parsed_json(text))

    @property
    def stored(self) -> dict[str, Any]:
        """What is stored: the values that were given, by key."""
        mine = {f.name: getattr(self, f.name) for f in fields(self) if f.name != "other"}
        given = {k: list(v) if isinstance(v, tuple) else v for k, v in mine.items() if v}
        return {**self.other, **given}

    def to_text(self) -> str:
        """Return what the database stores."""
        return json.dumps(self.stored, ensure_ascii=False, sort_keys=True)

    def __bool__(self) -> bool:
        return bool(self.stored)

    def texts(self) -> dict[str, str]:
        """Return what was said as a person would type it, by key; several with a semicolon."""
        return {
            key: "; ".join(map(str, value)) if isinstance(value, list) else str(value)
            for key, value in self.stored.items()
            if key not in self.other
        }


@dataclass(frozen=True, slots=True)
class RollDescription(_Description):
    """What was said of a roll. ``date`` is one of `tether.film_date`."""

    photographer: str = ""
    rights: str = ""
    date: str = ""
    place: str = ""
    subject: str = ""
    people: tuple[str, ...] = ()
    film_stock: str = ""
    camera: str = ""
    lens: str = ""
    development: str = ""
    box: str = ""
    sleeve: str = ""
    identifiers: tuple[str, ...] = ()
    keywords: tuple[str, ...] = ()
    organisation: str = ""
    former_names: tuple[str, ...] = ()

    def changed(self, said: Mapping[str, str]) -> RollDescription:
        """Return it with what a person typed, by key; "" takes a value away.

        Raises
        ------
        DescriptionWrong, tether.film_date.FilmDateWrong
            When a key is not known or a value cannot be stored.
        """
        return replace(self, **_typed(said, ROLL_FIELDS))


@dataclass(frozen=True, slots=True)
class FrameDescription(_Description):
    """What was said of a frame. ``date`` is one of `tether.film_date`."""

    caption: str = ""
    date: str = ""
    place: str = ""
    people: tuple[str, ...] = ()
    keywords: tuple[str, ...] = ()

    def changed(self, said: Mapping[str, str]) -> FrameDescription:
        """Return it with what a person typed; as `RollDescription.changed` does."""
        return replace(self, **_typed(said, FRAME_FIELDS))


def _typed(said: Mapping[str, str], table: Mapping[str, Field]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, text in said.items():
        if key not in table:
            raise DescriptionWrong(
                f"A description has no field '{printable(key, 40)}'.",
                kept="Nothing was changed.",
                todo=f"Use one of: {', '.join(k for k in table if k != 'former_names')}.",
            )
        if key == "date":
            found[key] = checked_date(text)
        elif separators := table[key].separators:
            found[key] = _several(key, text, separators)
        else:
            found[key] = checked_text(table[key].words, text)
    return found


def _several(key: str, text: str, separators: str) -> tuple[str, ...]:
    for separator in separators[1:]:
        text = text.replace(separator, separators[0])
    parts = [checked_text(key, part) for part in text.split(separators[0])]
    kept = tuple(dict.fromkeys(part for part in parts if part))
    if len(kept) > MOST_ENTRIES:
        raise DescriptionWrong(
            f"{len(kept)} {key} are too many: {MOST_ENTRIES} can be stored.",
            kept="Nothing was changed.",
        )
    return kept


def checked_text(what: str, text: str) -> str:
    """Return a text in normal form (NFC), its blanks and line breaks each one blank.

    Raises
    ------
    DescriptionWrong
        When it is too long or holds a character that steers a terminal or a file.
    """
    tidy = " ".join(unicodedata.normalize("NFC", text).split())
    if len(tidy) > LONGEST_TEXT:
        raise DescriptionWrong(
            f"{what} has {len(tidy)} characters: {LONGEST_TEXT} can be stored.",
            kept="Nothing was changed.",
            todo="Shorten it, or keep the long text in a file of its own.",
        )
    if any(is_control(c) and c not in JOINERS for c in tidy):
        raise DescriptionWrong(
            f"{what} holds a control character: '{printable(tidy, 60)}'.",
            kept="Nothing was changed.",
            todo="Type it again by hand.",
        )
    return tidy


def _shown(text: str) -> str:
    """Return a stored text without what steers: it was checked, unless somebody edited it."""
    if text.isascii() and text.isprintable() and len(text) <= LONGEST_TEXT:
        return text
    return "".join(c if c in JOINERS else printable(c) for c in text[:LONGEST_TEXT])
