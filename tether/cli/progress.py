"""How far a command is: a moving bar on a terminal; elsewhere a line a phase, or nothing."""

from __future__ import annotations

import sys
from types import TracebackType
from typing import Self

from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TaskID,
    TextColumn,
    TimeRemainingColumn,
)

from tether.text import printable


class TerminalProgress:
    """Shows the phases of a command, each as a bar; use it in a ``with`` statement.

    Parameters
    ----------
    lines
        Whether to print a line for each finished phase where there is no terminal.
    """

    def __init__(self, *, lines: bool = False) -> None:
        self._lines = lines
        self._tasks: dict[str, TaskID] = {}
        self._bars = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            MofNCompleteColumn(),
            TimeRemainingColumn(),
            TextColumn("{task.fields[now]}", markup=False),
            transient=True,
            disable=not sys.stdout.isatty(),
        )

    def __enter__(self) -> Self:
        """Return itself, with the bars in sight."""
        self._bars.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Take the bars away."""
        self._bars.stop()

    def show(self, phase: str, done: float, total: float | None, now: str = "") -> None:
        """Say how far a phase is; ``total`` is None where nobody knows, ``now`` is any text."""
        if self._bars.disable:
            if self._lines and done == total:
                print(f"{phase}: {total} done", flush=True)
            return
        if phase not in self._tasks:
            self._tasks[phase] = self._bars.add_task(phase, now="")
        self._bars.update(self._tasks[phase], completed=done, total=total, now=printable(now, 40))
