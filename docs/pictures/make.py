"""Make the pictures of the documents: the program itself exports its screens.

Run from the project's folder: ``PYTHONPATH=. python docs/pictures/make.py``. It takes about a
minute. Screens are exported as SVG, the contact sheet is the one that ``tether deliver`` makes.
``--check`` makes them elsewhere and says which of the stored ones are stale.

Two runs give the same bytes: the clock stands still, and the disk has always the same room.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pypdfium2
import textual_image.widget
from PIL import Image, ImageChops
from textual.pilot import Pilot

# There is no terminal here that could be asked what it can draw: half blocks are what most can.
textual_image.widget.Image = textual_image.widget.HalfcellImage  # type: ignore[assignment]

from tether_simulator.bench import BenchConfig  # noqa: E402
from tether_simulator.server import BenchProcess  # noqa: E402

from tether.archive.archive import Archive  # noqa: E402
from tether.archive.records import NewRoll  # noqa: E402
from tether.camera.process import connect  # noqa: E402
from tether.film import FilmProcess  # noqa: E402
from tether.rehearsal import SimulatedHand  # noqa: E402
from tether.session.judge import Judge  # noqa: E402
from tether.session.next_step import NextKind  # noqa: E402
from tether.tui.app import TetherApp  # noqa: E402
from tether.tui.app_context import AppContext  # noqa: E402
from tether.tui.screens.base_screen import BaseScreen  # noqa: E402
from tether.tui.screens.bench_screen import BenchScreen  # noqa: E402
from tether.tui.screens.light_screen import LightScreen  # noqa: E402
from tether.tui.screens.setup_screen import SetUpScreen  # noqa: E402
from tether.tui.screens.worktable import Worktable  # noqa: E402
from tether.tui.widgets.bench_form import BenchForm  # noqa: E402

HERE = Path(__file__).parent
BEGIN = datetime(2026, 11, 3, 14, 5, tzinfo=UTC)
SHEET_WIDTH = 1000
"""Pixels across the contact sheet's picture."""


def hold_still() -> None:
    """Give what hangs on the machine a value that is the same everywhere."""
    os.environ.update(TZ="UTC", TERM="xterm-256color", COLORTERM="truecolor")
    time.tzset()
    Archive.free_bytes = lambda _: 2_000_000_000_000  # type: ignore[method-assign, assignment]


class Tour:
    """A person who goes through the program, and photographs the screen on the way."""

    def __init__(self, pilot: Pilot[str], bench: BenchProcess, folder: Path) -> None:
        self.pilot = pilot
        self.bench = bench
        self.folder = folder

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
            if isinstance(screen, BenchScreen | SetUpScreen):
                return not screen.line.working
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
        self.app.save_screenshot(str(self.folder / f"{name}.svg"))
        await self.pilot.resize_terminal(80, 24)
        await self.pilot.pause(0.2)

    async def set_up(self) -> None:
        """Check the film, then go through the set-up."""
        await self.until(lambda: isinstance(self.app.screen, Worktable), "the main screen")
        await self.idle()
        await self.press("enter")
        await self.pilot.press("enter")
        await self.until(lambda: isinstance(self.app.screen, SetUpScreen), "the set-up")
        await self.idle()
        await self.pilot.press("enter")
        await self.until(lambda: isinstance(self.app.screen, BenchForm), "the bench's form")
        await self.pilot.press(*"Attic", "ctrl+s")
        await self._step("stand-square")
        await self.press("enter")
        await self._step("lens-clean")
        await self.picture("walk")
        while not self._at_step("camera-set"):
            await self.press("enter")
        await self.press("y")
        await self._step("light-test")
        await self.pilot.press("enter")
        await self._at(LightScreen)
        await self.press("enter")
        await self.press("enter")
        await self.picture("light")
        await self.press("enter")
        await self._step("focus-lock")
        await self.press("enter")

    async def first_frame(self) -> None:
        """Ready roll, strip and frame; find the base, shoot."""
        await self.to_step("base-set")
        await self.pilot.press("4")
        await self._at(BaseScreen)
        await self.press("g")
        await self.picture("base")
        await self.press("enter")

    async def to_step(self, key: str) -> None:
        """Confirm each step on the main screen up to this one."""
        for _ in range(20):
            await self.idle()
            screen = self.app.screen
            if isinstance(screen, Worktable) and screen.view is not None:
                step = screen.view.place.step
                if step is not None and step.key == key:
                    return
                await self.press("y" if step is not None and step.station else "enter")
        raise SystemExit(f"the work never came to {key}")

    async def to(self, frame: int, todo: NextKind) -> None:
        """Press Enter on the main screen until a frame's shutter or verdict is next."""
        for _ in range(60):
            await self.idle()
            screen = self.app.screen
            if isinstance(screen, Worktable) and screen.view is not None:
                place = screen.view.place
                if place.kind is todo and place.frame == frame:
                    return
                await self.press("enter")
        raise SystemExit(f"the work never came to frame {frame}")

    def _at_step(self, key: str) -> bool:
        screen = self.app.screen
        return (
            isinstance(screen, SetUpScreen) and not screen.line.working and screen.step.key == key
        )

    async def _step(self, key: str) -> None:
        await self.until(lambda: self._at_step(key), f"the set-up at {key}")

    async def _at(self, kind: type[BenchScreen]) -> None:
        await self.until(lambda: isinstance(self.app.screen, kind), kind.HEADING)
        await self.idle()


