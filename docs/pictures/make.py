"""Make the pictures of the documents anew: the program itself exports its screens.

Run from the project's folder: ``PYTHONPATH=. python docs/pictures/make.py``. It takes about a
minute. Screens are exported as SVG, the contact sheet is the one that ``tether deliver`` makes.
"""

from __future__ import annotations

import asyncio
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import textual_image.widget
from PIL import Image, ImageChops
from textual.pilot import Pilot

# There is no terminal here that could be asked what it can draw: half blocks are what most can.
textual_image.widget.Image = textual_image.widget.HalfcellImage  # type: ignore[assignment,misc]

from tether_simulator.bench import BenchConfig  # noqa: E402
from tether_simulator.server import BenchProcess  # noqa: E402

from tether.archive.archive import Archive  # noqa: E402
from tether.archive.records import NewRoll  # noqa: E402
from tether.camera import connect  # noqa: E402
from tether.film import FilmProcess  # noqa: E402
from tether.rehearsal import SimulatedHand  # noqa: E402
from tether.session.judge import Judge  # noqa: E402
from tether.session.next_step import Todo  # noqa: E402
from tether.tui.app import TetherApp  # noqa: E402
from tether.tui.app_context import AppContext  # noqa: E402
from tether.tui.screens.base_screen import BaseScreen  # noqa: E402
from tether.tui.screens.bench_screen import BenchScreen  # noqa: E402
from tether.tui.screens.focus_screen import FocusScreen  # noqa: E402
from tether.tui.screens.light_screen import LightScreen  # noqa: E402
from tether.tui.screens.setup_screen import WalkScreen  # noqa: E402
from tether.tui.screens.worktable import Worktable  # noqa: E402
from tether.tui.widgets.bench_form import BenchForm  # noqa: E402

HERE = Path(__file__).parent
SHEET_WIDTH = 1000
"""Pixels across the contact sheet's picture."""


class Tour:
    """A person who goes through the program, and photographs the screen on the way."""

    def __init__(self, pilot: Pilot[str], bench: BenchProcess) -> None:
        self.pilot = pilot
        self.bench = bench

    @property
    def app(self) -> TetherApp:
        """The program."""
        app = self.pilot.app
        assert isinstance(app, TetherApp)
        return app

    async def until(self, there: Callable[[], bool], what: str) -> None:
        """Let the program run until something is so."""
        for _ in range(1500):
            await self.pilot.pause(0.02)
            if there():
                return
        raise SystemExit(f"never came: {what}")

    async def idle(self) -> None:
        """Wait until nothing is under way on the screen at hand."""

        def resting() -> bool:
            screen = self.app.screen
            if isinstance(screen, BenchScreen | WalkScreen):
                return not screen.working
            return not any(w.group == "action" and not w.is_finished for w in self.app.workers)

        await self.until(resting, "a moment of rest")

    async def press(self, *keys: str) -> None:
        """Press keys, each when the one before has been answered."""
        for key in keys:
            await self.pilot.press(key)
            await self.idle()

    async def picture(self, name: str, size: tuple[int, int] = (80, 24)) -> None:
        """Export the screen, at a size of its own where that is wanted."""
        await self.pilot.resize_terminal(*size)
        await self.pilot.pause(0.5)
        await self.idle()
        await self.pilot.pause(0.5)
        self.app.save_screenshot(str(HERE / f"{name}.svg"))
        await self.pilot.resize_terminal(80, 24)
        await self.pilot.pause(0.2)

    async def set_up(self) -> None:
        """Go through the set-up walk."""
        await self.until(lambda: isinstance(self.app.screen, WalkScreen), "the set-up walk")
        await self.idle()
        await self.pilot.press("enter")
        await self.until(lambda: isinstance(self.app.screen, BenchForm), "the bench's form")
        await self.pilot.press(*"Attic", "ctrl+s")
        await self._step("stand-square")
        await self.press("enter")
        await self._step("lens-clean")
        await self.picture("walk")
        for _ in range(6):
            await self.press("enter")
        await self._step("camera-set")
        await self.press("d")
        await self._step("light-test")
        await self.pilot.press("enter")
        await self._at(LightScreen)
        await self.press("enter")
        await self.press("enter")
        await self.picture("light")
        await self.press("enter")
        await self._step("light-test")
        await self.press("enter")
        await self._step("focus-lock")
        await self.press("enter")

    async def first_frame(self) -> None:
        """Ready roll, strip and frame; focus, find the base, shoot."""
        await self.to_step("focus-lock")
        await self.pilot.press("2")
        await self._at(FocusScreen)
        await self.pilot.pause(2)
        await self.picture("focus", (100, 26))
        await self.press("enter")
        await self.to_step("base-set")
        await self.pilot.press("4")
        await self._at(BaseScreen)
        await self.press("f")
        await self.picture("base")
        await self.press("enter")

    async def to_step(self, key: str) -> None:
        """Confirm what comes on the worktable up to a step."""
        for _ in range(20):
            await self.idle()
            screen = self.app.screen
            if isinstance(screen, Worktable) and screen.view is not None:
                step = screen.view.place.step
                if step is not None and step.key == key:
                    return
                await self.press("enter")
        raise SystemExit(f"the work never came to {key}")

    async def to(self, frame: int, todo: Todo) -> None:
        """Press Enter on the worktable until a frame's shutter or verdict is next."""
        for _ in range(60):
            await self.idle()
            screen = self.app.screen
            if isinstance(screen, Worktable) and screen.view is not None:
                place = screen.view.place
                if place.todo is todo and place.frame == frame:
                    return
                await self.press("enter")
        raise SystemExit(f"the work never came to frame {frame}")

    async def _step(self, key: str) -> None:
        def there() -> bool:
            screen = self.app.screen
            return isinstance(screen, WalkScreen) and not screen.working and screen.step.key == key

        await self.until(there, f"the walk at {key}")

    async def _at(self, kind: type[BenchScreen]) -> None:
        await self.until(lambda: isinstance(self.app.screen, kind), kind.HEADING)
        await self.idle()


