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
    from tether.session.session import Judging
    from tether.tui.session_port import SessionPort, SimulatedBench


class SecondWindow(Protocol):
    """A window beside the terminal, which shows the same session."""

    @property
    def address(self) -> str:
        """What to open in the browser."""
        ...

    def show(self) -> None:
        """Open it in the browser, where there is one."""
        ...

    async def start(self, port: SessionPort) -> None:
        """Begin to serve a session's work."""
        ...

    async def close(self) -> None:
        """Stop serving."""
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
    ``settings_file``, None for nowhere; ``window`` is there where one was asked for.
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
    window: SecondWindow | None = None
