"""When a film was exposed, as far as anybody knows: dates of ISO 8601-2 (the EDTF).

The Library of Congress's Extended Date/Time Format (February 2019) writes what is not known into
the date: ``1987-06~`` is about June 1987, ``198X`` some year of the eighties, ``1985/1987`` a
period, ``[1985,1987]`` one of two years. Read here are its levels 0, 1 and 2, without years of more
than four digits, years before the year 0 and significant digits: none of them is a year of film.
"""

from __future__ import annotations

import re
from datetime import date
from typing import NamedTuple

from tether.errors import TetherError
from tether.text import printable

LONGEST_DATE = 200
"""Characters. The longest date that makes sense is a set of a few days."""

_Q = "[?~%]?"
_DATE = re.compile(
    rf"(?P<q1>{_Q})(?P<year>[0-9X]{{4}})(?P<q2>{_Q})"
    rf"(?:-(?P<q3>{_Q})(?P<month>0[1-9]|1[0-2]|[01]X|XX|2[1-9]|3[0-9]|4[01])(?P<q4>{_Q})"
    rf"(?:-(?P<q5>{_Q})(?P<day>0[1-9]|[12][0-9]|3[01]|[0-3]X|XX)(?P<q6>{_Q}))?)?"
)
_TIME = re.compile(
    r"(?P<date>\d{4}-\d\d-\d\d)T(?:[01]\d|2[0-3]):[0-5]\d:[0-5]\d"
    r"(?:Z|[+-](?:0\d|1[0-4])(?::[0-5]\d)?)?"
)


class FilmDateWrong(TetherError):
    """A text is no date that the standard knows."""


class CalendarDate(NamedTuple):
    """The part of a date that a calendar can show.

    Attributes
    ----------
    year, month, day
        ``month`` and ``day`` are None where they are not known.
    sure
        Whether the person neither doubts it (``?``) nor gave it roughly (``~``), and did not give
        a longer time of which this is the common part.
    """

    year: int
    month: int | None = None
    day: int | None = None
    sure: bool = True

    def text(self) -> str:
        """Return it as ISO 8601 has it: ``1987``, ``1987-06`` or ``1987-06-12``."""
        parts = [f"{self.year:04d}"]
        parts += [f"{n:02d}" for n in (self.month, self.day) if n is not None]
        return "-".join(parts)


class _Single(NamedTuple):
    """One date, with the digits that are not known as X."""

    year: str
    month: str
    day: str
    sure: bool


def checked_date(text: str) -> str:
    """Return a date in normal form, "" for none.

    Raises
    ------
    FilmDateWrong
        When it is no date of the standard, or its day is not in the calendar.
    """
    tidy = "".join(text.split())
    # Small letters are what people type; each has one meaning in a date.
    tidy = tidy.upper()
    if not tidy:
        return ""
    if len(tidy) > LONGEST_DATE or not tidy.isascii() or not _read(tidy):
        raise FilmDateWrong(
            f"'{printable(text, 40)}' is not a date that can be stored.",
            kept="Nothing was changed.",
            todo="Write 1987, 1987-06 or 1987-06-12. About: 1987-06~. Doubtful: 1987? Some year of "
            "a decade: 198X. Summer: 1987-22. A period: 1985/1987.",
        )
    return tidy


def calendar_date(text: str) -> CalendarDate | None:
    """Return what a calendar can show of a date, None where that is not even the year.

    Of a period or a set it is what all of its dates share. A season has a year only.
    """
    singles = _read(text)
    if not singles:
        return None
    year, month, day = map(_shared, zip(*(single[:3] for single in singles), strict=True))
    if year is None:
        return None
    if month is not None and month > 12:
        month = None
    sure = len(singles) == 1 and singles[0].sure
    return CalendarDate(year, month, day if month is not None else None, sure)


def _shared(values: tuple[str, ...]) -> int | None:
    """Return the number that all of them are, None where they differ or it is not known."""
    return int(values[0]) if len(set(values)) == 1 and values[0].isdecimal() else None


def _read(text: str) -> list[_Single]:
    """Return the dates that a text names, none where it is no date.

    An end that is open or not known is a date of which nothing is known.
    """
    if text[:1] in "[{" and text[-1:] == {"[": "]", "{": "}"}.get(text[:1]):
        return _read_set(text[1:-1])
    if "/" in text:
        return _read_period(*text.split("/", 1))
    if time := _TIME.fullmatch(text):
        return _read_single(time["date"])
    return _read_single(text)


_OPEN = _Single("", "", "", sure=False)


def _read_period(start: str, end: str) -> list[_Single]:
    ends = [[_OPEN] if part in ("", "..") else _read_single(part) for part in (start, end)]
    if not all(ends) or ends == [[_OPEN], [_OPEN]]:
        return []
    (first,), (last,) = ends
    return [] if _after(first, last) else [first, last]


def _read_set(inside: str) -> list[_Single]:
    found: list[_Single] = []
    for part in inside.split(","):
        start, dots, end = part.partition("..")
        read = _read_period(start, end) if dots else _read_single(part)
        if not read:
            return []
        found += read
    return found


def _read_single(text: str) -> list[_Single]:
    found = _DATE.fullmatch(text)
    if found is None:
        return []
    year, month, day = found["year"], found["month"] or "", found["day"] or ""
    if month.isdecimal() and int(month) > 12 and day:
        return []  # a season has no days
    if (year + month + day).isdecimal() and day:
        try:
            date(int(year), int(month), int(day))
        except ValueError:
            return []
    return [_Single(year, month, day, not any(found[f"q{n}"] for n in range(1, 7)))]


def _after(first: _Single, last: _Single) -> bool:
    """Tell whether a period would end before it begins, as far as both are known."""
    for one, other in zip(first[:3], last[:3], strict=True):
        if not (one.isdecimal() and other.isdecimal()) or (int(one) > 12 and len(one) == 2):
            return False
        if one != other:
            return one > other
    return False