async def screens(app: TetherApp, bench: BenchProcess) -> None:
    """Picture the set-up, a step, a verdict that asks for something, and one to keep."""
    async with app.run_test(size=(80, 24)) as pilot:
        tour = Tour(pilot, bench)
        await tour.set_up()
        await tour.to_step("strip-load")
        await tour.picture("step")
        await tour.first_frame()
        await tour.to(2, Todo.SHOOT)
        bench.mishap("lamp-bright")
        await tour.to(2, Todo.DECIDE)
        await tour.picture("advice")
        bench.put_right("lamp-bright")
        await tour.press("a")
        await tour.to(3, Todo.DECIDE)
        await tour.picture("worktable", (120, 40))


def contact_sheet(folder: Path) -> None:
    """Rehearse a roll, deliver it, and keep the contact sheet without its empty margin."""
    tether = [sys.executable, "-m", "tether"]
    where = ["--archive", str(folder)]
    rehearse = [*tether, "rehearse", "--unattended", "--frames", "36", *where]
    subprocess.run(rehearse, check=True, stdout=subprocess.DEVNULL)
    deliver = [*tether, "deliver", "Rehearsal 1", "--half", "--no-tiff", *where]
    subprocess.run(deliver, check=True, stdout=subprocess.DEVNULL)
    with Image.open(folder / "Rehearsal 1" / "delivered" / "contact-sheet-a4-1.png") as page:
        sheet = page.convert("L")
    sheet.thumbnail((SHEET_WIDTH, 10 * SHEET_WIDTH))
    white = Image.new("L", sheet.size, 255)
    used = ImageChops.difference(sheet, white).getbbox()
    assert used is not None, "an empty sheet"
    sheet.crop((0, 0, sheet.width, min(sheet.height, used[3] + 20))).save(
        HERE / "contact-sheet.png", optimize=True
    )


def main() -> None:
    """Make all pictures."""
    with tempfile.TemporaryDirectory() as folder:
        contact_sheet(Path(folder) / "rehearsal")
        archive = Archive(Path(folder) / "archive")
        roll = archive.store.add_roll(NewRoll("Harbour 1987", FilmProcess.BW_NEGATIVE))
        bench = BenchProcess.start(BenchConfig(seed=11))
        judge = Judge()
        hand = SimulatedHand(bench, roll)
        app = TetherApp(
            AppContext(
                archive, connect, judge, port=bench.port_name, roll=roll.name, simulated=hand
            )
        )
        asyncio.run(screens(app, bench))
        app.shut()
        judge.close()
        bench.close()
        archive.close()


if __name__ == "__main__":
    main()
