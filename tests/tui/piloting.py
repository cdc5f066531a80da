"""Driving the worktable by keys, each answered before the next."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console, Group
from rich.table import Table
from textual.app import App
from textual.pilot import Pilot
from textual.widgets import Static

from tether.archive.records import Scope
from tether.session.next_step import NextKind
from tether.settings import Settings
from tether.tui.app import TetherApp
from tether.tui.app_context import AppContext
from tether.tui.screens.worktable import Worktable
from tether.tui.terminal.gc_scheduler import Calm
from tether.tui.widgets.text_view import LongText


class Bare(TetherApp):
    """The program's manners without its work: a test puts its own screen on it."""

    def __init__(
        self,
        settings: Settings | None = None,
        calm: Calm | None = None,
        settings_file: Path | None = None,
    ) -> None:
        nothing: Any = None
        context = AppContext(
            nothing, nothing, nothing, settings or Settings(), settings_file=settings_file
        )
        super().__init__(context, calm)

    async def open(self) -> None:
        """Nothing by itself."""


async def until(pilot: Pilot[str], there: Callable[[], bool], turns: int = 1500) -> None:
    """Let the program run until something is so; fail when it never is.

    A screen that is open is not laid out yet: it is waited for, too.
    """
    for _ in range(turns):
        if there() and all(screen.is_mounted for screen in pilot.app.screen_stack[-1:]):
            return
        await pilot.pause(0.02)
    pytest.fail(f"never came: the screen shows {screen_text(pilot.app)}")


def screen_text(app: App[Any]) -> str:
    """Everything that is written on the screen, also what has to be scrolled to."""
    screen = app.screen
    said = [_text_of(w) for w in screen.query(Static) if w.display]
    return "\n".join([*said, *(w.text.plain for w in screen.query(LongText))])


def _text_of(widget: Static) -> str:
    if not isinstance(widget.content, Group | Table):
        return str(widget.render())
    console = Console(width=160, file=io.StringIO())
    with console.capture() as capture:
        console.print(widget.content)
    return capture.get()


def table(pilot: Pilot[str]) -> Worktable:
    screen = pilot.app.screen
    assert isinstance(screen, Worktable)
    return screen


def ready(pilot: Pilot[str]) -> bool:
    screen = pilot.app.screen
    acting = any(w.group == "action" and not w.is_finished for w in pilot.app.workers)
    if not isinstance(screen, Worktable) or screen.view is None or acting:
        return False
    return screen.is_active and not screen._stale


def todo(pilot: Pilot[str]) -> NextKind:
    view = table(pilot).view
    assert view is not None
    return view.place.kind


async def press(pilot: Pilot[str], *keys: str) -> None:
    """Press keys one by one, each when the one before has been answered."""
    for key in keys:
        await pilot.press(key)
        await pilot.pause()
        await until(pilot, lambda: ready(pilot) or not isinstance(pilot.app.screen, Worktable))


async def to_shutter(pilot: Pilot[str]) -> None:
    """Go to the next frame's shutter; the set-up is skipped, each other step confirmed."""
    await until(pilot, lambda: ready(pilot))
    while (view := table(pilot).view) is not None and view.place.step is not None:
        setting_up = view.place.step.scope is Scope.SITTING
        await press(pilot, "x" if setting_up else done_key(pilot))


def done_key(pilot: Pilot[str]) -> str:
    """The key that says that the step which is next is done: Enter opens a step's screen."""
    view = table(pilot).view
    step = view.place.step if view is not None else None
    return "y" if step is not None and step.station else "enter"


async def check_film(pilot: Pilot[str]) -> None:
    """Confirm what comes before the bench is set up: the film, and the right sleeve."""
    await until(pilot, lambda: ready(pilot))
    await press(pilot, "enter", "enter")
