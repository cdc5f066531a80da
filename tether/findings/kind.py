"""What the catalogue says of one code."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final, NamedTuple

NOTE, LOOK, RESHOOT = ("note",), ("look",), ("reshoot",)
"""Severities, as they are stored."""

COUNTED: Final = "counted"
MEASURED: Final = "measured"
ESTIMATED: Final = "estimated"
"""How sure a finding is: no estimate in it; checked against a known truth in the tests; depends on
an assumption that `docs/measurements.md` and the pages beside it state."""

CAMERA_CHECK: Final = "camera-check"
FOCUS: Final = "focus"
LIGHT_TEST: Final = "light-test"
BASE_EXPOSURE: Final = "base-exposure"
"""Ids of the actions that help; only the screen knows which key a person has for each."""

ACTIONS: Mapping[str, str] = {
    CAMERA_CHECK: "the camera check",
    FOCUS: "the focus screen",
    LIGHT_TEST: "the light test",
    BASE_EXPOSURE: "the base exposure",
}
"""By id: what it is called."""


class Words(NamedTuple):
    """What a finding says: ``text`` what was seen, ``action`` what to change, both with the
    names of `Finding.data` in braces, and the ``unit`` of its value."""

    text: str
    action: str = ""
    unit: str = ""


class FindingKind(NamedTuple):
    """What is said under one code, and what helps.

    Attributes
    ----------
    severities
        Those that it can have. The code that finds it chooses among several.
    sure
        `COUNTED`, `MEASURED` or `ESTIMATED`.
    text, action, unit
        The usual words; see `Words`.
    cases
        By name, words for the cases that ask for others.
    steps
        Keys of the steps that are asked again before the next take of the frame.
    helps
        Id of the action that helps, "" for none.
    brief
        What to do about it, in a few words that are said beside the shutter until the action has
        helped; "" where the verdict alone says it.
    """

    severities: tuple[str, ...]
    sure: str
    text: str
    action: str = ""
    unit: str = ""
    cases: Mapping[str, Words] = MappingProxyType({})
    steps: tuple[str, ...] = ()
    helps: str = ""
    brief: str = ""

    def says(self, case: str = "") -> Words:
        """Return the words of a case, of the usual one for "".

        Raises
        ------
        KeyError
            When it has no such case.
        """
        return self.cases[case] if case else Words(self.text, self.action, self.unit)
