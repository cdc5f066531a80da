"""The screen of the work without keys, against the simulated camera and its hand."""

from __future__ import annotations

from dataclasses import replace

from tests.tui.piloting import done_key, ready, screen_text, table, to_shutter, until
from tether.archive.records import Scope
from tether.session.hands_free_cues import Cue
from tether.tui.app import TetherApp
from tether.tui.app_context import AppContext
from tether.tui.screens.hands_free_screen import HandsFreeScreen
from tether.tui.screens.worktable import Worktable


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


async def test_with_the_option_it_begins_once_the_set_up_is_done(given: AppContext) -> None:
    wanted = replace(given.settings.hands_free, by_itself=True)
    app = TetherApp(replace(given, settings=replace(given.settings, hands_free=wanted)))
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: ready(pilot))
        while isinstance(app.screen, Worktable):
            view = table(pilot).view
            assert view is not None
            assert view.place.step is not None
            setting_up = view.place.step.scope is Scope.SITTING
            await pilot.press("x" if setting_up else done_key(pilot))
            await until(pilot, lambda: not ready(pilot) or table(pilot).view is not view)  # noqa: B023
            await until(pilot, lambda: ready(pilot) or not isinstance(app.screen, Worktable))
        await until(pilot, lambda: isinstance(app.screen, HandsFreeScreen))
        screen = app.screen
        assert isinstance(screen, HandsFreeScreen)
        await until(pilot, lambda: "1 of 6 frames done" in screen_text(app), 3000)
        await pilot.press("escape")
        await until(pilot, lambda: ready(pilot), 1500)
        assert not table(pilot)._hands_free, "left by the person, it does not begin again"
    app.shut()
