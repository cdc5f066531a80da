"""One process for the simulated benches of many tests: each test has a bench of its own in it.

Starting Python with its array library, and painting the first picture, would otherwise be most of
what a test with a bench takes.
"""

from __future__ import annotations

from contextlib import suppress
from functools import lru_cache
from typing import Any

from tether_simulator.bench_config import BenchConfig
from tether_simulator.film import scenes as scene
from tether_simulator.server import START_SECONDS, BenchHost, BenchProcess

from tether.errors import TetherError
from tether.worker_process import WorkerProcess


def remember_pictures() -> None:
    """Paint each picture once in this process: it hangs on number, seed and size alone."""
    scene.paint = lru_cache(maxsize=8)(scene.paint)


class Benches:
    """In the process: the bench of the test that runs now."""

    def __init__(self) -> None:
        remember_pictures()
        self._now: BenchHost | None = None

    def begin(self, config: BenchConfig) -> None:
        """Put up a bench as nobody has used it yet."""
        self.close()
        self._now = BenchHost(config)

    def close(self) -> None:
        """Take the bench down."""
        if self._now is not None:
            self._now.close()
        self._now = None

    def __getattr__(self, name: str) -> Any:
        return getattr(self._now, name)


class BenchRoom(WorkerProcess):
    """The process, seen from the tests; what they close is the bench in it."""

    def __init__(self) -> None:
        super().__init__(Benches, name="The simulated bench")

    def bench(self, config: BenchConfig) -> BenchProcess:
        """Put up a bench. One that a test has killed is put up in a new process."""
        self.start(START_SECONDS)
        self.call("begin", config, timeout=START_SECONDS)
        return BenchProcess(self)

    def close(self) -> None:
        """Take the bench down; the process stays."""
        if self.alive:
            with suppress(TetherError):
                self.call("close", timeout=START_SECONDS)

    def end(self) -> None:
        """End the process."""
        super().close()
