"""A screen over the main screen: a title, what it shows, a line for the session, and its keys."""

from __future__ import annotations

from typing import ClassVar

from rich.console import RenderableType
from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Container, Horizontal, VerticalScroll
from textual.screen import Screen
from textual.widget import Widget
from textual.widgets import Static

from tether.session.session import View
from tether.tui.app_context import ScreenContext
from tether.tui.session_port import SessionPort
from tether.tui.terminal.probe import Terminal
from tether.tui.widgets.key_line import KeyLine
from tether.tui.widgets.picture_widget import Drawn
from tether.tui.widgets.redraw import put
from tether.tui.widgets.session_line import SessionLine


class BenchScreen(Screen[bool]):
    """While it is there the main screen leaves the camera alone.

    Answers whether what it is for was done.
    """

    HEADING: ClassVar[str] = ""

    def __init__(self, context: ScreenContext, port: SessionPort, view: View) -> None:
        super().__init__()
        self.context = context
        self.port = port
        self.title = self.HEADING
        self.begun_at = view
        """How the work was when the screen was opened."""
        self.keys = context.keys
        self.line = SessionLine(
            port, context.keys, lost="Go back with {back}, then connect with {connect}."
        )

    def body(self) -> ComposeResult:
        """Lay out the part between title and message."""
        yield Widget()

    def compose(self) -> ComposeResult:
        """Lay out the screen."""
        yield Static(Text(f" {self.HEADING} ", "bold reverse"), classes="bench-title")
        yield from self.body()
        yield self.line
        yield KeyLine()

    def put(self, selector: str, content: RenderableType) -> None:
        """Show something in a part of the screen; nowhere once the screen is being left."""
        for part in self.query(selector).results(Static):
            put(part, content)

    def action_leave(self) -> None:
        """Go back to the main screen."""
        self.dismiss(False)


def live_beside(terminal: Terminal, title: str) -> ComposeResult:
    """Lay out the live picture, ``#live-image``, and a text beside it, ``#gauge-text``."""
    with Horizontal(id="live-row"):
        with Container(id="live") as box:
            box.border_title = "Live view, positive"
            yield Drawn(terminal, id="live-image")
        with VerticalScroll(id="gauges") as side:
            side.border_title = title
            yield Static(Text("Waiting for the live picture …", "dim"), id="gauge-text")
