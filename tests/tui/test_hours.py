"""Long hours: how many keys a strip takes, the foot switch, the pause, the statement, the bell."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from tether_simulator.server import BenchProcess
from textual.app import App

from tests.quick import QUICK
from tests.tui.piloting import done_key, press, ready, screen_text, table, to_shutter, todo, until
from tether.archive.pauses import pauses_of
from tether.archive.records import FrameState
from tether.session.next_step import NextKind
from tether.settings import AlertSettings, KeySettings
from tether.tui.app import TetherApp
from tether.tui.app_context import AppContext
from tether.tui.screens.dialogs import AskText, Reading
from tether.tui.screens.pause_screen import PauseScreen
from tether.tui.screens.worktable import Worktable


async def test_two_keys_a_frame_and_one_a_strip_when_asked_less(given: AppContext) -> None:
    """The foot switch alone takes a strip from its loading to its end."""
    keys = KeySettings((("forward", "pagedown"),))
    app = TetherApp(replace(given, settings=replace(QUICK, keys=keys)))
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: ready(pilot))
        await press(pilot, "enter", "x", "z")
        await to_shutter(pilot)
        await press(pilot, "backspace", "backspace")
        view = table(pilot).view
        assert view is not None
        assert view.place.step is not None
        assert view.place.step.key == "strip-load"
        assert "Reminder: Blow the holder and the gate clean first." in screen_text(app)
        pressed = 0
        while todo(pilot) is not NextKind.DONE:
            step = done_key(pilot)
            await press(pilot, "y" if step == "y" else "pagedown")
            pressed += 1
            assert pressed < 50
        # One for the strip, one for the roll's exposure, and two a frame.
        assert pressed == 1 + 1 + 2 * 6
        assert app.port is not None
        frames = (await app.port.view()).frames
        assert [f.state for f in frames] == [FrameState.KEPT] * 6
        assert "[H] progress" in screen_text(app)
        await pilot.press("h")
        await until(pilot, lambda: isinstance(app.screen, Reading))
        assert "6 kept; 6 raw files" in screen_text(app)
        assert "back into its sleeve" in screen_text(app)
        assert "No backup copy" in screen_text(app)
    app.shut()


async def test_the_foot_switch_shoots_again_what_has_to_be_and_writes_no_text(
    given: AppContext, bench: BenchProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    rung: list[None] = []
    monkeypatch.setattr(App, "bell", lambda _: rung.append(None))
    app = TetherApp(replace(given, settings=replace(QUICK, keys=KeySettings((("forward", "j"),)))))
    async with app.run_test(size=(80, 24)) as pilot:
        await to_shutter(pilot)
        bench.mishap("lamp-bright")
        await press(pilot, "j")
        view = table(pilot).view
        assert view is not None
        assert view.place.capture is not None
        assert view.place.capture.verdict == "reshoot"
        assert rung, "heard, too"
        bench.clear()
        await press(pilot, "j")
        assert todo(pilot) is NextKind.SHOOT, "put aside, ready for another take"
        await press(pilot, "j")
        assert todo(pilot) is NextKind.DECIDE
        await pilot.press("t")
        await until(pilot, lambda: isinstance(app.screen, AskText))
        await pilot.press(*"jetty", "enter")
        await until(pilot, lambda: ready(pilot))
        assert app.port is not None
        assert (await app.port.view()).frames[0].note == "jetty"
    app.shut()


async def test_the_bell_can_be_switched_off(
    given: AppContext, monkeypatch: pytest.MonkeyPatch
) -> None:
    rung: list[None] = []
    monkeypatch.setattr(App, "bell", lambda _: rung.append(None))
    for bell in (True, False):
        app = TetherApp(replace(given, settings=replace(QUICK, alerts=AlertSettings(bell=bell))))
        app.bell()
        app.shut()
        assert len(rung) == 1


@pytest.mark.parametrize("size", [(80, 24)])
async def test_a_pause_stops_the_clock(given: AppContext, size: tuple[int, int]) -> None:
    app = TetherApp(given)
    async with app.run_test(size=size) as pilot:
        await until(pilot, lambda: ready(pilot))
        await pilot.press("space")
        await until(pilot, lambda: isinstance(app.screen, PauseScreen))
        await until(pilot, lambda: "Paused since" in screen_text(app))
        assert "Stay with a hot lamp" in screen_text(app)
        assert "not counted" in screen_text(app)
        await pilot.press("space")
        await until(pilot, lambda: ready(pilot))
        assert isinstance(app.screen, Worktable)
        port = app.port
        assert port is not None
        (pause,) = pauses_of(await port.ask(lambda s: s.store.journal.log_since(s.roll.id, 0)))
        assert pause[0] <= pause[1]
        long_ago = datetime.now(UTC) - timedelta(hours=1)
        said = await port.go_on(long_ago)
        assert "1 h 00 min" in said
        assert "let it warm up" in said
    app.shut()
