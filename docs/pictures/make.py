"""Make the pictures of the documents anew: the program itself exports its screen.

Run from the project's folder: ``python docs/pictures/make.py``.
"""

from __future__ import annotations

import asyncio
import tempfile
from pathlib import Path

from mocks.bench import BenchConfig
from mocks.server import BenchProcess
from tether.camera import connect
from tether.film import FilmProcess
from tether.rehearsal import SimulatedHand
from tether.session.archive import Archive
from tether.session.judging import Judge
from tether.session.place import Todo
from tether.session.roll import NewRoll
from tether.tui.app import TetherApp
from tether.tui.ports import Given
from tether.tui.worktable import Worktable

HERE = Path(__file__).parent


async def worktable(app: TetherApp) -> None:
    """Shoot two frames and stop at the second one's verdict."""
    async with app.run_test(size=(100, 30)) as pilot:
        for _ in range(2000):
            await pilot.pause(0.02)
            screen = app.screen
            if not isinstance(screen, Worktable) or screen.view is None:
                continue
            if any(w.group == "action" and not w.is_finished for w in app.workers):
                continue
            place = screen.view.place
            if place.todo is Todo.DECIDE and place.frame == 2:
                break
            await pilot.press("enter")
        app.save_screenshot(str(HERE / "worktable.svg"))


def main() -> None:
    """Make all pictures."""
    with tempfile.TemporaryDirectory() as folder:
        archive = Archive(Path(folder))
        roll = archive.store.add_roll(NewRoll("Harbour 1987", FilmProcess.BW_NEGATIVE))
        bench = BenchProcess.start(BenchConfig(seed=11))
        judge = Judge()
        app = TetherApp(
            Given(
                archive,
                connect,
                judge,
                port=bench.port_name,
                roll=roll.name,
                hand=SimulatedHand(bench, roll),
            )
        )
        asyncio.run(worktable(app))
        app.shut()
        judge.close()
        bench.close()
        archive.close()


if __name__ == "__main__":
    main()
