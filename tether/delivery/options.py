"""What a person asks of a delivery, and how it is read from the command line."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from tether.delivery.folder import Choice
from tether.errors import TetherError
from tether.text import printable


@dataclass(frozen=True, slots=True)
class DeliveryOptions:
    """What a person asked of a delivery.

    ``turns``, ``exposures`` and ``crops`` are by frame, 0 for all frames; they are remembered in
    the delivered folder. ``flat`` is a raw file of the empty gate. ``scheduler`` is the address of
    a Dask scheduler whose workers do the work; None does it here, with ``workers`` processes.
    """

    to: Path | None = None
    half: bool = False
    tiff: bool = True
    turns: Mapping[int, int] = field(default_factory=dict)
    exposures: Mapping[int, float] = field(default_factory=dict)
    crops: Mapping[int, bool] = field(default_factory=dict)
    flat: Path | None = None
    workers: int | None = None
    scheduler: str | None = None


def choices_with(
    known: Mapping[int, Choice], options: DeliveryOptions, frames: Sequence[int]
) -> dict[int, Choice]:
    """Return the choices by frame with what is wished now; ``frames`` are the roll's.

    Raises
    ------
    TetherError
        When something is wished for a frame that the roll does not have.
    """
    made = dict(known)
    for number in {*options.turns, *options.exposures, *options.crops} - {0, *frames}:
        raise TetherError(
            f"There is no frame {number} on this roll.",
            kept="Nothing was changed.",
            todo=f"Its frames are {min(frames, default=0)} to {max(frames, default=0)}.",
        )
    wished: tuple[tuple[str, Mapping[int, Any]], ...] = (
        ("turn", options.turns), ("exposure", options.exposures), ("crop", options.crops),
    )  # fmt: skip
    for name, values in wished:
        for frame, value in sorted(values.items()):  # what is for all comes first
            for number in frames if frame == 0 else [frame]:
                made[number] = replace(made.get(number, Choice()), **{name: value})
    return made


def by_frame(texts: Iterable[str], low: float, high: float) -> dict[int, float]:
    """Read ``7=90`` (for frame 7) or ``90`` (for all, frame 0) from the command line.

    Raises
    ------
    TetherError
        When it is neither, or out of range.
    """
    found: dict[int, float] = {}
    for text in texts:
        frame, equals, value = text.rpartition("=")
        try:
            number, amount = int(frame) if equals else 0, float(value)
        except ValueError:
            number, amount = -1, 0.0
        if number < 0 or not low <= amount <= high:
            raise TetherError(
                f"'{printable(text, 40)}' is not understood.",
                todo=f"Write FRAME=VALUE, or a value for all frames, from {low:g} to {high:g}.",
            )
        found[number] = amount
    return found


def yes_or_no(texts: Iterable[str]) -> dict[int, bool]:
    """Read ``7=no`` (for frame 7) or ``no`` (for all, frame 0) from the command line.

    Raises
    ------
    TetherError
        When it is neither.
    """
    found = {}
    for text in texts:
        frame, equals, value = text.rpartition("=")
        if value not in ("yes", "no") or (equals and not frame.isdecimal()):
            raise TetherError(
                f"'{printable(text, 40)}' is not understood.",
                todo="Write FRAME=no or FRAME=yes, or one of them for all frames.",
            )
        found[int(frame) if equals else 0] = value == "yes"
    return found


def quarter_turns(texts: Iterable[str]) -> dict[int, int]:
    """Read turns like `by_frame`; only whole quarter turns are taken, -90 counts as 270.

    Raises
    ------
    TetherError
        When a turn is no quarter turn.
    """
    found = by_frame(texts, -270, 270)
    if any(value % 90 for value in found.values()):
        raise TetherError("A picture is turned by 90, 180 or 270 degrees.")
    return {frame: int(value) % 360 for frame, value in found.items()}
