"""What the screens that ready the bench have in common."""

from __future__ import annotations

from rich.text import Text

from tests.tui.piloting import Bare, until
from tether.session.session import View
from tether.settings import Settings
from tether.tui.app_context import ScreenContext
from tether.tui.screens.bench_screen import BenchScreen
from tether.tui.screens.dialogs import Reading
from tether.tui.session_port import SessionPort
from tether.tui.widgets.redraw import while_seen


class Beating(BenchScreen):
    """Counts its beats."""

    HEADING = "Beating"
    HELP = "For the tests."

    def __init__(self) -> None:
        super().__init__(ScreenContext(), SessionPort.__new__(SessionPort), View.__new__(View))
        self.beats = 0

    def on_mount(self) -> None:
        while_seen(self, 0.01, self._beat)

    def _beat(self) -> None:
        self.beats += 1


async def test_what_is_done_again_and_again_rests_under_another_screen() -> None:
    """Each time it was done the screen above was drawn anew, all of it."""
    app = Bare(Settings())
    async with app.run_test(size=(80, 24)) as pilot:
        screen = Beating()
        await app.push_screen(screen)
        await until(pilot, lambda: screen.beats > 2)
        await app.push_screen(Reading("Over it", Text("words")))
        await pilot.pause()
        covered = screen.beats
        for _ in range(5):
            await pilot.pause(0.02)
        assert screen.beats == covered
        await pilot.press("escape")
        await until(pilot, lambda: screen.beats > covered + 2)
