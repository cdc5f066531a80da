"""What makes a screen the same at every run and on every machine; see `still`."""

from __future__ import annotations

import asyncio
import importlib
import os
import pkgutil
import sys
import time
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest
import textual.pilot
from textual.app import App
from textual.pilot import Pilot
from textual.screen import Screen
from textual.widgets import Input

import tether.archive
import tether.bench
import tether.capture
import tether.reports
import tether.session
import tether.tui
from tests.snapshots import still
from tests.snapshots.still import Bench, StoppedClock
from tether import clock
from tether.archive.archive import Archive
from tether.archive.records import Roll
from tether.reports import rolls as statement
from tether.reports.rolls import Statement
from tether.tui import session_port
from tether.tui.app import TetherApp
from tether.tui.app_context import AppContext
from tether.tui.screens.focus_screen import FocusScreen
from tether.tui.screens.worktable import Worktable
from tether.tui.widgets.picture_widget import Drawn

Steps = Callable[[Pilot[str]], Awaitable[None]]
Seen = Callable[..., None]
_SIZES = ((80, 24), (120, 40))
ROOMY = frozenset(
    {
        "test_camera_check",
        "test_command_palette",
        "test_help",
        "test_keep_verdict",
        "test_light_with_the_open_gate_measured",
        "test_log",
        "test_mishaps",
        "test_too_small_a_terminal",
        "test_walk_at_a_step_with_a_caution",
    }
)
"""Screens that have words at 120 by 40 for which 80 by 24 has no room, each in one state.

Of a screen that says the same at both sizes, the second picture would only be looked at twice.
"""
_TURNS = 3000
_ROUNDS = 4
"""In which nothing may be under way, each after all that was waiting was answered and drawn."""
_WAITING = frozenset({"action", "left", "begin"})
"""Groups of workers that may wait for an answer of the person; all others end by themselves."""


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Each screen is seen at the least size, those in `ROOMY` at a roomy one too."""
    if "size" in metafunc.fixturenames:
        sizes = _SIZES if metafunc.function.__name__ in ROOMY else _SIZES[:1]
        metafunc.parametrize("size", sizes, ids=[f"{wide}x{high}" for wide, high in sizes])


async def _no_wait(*_seconds: float) -> None:
    await asyncio.sleep(0)


@pytest.fixture(autouse=True)
def still_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing of the terminal that the tests run in is seen, and nothing moves or sounds."""
    for name in ("NO_COLOR", "FORCE_COLOR", "COLORFGBG", "COLUMNS", "LINES", "TERM_PROGRAM"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("COLORTERM", "truecolor")
    monkeypatch.setattr(App, "bell", lambda _: None)
    monkeypatch.setattr(Input, "_toggle_cursor", lambda _: None)
    monkeypatch.setattr(FocusScreen, "_look", lambda _: None)
    monkeypatch.setattr(FocusScreen, "rate", lambda _: "12 ms a live picture\n10 shown a second")
    # Textual's pilot waits for a moment without work, which on a busy machine may not come and
    # on an idle one takes most of a test's time; `at_rest` knows what it waits for.
    monkeypatch.setattr(textual.pilot, "wait_for_idle", _no_wait)
    monkeypatch.setattr(sys, "argv", ["pytest"])
    monkeypatch.setenv("LOGNAME", "ada")


@pytest.fixture(autouse=True)
def still_clock(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The time is that of `still.BEGIN`, in UTC, and passes when a test says so."""
    monkeypatch.setattr(StoppedClock, "at", still.BEGIN)
    for package in (
        tether.archive,
        tether.bench,
        tether.capture,
        tether.session,
        tether.reports,
        tether.tui,
    ):
        for found in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            module = importlib.import_module(found.name)
            if vars(module).get("datetime") is datetime:
                monkeypatch.setattr(module, "datetime", StoppedClock)
    monkeypatch.setattr(clock, "datetime", StoppedClock)
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.fixture(autouse=True)
def still_place(monkeypatch: pytest.MonkeyPatch) -> None:
    """The archive lies in a folder of pytest's: the screen says another, and a full disk never."""
    real = statement.statement

    def told(archive: Archive, roll_name: str, pause: timedelta) -> Statement:
        said, root = real(archive, roll_name, pause), str(archive.root)
        lines = tuple(line.replace(root, "/home/bench/archive") for line in said.next)
        return replace(said, folder=said.folder.replace(root, "/home/bench/archive"), next=lines)

    monkeypatch.setattr(session_port, "statement", told)
    monkeypatch.setattr(Archive, "free_bytes", lambda _: 2_000_000_000_000)
    # What is written here need not outlast a pulled plug: waiting for the disk takes most time.
    monkeypatch.setattr(os, "fsync", lambda _: None)


@pytest.fixture
def bench(archive: Archive, roll: Roll) -> Bench:
    """A bench that knows itself, with a roll of six frames of which nothing was done yet."""
    made = Bench(archive, roll)
    made.knows_itself()
    return made


async def until(there: Callable[[], object], pilot: Pilot[str]) -> None:
    """Let the program run until something is so."""
    for _ in range(_TURNS):
        if there():
            return
        await pilot.pause(0.002)
    # An AssertionError ends the program; pytest's own outcome would leave it running.
    raise AssertionError(f"never came; the screen is {pilot.app.screen}")


def _resting(app: TetherApp) -> bool:
    """Whether nothing is under way, and each picture is drawn for the room that it has."""
    busy = any(w.group not in _WAITING and not w.is_finished for w in app.workers)
    return not app.busy and not busy and all(map(_drawn, app.screen.query(Drawn)))


def _drawn(shown: Drawn) -> bool:
    if shown.picture is None or not shown.size:
        return shown.finished
    made = shown._made
    return shown.finished and isinstance(made, list) and len(made) == shown.size.height


async def at_rest(pilot: Pilot[str]) -> None:
    """Let the program finish what it is at, and draw it."""
    app = pilot.app
    assert isinstance(app, TetherApp)
    for _ in range(_ROUNDS):
        await until(lambda: _resting(app), pilot)
        await pilot.pause(0)


def program(bench: Bench, **given: Any) -> TetherApp:
    """The program with the bench's roll."""
    return TetherApp(
        AppContext(
            bench.archive, lambda _: bench.camera, bench.judge, roll=bench.roll.name, **given
        )
    )


async def at_table(pilot: Pilot[str]) -> None:
    """Wait for the worktable."""
    await until(
        lambda: isinstance(pilot.app.screen, Worktable) and pilot.app.screen.view is not None,
        pilot,
    )
    await at_rest(pilot)


def opens(key: str, kind: type[Screen[Any]], *more: str) -> Steps:
    """Return the steps to a screen over the worktable: its key, and what is pressed on it."""

    async def steps(pilot: Pilot[str]) -> None:
        await at_table(pilot)
        await pilot.press(key)
        await until(lambda: isinstance(pilot.app.screen, kind), pilot)
        await at_rest(pilot)
        await pilot.press(*more)

    return steps


@pytest.fixture
def seen(snap_compare: Callable[..., bool], size: tuple[int, int]) -> Seen:
    """Return what opens a program, goes to a screen, and compares it with the stored picture."""

    def compare(app: TetherApp, steps: Steps, at: tuple[int, int] = size) -> None:
        app.animation_level = "none"

        async def go(pilot: Pilot[Any]) -> None:
            await steps(pilot)
            await at_rest(pilot)

        try:
            same = snap_compare(app, terminal_size=at, run_before=go)
        finally:
            app.shut()
        assert same, "the screen has changed: see snapshot_report.html, then DEVELOPERS.md"

    return compare
