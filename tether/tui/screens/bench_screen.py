"""What the screens that ready the bench have in common: a title, a message, and calls in turn."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import ClassVar, TypeVar

from rich.console import RenderableType
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.widget import Widget
from textual.widgets import Static

from tether.camera.errors import CameraError
from tether.errors import TetherError
from tether.session.session import View
from tether.tui.app_context import ScreenContext
from tether.tui.screens.polling_screen import WhileSeen
from tether.tui.session_port import SessionPort
from tether.tui.widgets.key_line import KeyLine
from tether.tui.widgets.update_if_changed import put

T = TypeVar("T")


class BenchScreen(WhileSeen):
    """A screen over the worktable. While it is there the worktable leaves the camera alone."""

    HEADING: ClassVar[str] = ""
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,q", "leave", "Back", key_display="Esc", tooltip="back to the worktable"),
    ]

    def __init__(self, context: ScreenContext, port: SessionPort, view: View) -> None:
        super().__init__(context, port)
        self.title = self.HEADING
        self.begun_at = view
        """How the work was when the screen was opened."""
        self.working = False

    def body(self) -> ComposeResult:
        """Lay out what stands between title and message."""
        yield Widget()

    def compose(self) -> ComposeResult:
        """Lay out the screen."""
        yield Static(Text(f" {self.HEADING} ", "bold reverse"), classes="bench-title")
        yield from self.body()
        yield Static(classes="bench-message")
        yield KeyLine()

    def say(self, text: str, *, bad: bool = False) -> None:
        """Show a message until the next action."""
        message = Text(f"{'✗ ' if bad else ''}{text}", "bold red" if bad else "")
        self.put(".bench-message", message)

    def put(self, selector: str, content: RenderableType) -> None:
        """Show something in a part of the screen; nowhere once the screen is being left."""
        for part in self.query(selector).results(Static):
            put(part, content)

    async def complain(self, error: TetherError) -> None:
        """Show an error; where the camera is gone, say where it is connected again."""
        lost = isinstance(error, CameraError) and not await self.port.camera_answers()
        self.say(f"{error}{' Esc goes back; C connects there.' if lost else ''}", bad=True)
        self.app.bell()

    async def attempt(self, ask: Callable[[], Awaitable[T]], doing: str = "") -> T | None:
        """Ask the session for something; show an error instead of raising it."""
        if self.working:
            self.say("Still at work on the last key; this one was not taken.")
            return None
        self.working = True
        self.say(doing)
        try:
            result = await ask()
        except TetherError as error:
            await self.complain(error)
            return None
        except OSError as error:
            self.say(f"The archive cannot be written to: {error}. Check the disk.", bad=True)
            self.app.bell()
            return None
        finally:
            self.working = False
        self.say("")
        return result

    def action_leave(self) -> None:
        """Go back to the worktable."""
        self.dismiss(None)
