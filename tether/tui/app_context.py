"""What the screens are given from outside."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from tether.settings import Settings
from tether.tui.keys import Keys
from tether.tui.terminal.probe import Terminal

if TYPE_CHECKING:
    from tether.archive.archive import Archive
    from tether.archive.records import NewRoll
    from tether.capture.tethered import ReconnectableCamera
    from tether.session.events import Event
    from tether.session.session import Judging


class SimulatedBench(Protocol):
    """What a rehearsal has beside the camera: a hand that follows, and mishaps to choose from."""

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


@dataclass(frozen=True, slots=True)
class ScreenContext:
    """What every screen may know: the settings, how the terminal draws, and the keys in force."""

    settings: Settings = field(default_factory=Settings)
    terminal: Terminal = field(default_factory=Terminal)
    keys: Keys = field(default_factory=Keys)


@dataclass(frozen=True, slots=True)
class AppContext:
    """Everything that the program's start hands to the screens.

    ``connect`` takes a port (None for the only camera) and returns a connected camera; ``roll``
    is a name from the command line, ``new`` a roll that it described, ``form`` what the form of a
    new roll begins with; ``simulated`` is there in a rehearsal. A theme that is chosen is kept in
    ``settings_file``, None for nowhere.
    """

    archive: Archive
    connect: Callable[[str | None], ReconnectableCamera]
    judge: Judging
    settings: Settings = field(default_factory=Settings)
    port: str | None = None
    roll: str | None = None
    new: NewRoll | None = None
    form: NewRoll | None = None
    simulated: SimulatedBench | None = None
    settings_file: Path | None = None
    terminal: Terminal = field(default_factory=Terminal)
