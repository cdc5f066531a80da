"""One line of the camera check: how a setting stands, and what it should be."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from tether.camera.protocol import Role, Setting
from tether.text import printable


class Standing(StrEnum):
    """How one line of the check stands."""

    OK = "ok"
    CHANGE = "change"
    UNKNOWN = "cannot tell"

    @property
    def mark(self) -> str:
        """One character that says it without colour."""
        return {"ok": "✓", "change": "✗", "cannot tell": "?"}[self.value]


@dataclass(frozen=True, slots=True)
class Line:
    """One thing that was looked at.

    Attributes
    ----------
    label
        What it is, in the trade's words.
    standing
        How it stands.
    now
        What the camera reports, made safe to show; "" where it reports nothing.
    say
        Why it matters, what to do, or how to look at it on the camera.
    role, wanted
        Which setting can be set from here, and to which of the camera's own choices. ``wanted``
        is "" where nothing is to be set or it cannot be done from here.
    """

    label: str
    standing: Standing
    now: str
    say: str
    role: Role | None = None
    wanted: str = ""


def setting_line(
    setting: Setting | None,
    label: str,
    right: Callable[[Setting], bool | None],
    pick: Callable[[Setting], str | None],
    good: str,
    look: str,
    why: str,
) -> Line:
    """Judge one setting. ``good``, ``look`` and ``why`` are what to say in each of three cases."""
    if setting is None:
        return Line(label, Standing.UNKNOWN, "", f"look at the camera: {look}")
    shown = printable(setting.value, 30)
    fits = right(setting)
    if fits is None:
        return Line(label, Standing.UNKNOWN, shown, f"look at the camera: {look}")
    if fits:
        return Line(label, Standing.OK, shown, good)
    wanted = "" if setting.readonly else (pick(setting) or "")
    if not wanted:
        return Line(label, Standing.CHANGE, shown, f"{why} Set it on the camera: {look}")
    return Line(label, Standing.CHANGE, shown, why, setting.role, wanted)


def first_choice(setting: Setting, fits: Callable[[str], bool]) -> str | None:
    """Return the first of a setting's choices that fits, None where none does."""
    return next((choice for choice in setting.choices if fits(choice)), None)
