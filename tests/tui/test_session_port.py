"""The screens and the store: no key waits for the database, and no screen asks it.

With a transaction open in another thread, whoever asks the database waits. So a screen that asked
it would answer no key until that transaction has ended.
"""

from __future__ import annotations

import ast
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from textual.screen import Screen

import tether.tui
from tests.tui.piloting import ready, until
from tether.archive.archive import Archive
from tether.archive.store import Store
from tether.tui.app import TetherApp
from tether.tui.app_context import AppContext, ScreenContext
from tether.tui.screens.base_screen import BaseScreen
from tether.tui.screens.check_screen import CheckScreen
from tether.tui.screens.dialogs import Reading
from tether.tui.screens.focus_screen import FocusScreen
from tether.tui.screens.light_screen import LightScreen
from tether.tui.screens.setup_screen import SetUpScreen
from tether.tui.screens.worktable import Worktable


@contextmanager
def transaction(store: Store) -> Iterator[None]:
    """Hold a transaction open in another thread, from before the block to after it."""
    begun, end = threading.Event(), threading.Event()

    def hold() -> None:
        with store.database.change():
            begun.set()
            end.wait()

    holder = threading.Thread(target=hold)
    holder.start()
    try:
        assert begun.wait(30)
        yield
    finally:
        end.set()
        holder.join()


@pytest.mark.parametrize(
    ("key", "kind"),
    [
        ("", Worktable),
        ("1", CheckScreen),
        ("2", FocusScreen),
        ("3", LightScreen),
        ("4", BaseScreen),
        ("w", SetUpScreen),
    ],
)
async def test_a_key_is_answered_while_another_thread_holds_the_database(
    given: AppContext, archive: Archive, key: str, kind: type[Screen[None]]
) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: ready(pilot))
        if key:
            await pilot.press(key)
            await until(pilot, lambda: isinstance(app.screen, kind))
        below = app.screen
        assert isinstance(below, kind)
        with transaction(archive.store):
            await pilot.press("question_mark")
            # The help is made from what the screen knows, and drawn over it.
            await until(pilot, lambda: isinstance(app.screen, Reading))
            await pilot.press("question_mark")
            await until(pilot, lambda: app.screen is below)
            await pilot.resize_terminal(100, 30)
            await until(pilot, lambda: below.size.width == 100)
        if key:
            await pilot.press("escape")
            await until(pilot, lambda: ready(pilot))
    app.shut()


async def test_a_key_that_asks_the_session_is_answered_when_the_database_is_free(
    given: AppContext, archive: Archive
) -> None:
    """The key that needs the database is under way meanwhile, and the next key says so."""
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: ready(pilot))
        table = app.screen
        assert isinstance(table, Worktable)
        assert table.view is not None
        first = table.view.place.step
        with transaction(archive.store):
            await pilot.press("enter")
            await until(pilot, lambda: app.busy)
            await pilot.press("z")
            await until(pilot, lambda: "Still busy; that key was ignored" in message(table))
            assert table.view.place.step is first
        await until(pilot, lambda: ready(pilot) and table.view.place.step is not first)  # type: ignore[union-attr]
    app.shut()


def message(table: Worktable) -> str:
    return str(table.query_one("#message").render())


async def test_the_store_refuses_the_thread_of_the_screens(
    given: AppContext, archive: Archive
) -> None:
    """The guard of all tests of screens (see `conftest.py`) works at all."""

    class Asking(Worktable):
        def on_mount(self) -> None:  # type: ignore[override]
            archive.store.rolls.has("any")

    Asking.on_mount.__code__ = Asking.on_mount.__code__.replace(
        co_filename=str(Path(tether.tui.__file__).with_name("asking.py"))
    )
    app = TetherApp(given)

    async def ask_on_the_screen() -> None:
        async with app.run_test(size=(80, 24)) as pilot:
            await until(pilot, lambda: ready(pilot))
            assert app.port is not None
            await app.push_screen(Asking(ScreenContext(), app.port))
            await pilot.pause()

    with pytest.raises(AssertionError, match="asks the store"):
        await ask_on_the_screen()
    app.shut()


_BEHIND = {
    "tether.archive.archive",
    "tether.archive.database",
    "tether.archive.second_copy",
    "tether.session.session.Session",
    "tether.session.core",
    "tether.archive.store.Store",
    "tether.tui.app",
    "tether.tui.session_thread",
}


def test_screens_and_widgets_import_nothing_that_is_behind_the_port() -> None:
    root = Path(tether.tui.__file__).parent
    for file in [*root.glob("screens/*.py"), *root.glob("widgets/*.py")]:
        for node in ast.walk(ast.parse(file.read_text())):
            if isinstance(node, ast.ImportFrom) and node.module:
                names = {node.module, *(f"{node.module}.{a.name}" for a in node.names)}
                assert not names & _BEHIND, f"{file.name} imports {names & _BEHIND}"
            if isinstance(node, ast.Attribute):
                assert node.attr != "_session", f"{file.name} reaches behind the port"
