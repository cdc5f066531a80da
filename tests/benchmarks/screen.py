"""How fast the screen is: start to first paint, and keys during a 45-megapixel capture.

Run from the project's folder: ``PYTHONPATH=. python -m tests.benchmarks.screen``. It prints, and
asserts nothing. The program runs on a pseudo-terminal, as a person has it: what counts is when
the words that were waited for have arrived there. A key is answered when the help that it opens,
or the worktable that it goes back to, is on the terminal.
"""

from __future__ import annotations

import os
import re
import select
import statistics
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path

import pexpect
from tether_simulator.bench import BenchConfig
from tether_simulator.imaging.sensor import SensorConfig
from tether_simulator.server import BenchProcess

from tether.archive.archive import Archive
from tether.archive.records import NewRoll
from tether.film import FilmProcess

WIDTH, HEIGHT = 8192, 5464
_SIZE = (40, 120)
_AIM_MS = 50.0
_PHASES = {"Firing": "fire", "Copying": "fetch", "Filing": "file", "Measuring": "judge"}


class Terminal:
    """A program on a pseudo-terminal, and the words that it has written."""

    def __init__(self, words: list[str], bytecode: Path, size: tuple[int, int] = (24, 80)) -> None:
        # The bytecode is kept, as it is where a program was installed.
        environment = os.environ | {"PYTHONPYCACHEPREFIX": str(bytecode), "TERM": "xterm-256color"}
        environment.pop("PYTHONDONTWRITEBYTECODE", None)
        self.begun = time.perf_counter()
        self._child = pexpect.spawn(
            sys.executable, ["-m", "tether", *words], dimensions=size, env=environment
        )
        self._written = b""
        self.earlier = b""

    def press(self, key: bytes) -> float:
        """Press a key; return when that was. What was still being written is read before."""
        while select.select([self._child.child_fd], [], [], 0.05)[0]:
            self._written += os.read(self._child.child_fd, 65536)
        self.earlier, self._written = self._written, b""
        at = time.perf_counter()
        os.write(self._child.child_fd, key)
        return at

    def written(self, *patterns: bytes, seconds: float = 30.0) -> bytes:
        """Wait for one of some words; return them."""
        sought = re.compile(b"|".join(patterns))
        deadline = time.perf_counter() + seconds
        while not (found := sought.search(self._written)):
            left = deadline - time.perf_counter()
            if left <= 0 or not select.select([self._child.child_fd], [], [], left)[0]:
                raise TimeoutError(f"never written: {patterns}")
            self._written += os.read(self._child.child_fd, 65536)
        return found[0]

    def answer(self) -> None:
        """Say what the terminal is, as terminals do when they are asked."""
        self.written(rb"\x1b\[c")
        self.press(b"\x1b[6;20;10t\x1b[?62;22c")

    def seen(self, within: float, pattern: bytes) -> bool:
        """Whether words come within some seconds."""
        try:
            return bool(self.written(pattern, seconds=within))
        except TimeoutError:
            return False

    def end(self) -> None:
        """End the program."""
        self._child.close(force=True)


def first_paint(folder: Path, bytecode: Path, *, answers: bool) -> float:
    """Return the seconds from the command to its first form on a terminal.

    ``answers`` for a terminal that says what it is; a bare pseudo-terminal does not.
    """
    words = ["shoot", "Paint", "--archive", str(folder), "--camera", "ptpip:127.0.0.1:9"]
    terminal = Terminal(words, bytecode)
    if answers:
        terminal.answer()
    terminal.written(rb"A new roll")
    took = time.perf_counter() - terminal.begun
    terminal.end()
    return took


def library_alone(bytecode: Path) -> float:
    """Return the seconds that Python takes to begin and to load Textual: how fast a machine is."""
    environment = os.environ | {"PYTHONPYCACHEPREFIX": str(bytecode)}
    begun = time.perf_counter()
    subprocess.run([sys.executable, "-c", "import textual.app"], env=environment, check=True)
    return time.perf_counter() - begun


def keys_under_load(terminal: Terminal) -> dict[str, list[float]]:
    """Shoot one frame and press keys all the while; return milliseconds by what went on."""
    terminal.answer()
    terminal.written(rb"Next:|Set-up")
    time.sleep(1.0)  # the set-up opens over the main screen in a new archive
    terminal.press(b"x")
    terminal.seen(1.0, rb"left out")
    terminal.press(b"\x1b")
    while not terminal.seen(1.0, rb"shoot frame"):
        terminal.press(b"y")  # a step that has a screen is said to be done
        if terminal.seen(1.0, rb"shoot frame"):
            break
        terminal.press(b"\r")
    waits: dict[str, list[float]] = {}
    phase = "fire"
    terminal.press(b"f")
    terminal.written(rb"Firing")
    done = False
    while not done:
        at = terminal.press(b"?")
        for said, name in _PHASES.items():
            if said.encode() in terminal.earlier:
                phase = name
        terminal.written(rb"Help: Main screen")
        waits.setdefault(phase, []).append(1000 * (time.perf_counter() - at))
        at = terminal.press(b"?")
        done = terminal.written(rb"Next: [a-z]+").endswith(b"decide")
        waits[phase].append(1000 * (time.perf_counter() - at))
    return waits


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        bytecode = folder / "bytecode"
        first_paint(folder / "cold", bytecode, answers=True)
        alone = [library_alone(bytecode) for _ in range(7)]
        print(
            f"Python with Textual alone: median {statistics.median(alone):.2f} s, "
            f"best {min(alone):.2f} s"
        )
        for answers, kind in ((True, "answers"), (False, "is mute")):
            paints = [
                first_paint(folder / f"{kind}{i}", bytecode, answers=answers) for i in range(7)
            ]
            print(
                f"start to first paint, terminal {kind:<8} median "
                f"{statistics.median(paints):.2f} s of {len(paints)}, best {min(paints):.2f} s"
            )
        archive = Archive(folder / "archive")
        archive.store.rolls.add(NewRoll("Load", FilmProcess.BW_NEGATIVE, "135", 6, 6))
        archive.close()
        bench = BenchProcess.start(
            BenchConfig(frames=6, sensor=SensorConfig(width=WIDTH, height=HEIGHT))
        )
        bench.go_to(1)
        # A camera has a processor of its own; this one would take the screen's.
        if bench.pid is not None:
            os.setpriority(os.PRIO_PROCESS, bench.pid, 19)
            with suppress(OSError):  # Linux's share of its session, sched(7)
                Path(f"/proc/{bench.pid}/autogroup").write_text("19", "ascii")
        words = [
            "shoot", "Load", "--archive", str(folder / "archive"), "--camera", bench.port_name
        ]  # fmt: skip
        terminal = Terminal(words, bytecode, _SIZE)
        try:
            waits = keys_under_load(terminal)
        finally:
            terminal.end()
            bench.close()
    print(f"keys during a {WIDTH * HEIGHT / 1e6:.0f}-megapixel capture, milliseconds:")
    for phase, values in waits.items():
        ordered = sorted(values)
        print(
            f"  {phase:<10} {len(values):>4} keys  median {statistics.median(values):6.1f}  "
            f"90 % {ordered[len(ordered) * 9 // 10]:6.1f}  worst {ordered[-1]:6.1f}  "
            f"over {_AIM_MS:.0f}: {sum(v > _AIM_MS for v in values)}"
        )


if __name__ == "__main__":
    main()
