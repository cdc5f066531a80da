"""Screens with something that goes on by itself, and rests under another screen."""

from __future__ import annotations

from collections.abc import Callable

from textual.screen import Screen
from textual.timer import Timer

from tether.tui.app_context import ScreenContext
from tether.tui.session_port import SessionPort


class WhileSeen(Screen[None]):
    """Calls again and again, but not under another screen, which would be drawn anew by it."""

    def __init__(self, context: ScreenContext, port: SessionPort) -> None:
        super().__init__()
        self.context = context
        self.port = port
        self._tickers: list[Timer] = []
        self.resting = False
        """Whether another screen lies over this one."""

    def while_seen(self, seconds: float, call: Callable[[], object]) -> None:
        """Call every so many seconds."""
        self._tickers.append(self.set_interval(seconds, call, pause=self.resting))

    def on_screen_suspend(self) -> None:
        """Rest under another screen."""
        self.resting = True
        for timer in self._tickers:
            timer.pause()

    def on_screen_resume(self) -> None:
        """Go on."""
        self.resting = False
        for timer in self._tickers:
            timer.resume()
