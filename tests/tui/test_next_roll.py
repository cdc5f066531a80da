"""At the end of a roll one key begins the next one, with the same camera."""

from __future__ import annotations

from dataclasses import replace

from tests.tui.piloting import ready, screen_text, todo, until
from tether.archive.archive import Archive
from tether.archive.open_roll import hold_roll
from tether.archive.records import FrameState, Roll
from tether.session.next_step import NextKind
from tether.tui.app import TetherApp
from tether.tui.app_context import AppContext


async def test_the_next_roll_begins_with_one_key(
    archive: Archive, roll: Roll, given: AppContext
) -> None:
    for frame in range(1, roll.frames_expected + 1):
        archive.store.frames.decide(roll.id, frame, FrameState.BLANK)
    app = TetherApp(replace(given, simulated=None))
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: ready(pilot) and todo(pilot) is NextKind.DONE)
        camera = app.camera
        assert "next roll" in screen_text(app)
        await pilot.press("r")
        await until(pilot, lambda: app.roll_name == "Harbour 2" and ready(pilot))
        assert todo(pilot) is NextKind.STEP
        assert app.camera is camera
        hold_roll(archive, roll).release()  # nobody holds the first one any more
    app.shut()
    following = archive.store.rolls.named("Harbour 2")
    assert following.as_new() == replace(roll.as_new(), name="Harbour 2", notes="")
