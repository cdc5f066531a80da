"""How fast the screen is: start to first paint, and keys during a 45-megapixel capture.

Run from the project's folder: ``PYTHONPATH=. python tests/benchmarks/screen.py``. It prints, and
asserts nothing. Paint is when the worktable's (or, for the bare start, the first page's) text
reaches a pseudo-terminal; a key is answered when the screen it opens has been drawn.
"""

from __future__ import annotations

import asyncio
import os
import statistics
import sys
import tempfile
import time
from pathlib import Path

import pexpect

from mocks.bench import BenchConfig
from mocks.bench_config import SensorConfig
from mocks.server import BenchProcess
from tether.camera import connect
from tether.film import FilmProcess
from tether.rehearsal import SimulatedHand
from tether.session.archive import Archive
from tether.session.judging import Judge
from tether.session.place import Todo
from tether.session.roll import NewRoll
from tether.tui.app import TetherApp
from tether.tui.dialogs import Reading
from tether.tui.ports import Given
from tether.tui.worktable import Worktable

WIDTH, HEIGHT = 8192, 5464


def first_paint(folder: Path, *, answers: bool) -> float:
    """Return the seconds from the command to its first text on a terminal.

    ``answers`` for a terminal that says what it is when it is asked, as terminals do; a bare
    pseudo-terminal does not. The program's bytecode is kept, as it is where it was installed.
    """
    words = [
        "-m", "tether", "shoot", "Paint", "--archive", str(folder / "archive"),
        "--camera", "ptpip:127.0.0.1:9",
    ]  # fmt: skip
    environment = os.environ | {"PYTHONPYCACHEPREFIX": str(folder.parent / "bytecode")}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    begun = time.perf_counter()
    child = pexpect.spawn(
        sys.executable, words, dimensions=(24, 80), encoding="utf-8", timeout=30,
        env=environment | {"TERM": "xterm-256color"},
    )  # fmt: skip
    child.delaybeforesend = None
    if answers:
        child.expect_exact("\x1b[c")
        child.send("\x1b[6;20;10t\x1b[?62;22c")
    child.expect("A new roll")
    took = time.perf_counter() - begun
    child.close(force=True)
    return took


async def keys_under_load(app: TetherApp) -> dict[str, list[float]]:
    """Shoot one frame and press keys all the while; return milliseconds by what went on."""
    waits: dict[str, list[float]] = {}
    async with app.run_test(size=(120, 40)) as pilot:
        while True:
            await pilot.pause(0.02)
            table = app.screen
            if not isinstance(table, Worktable) or table.view is None or table._working:
                continue
            if table.view.place.todo is Todo.SHOOT:
                break
            await pilot.press("enter")
        await pilot.press("f")
        while table.view is not None and table.view.place.todo is not Todo.DECIDE:
            begun = time.perf_counter()
            app.simulate_key("question_mark")
            while not (isinstance(app.screen, Reading) and app.screen.is_mounted):
                await asyncio.sleep(0)
            waits.setdefault(table._phase.phase or "idle", []).append(
                1000 * (time.perf_counter() - begun)
            )
            app.simulate_key("escape")
            while app.screen is not table:
                await asyncio.sleep(0)
            await asyncio.sleep(0.02)
    return waits


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        first_paint(folder / "cold", answers=True)
        for answers, terminal in ((True, "answers"), (False, "is mute")):
            paints = [first_paint(folder / f"{terminal}{i}", answers=answers) for i in range(7)]
            print(
                f"start to first paint, terminal {terminal:<8} median "
                f"{statistics.median(paints):.2f} s of {len(paints)}, best {min(paints):.2f} s"
            )
        archive = Archive(folder / "archive")
        roll = archive.store.add_roll(NewRoll("Load", FilmProcess.BW_NEGATIVE, "135", 6, 6))
        bench = BenchProcess.start(
            BenchConfig(frames=6, sensor=SensorConfig(width=WIDTH, height=HEIGHT))
        )
        bench.go_to(1)
        judge = Judge()
        hand = SimulatedHand(bench, roll)
        app = TetherApp(
            Given(archive, connect, judge, port=bench.port_name, roll=roll.name, hand=hand)
        )
        waits = asyncio.run(keys_under_load(app))
        app.shut()
        judge.close()
        bench.close()
        archive.close()
    print(f"keys during a {WIDTH * HEIGHT / 1e6:.0f}-megapixel capture, milliseconds:")
    for phase, values in waits.items():
        ordered = sorted(values)
        print(
            f"  {phase:<10} {len(values):>4} keys  median {statistics.median(values):6.1f}  "
            f"worst {ordered[-1]:6.1f}"
        )


if __name__ == "__main__":
    main()
