"""The pause: since when, what waits meanwhile, and what not to leave alone."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Static

from tether.archive.pauses import span
from tether.tui.keys import Keys, bindings
from tether.tui.widgets.caution import caution
from tether.tui.widgets.key_line import KeyLine

_EVERY_SECONDS = 1.0


class PauseScreen(ModalScreen[None]):
    """Covers the main screen until the work continues."""

    BINDINGS: ClassVar[list[BindingType]] = bindings("pause")
    TITLE = "Pause"
    HELP = (
        "The work is paused. Paused time is not counted. Everything is stored, so you can also "
        "close the program."
    )

    def __init__(self, since: datetime, keys: Keys) -> None:
        super().__init__()
        self.keys = keys
        self.since = since

    def compose(self) -> ComposeResult:
        """Lay out the words."""
        with Vertical(classes="dialog") as box:
            box.border_title = "Paused"
            yield Static(id="paused")
        yield KeyLine()

    def on_mount(self) -> None:
        """Show the time, and keep it right."""
        self._show()
        self.set_interval(_EVERY_SECONDS, self._show)

    def _show(self) -> None:
        text = Text()
        clock = self.since.astimezone().strftime("%H:%M")
        text.append(
            f"Paused since {clock}, for {span(datetime.now(UTC) - self.since)}.\n\n", "bold"
        )
        text.append("Paused time is not counted. Everything is stored.\n\n")
        text.append_text(
            caution(
                "Stay with a hot lamp, or switch it off; leave no film in the gate over one. "
                "Afterwards warm it up again and check the light."
            )
        )
        text.append(self.keys.put_into("\n[{next}] continue"), "dim")
        self.query_one("#paused", Static).update(text)

    def action_go_on(self) -> None:
        """Continue."""
        self.dismiss(None)
