"""The one thread on which the session lives, seen from the screen's side.

Camera, store and judge block, and the camera's calls must be made in turn: all of them happen
on a single worker thread. The screen only awaits results, so a key is answered at once.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")


class SessionThread:
    """Runs calls in turn on one thread."""

    def __init__(self) -> None:
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="session")
        self._waiting = 0

    @property
    def busy(self) -> bool:
        """Whether a call is under way or waits."""
        return self._waiting > 0

    async def run(self, call: Callable[[], T]) -> T:
        """Run a call on the session's thread and return its result."""
        self._waiting += 1
        try:
            return await asyncio.get_running_loop().run_in_executor(self._thread, call)
        finally:
            self._waiting -= 1

    def close(self) -> None:
        """Let the running call end, take no more."""
        self._thread.shutdown(wait=True, cancel_futures=True)