async def screens(app: TetherApp, bench: BenchProcess, folder: Path) -> None:
    """Picture the set-up, a step, a verdict that asks for something, and one to keep."""
    async with app.run_test(size=(80, 24)) as pilot:
        tour = Tour(pilot, bench, folder)
        await tour.set_up()
        await tour.to_step("strip-load")
        await tour.picture("step")
        await tour.first_frame()
        await tour.to(2, NextKind.SHOOT)
        bench.mishap("lamp-bright")
        await tour.to(2, NextKind.DECIDE)
        await tour.picture("advice")
        bench.put_right("lamp-bright")
        await tour.press("a")
        await tour.to(3, NextKind.DECIDE)
        await tour.picture("worktable", (120, 40))


def contact_sheet(work: Path, folder: Path) -> None:
    """Rehearse a roll, deliver it, and keep the contact sheet without its empty margin."""
    tether = [sys.executable, "-m", "tether"]
    where = ["--archive", str(work)]
    rehearse = [*tether, "rehearse", "--unattended", "--frames", "36", *where]
    subprocess.run(rehearse, check=True, stdout=subprocess.DEVNULL)
    deliver = [*tether, "deliver", "Rehearsal 1", "--half", "--no-tiff", *where]
    subprocess.run(deliver, check=True, stdout=subprocess.DEVNULL)
    document = pypdfium2.PdfDocument(work / "Rehearsal 1" / "delivered" / "contact-sheet-a4.pdf")
    page = document[0]
    sheet = page.render(scale=SHEET_WIDTH / page.get_width(), grayscale=True).to_pil()
    sheet = sheet.crop((0, 0, sheet.width, round(0.95 * sheet.height)))  # the foot has a date
    white = Image.new("L", sheet.size, 255)
    used = ImageChops.difference(sheet, white).getbbox()
    assert used is not None, "an empty sheet"
    sheet.crop((0, 0, sheet.width, min(sheet.height, used[3] + 20))).save(
        folder / "contact-sheet.png", optimize=True
    )


def make_screens(work: Path, folder: Path) -> None:
    """Write the pictures of the screens into ``folder``; ``work`` holds the archive."""
    archive = Archive(work / "archive", clock=lambda: BEGIN)
    roll = archive.store.rolls.add(NewRoll("Harbour 1987", FilmProcess.BW_NEGATIVE))
    bench = BenchProcess.start(BenchConfig(seed=11))
    judge = Judge()
    app = TetherApp(
        AppContext(
            archive,
            connect,
            judge,
            port=bench.port_name,
            roll=roll.name,
            simulated=SimulatedHand(bench, roll),
        )
    )
    try:
        asyncio.run(screens(app, bench, folder))
    finally:
        app.shut()
        judge.close()
        bench.close()
        archive.close()


def bytes_of(path: Path) -> bytes:
    """Return a picture's bytes, none where there is no such picture."""
    return path.read_bytes() if path.exists() else b""


def main() -> int:
    """Make all pictures, or look whether those that are stored are the program's."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="change nothing, compare")
    given = parser.parse_args()
    hold_still()
    with tempfile.TemporaryDirectory() as folder:
        os.environ["HOME"] = folder
        work = Path(folder)
        made = work / "made" if given.check else HERE
        made.mkdir(exist_ok=True)
        contact_sheet(work / "rehearsal", made)
        make_screens(work, made)
        pictures = {path.name for place in (made, HERE) for path in place.glob("*.[sp][vn]g")}
        stale = [
            name for name in sorted(pictures) if bytes_of(made / name) != bytes_of(HERE / name)
        ]
    if stale:
        print(f"Stale in docs/pictures: {', '.join(stale)}. Make them with docs/pictures/make.py.")
    return 1 if stale else 0


if __name__ == "__main__":
    sys.exit(main())
