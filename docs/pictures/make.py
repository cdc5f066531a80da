"""Make the pictures of the documents anew: the program itself exports its screen.

Run from the project's folder: ``PYTHONPATH=. python docs/pictures/make.py``.
"""

from __future__ import annotations

import asyncio
import tempfile
from pathlib import Path

import textual_image.widget
from textual.pilot import Pilot

# There is no terminal here that could be asked what it can draw: half blocks are what most can.
textual_image.widget.Image = textual_image.widget.HalfcellImage  # type: ignore[assignment,misc]

from mocks.bench import BenchConfig  # noqa: E402
from mocks.server import BenchProcess  # noqa: E402
from tether.camera import connect  # noqa: E402
from tether.film import FilmProcess  # noqa: E402
from tether.rehearsal import SimulatedHand  # noqa: E402
from tether.session.archive import Archive  # noqa: E402
from tether.session.judging import Judge  # noqa: E402
from tether.session.place import Todo  # noqa: E402
from tether.session.roll import NewRoll  # noqa: E402
from tether.tui.app import TetherApp  # noqa: E402
from tether.tui.ports import Given  # noqa: E402
from tether.tui.worktable import Worktable  # noqa: E402

HERE = Path(__file__).parent


async def proceed(pilot: Pilot[str], frame: int, todo: Todo) -> None:
    """Press Enter until the work stands at a frame's shutter or verdict."""
    app = pilot.app
    for _ in range(3000):
        await pilot.pause(0.02)
        screen = app.screen
        if not isinstance(screen, Worktable) or screen.view is None:
            continue
        if any(w.group == "action" and not w.is_finished for w in app.workers):
            continue
        place = screen.view.place
        if place.todo is todo and place.frame == frame:
            await pilot.pause(0.5)
            return
        await pilot.press("enter")
    raise SystemExit(f"the work never came to frame {frame}")


async def worktable(app: TetherApp, bench: BenchProcess) -> None:
    """Picture a step, a verdict to keep, and a verdict that says what to change."""
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause(2)
        app.save_screenshot(str(HERE / "step.svg"))
        await proceed(pilot, 2, Todo.SHOOT)
        bench.mishap("lamp-bright")
        await pilot.press("enter")
        await proceed(pilot, 2, Todo.DECIDE)
        app.save_screenshot(str(HERE / "advice.svg"))
        bench.put_right("lamp-bright")
        await pilot.press("a")
        await pilot.resize_terminal(120, 40)
        await proceed(pilot, 3, Todo.DECIDE)
        app.save_screenshot(str(HERE / "worktable.svg"))


def main() -> None:
    """Make all pictures."""
    with tempfile.TemporaryDirectory() as folder:
        archive = Archive(Path(folder))
        roll = archive.store.add_roll(NewRoll("Harbour 1987", FilmProcess.BW_NEGATIVE))
        bench = BenchProcess.start(BenchConfig(seed=11))
        judge = Judge()
        hand = SimulatedHand(bench, roll)
        app = TetherApp(
            Given(archive, connect, judge, port=bench.port_name, roll=roll.name, hand=hand)
        )
        asyncio.run(worktable(app, bench))
        app.shut()
        judge.close()
        bench.close()
        archive.close()


if __name__ == "__main__":
    main()
