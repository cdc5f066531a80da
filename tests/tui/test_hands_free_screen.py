"""The screen of the work without keys, against the simulated camera and its hand."""

from __future__ import annotations

from tests.tui.piloting import ready, screen_text, table, to_shutter, until
from tether.session.hands_free import Cue
from tether.tui.app import TetherApp
from tether.tui.app_context import AppContext
from tether.tui.screens.hands_free_screen import HandsFreeScreen


async def test_frames_are_kept_without_a_key_until_the_person_leaves(given: AppContext) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await to_shutter(pilot)
        await pilot.press("5")
        await until(pilot, lambda: isinstance(app.screen, HandsFreeScreen))
        screen = app.screen
        assert isinstance(screen, HandsFreeScreen)
        await until(pilot, lambda: "2 of 6 frames done" in screen_text(app), 3000)
        assert "FRAME" in screen_text(app).upper()
        await pilot.press("space")
        await until(pilot, lambda: not screen.running, 1500)
        await until(pilot, lambda: "continues" in screen_text(app))
        await pilot.press("enter")
        await until(pilot, lambda: screen.running)
        await pilot.press("escape")
        await until(pilot, lambda: ready(pilot), 1500)
        view = table(pilot).view
        assert view is not None
        assert view.done >= 2
        assert screen.moment is not None
        assert screen.moment.cue in Cue
    app.shut()
