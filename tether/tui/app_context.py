"""What the screens are given from outside."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

from tether.settings import Settings
from tether.tui.terminal.probe import Terminal

if TYPE_CHECKING:
    from tether.archive.archive import Archive
    from tether.archive.records import NewRoll
    from tether.capture.tethered import ReconnectableCamera
    from tether.session.events import Event
    from tether.session.session import Judging


class BenchHand(Protocol):
    """The simulated hand of a rehearsal: it moves the film, and can be made clumsy."""

    def listen(self, event: Event) -> None:
        """Do with the simulated bench what the person just said was done."""
        ...

    def mishaps(self) -> tuple[tuple[str, str], ...]:
        """Return (code, label) of everything that can be made to go wrong."""
        ...

    def active(self) -> tuple[str, ...]:
        """Return the codes of what is wrong now."""
        ...

    def toggle(self, code: str, frame: int | None = None) -> None:
        """Let a mishap happen, or put it right when it is in force.

        One that belongs to a picture strikes ``frame``, the one that is next.
        """
        ...

    def press_button(self, frame: int) -> None:
        """Bring a frame into the gate, and press the simulated camera's own shutter button."""
        ...

    def open_gate(self) -> None:
        """Take the simulated film out of the gate."""
        ...

    def put_back(self) -> None:
        """Put the simulated film back as it lay."""
        ...

    def lamp(self, on: bool) -> None:
        """Switch the simulated lamp."""
        ...

    def turn_power(self, stops: float) -> None:
        """Turn the simulated strobe's power by so many stops."""
        ...

    def lay_blank(self) -> None:
        """Lay a blank piece of the simulated film into the gate."""
        ...

    def magnify(self, zoom: float) -> None:
        """Magnify the simulated camera's live view about its middle; 1 shows all of it."""
        ...


@dataclass(frozen=True, slots=True)
class Given:
    """Everything that the program's start hands to the screens.

    ``connect`` takes a port (None for the only camera) and returns a connected camera; ``roll``
    is a name from the command line, ``new`` what the command line said of a new roll.
    """

    archive: Archive
    connect: Callable[[str | None], ReconnectableCamera]
    judge: Judging
    settings: Settings = field(default_factory=Settings)
    port: str | None = None
    roll: str | None = None
    new: NewRoll | None = None
    hand: BenchHand | None = None
    terminal: Terminal = field(default_factory=Terminal)
