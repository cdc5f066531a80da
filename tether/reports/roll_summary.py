"""What was done, and where the files lie: the words at the end of a sitting."""

from __future__ import annotations

import shutil
import textwrap
from datetime import timedelta

from tether.archive.archive import Archive
from tether.reports.statement import statement
from tether.settings import PlanningSettings

_WHOLE = ("The files lie in", "Go on at", "Make the positives")
_PAUSE = timedelta(minutes=PlanningSettings().pause_minutes)


def summary(archive: Archive, roll_name: str, pause: timedelta = _PAUSE) -> list[str]:
    """Return the lines of a roll's summary."""
    return statement(archive, roll_name, pause).lines()


def leaving_text(archive: Archive, roll_name: str, pause: timedelta = _PAUSE) -> str:
    """Return what is printed when the person leaves the screen.

    How the copies stand is said after it: they may still be under way.
    """
    said = statement(archive, roll_name, pause)
    copies = [] if archive.mirror is not None else [said.copy]
    width = min(shutil.get_terminal_size().columns, 100)
    # A path or a command stays in one piece, to be marked and pasted.
    return "\n".join(
        line if line.startswith(_WHOLE) else textwrap.fill(line, width)
        for line in (*said.lines(), *copies, *said.next)
    )
