"""The offer to put a shutter back that an interrupted test has left somewhere else."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from tether.bench.shutter_loan import DisplacedShutter
from tether.text import printable
from tether.tui.screens.dialogs import Pick

if TYPE_CHECKING:
    from tether.tui.screens.worktable_view import Table

_BACK, _LEAVE = "back", "leave"


def question(left: DisplacedShutter) -> str:
    """Ask what to do, in lines that a narrow dialog has room for."""
    said = left.sentence().replace(": ", ":\n", 1)
    return f"{said}\nWhat shall it be?"


def options(left: DisplacedShutter) -> Sequence[tuple[str, str]]:
    """Return what there is to choose, by name."""
    was, stands = printable(left.was, 20), printable(left.now, 20)
    return ((_BACK, f"Put it back to {was}"), (_LEAVE, f"Leave it at {stands}"))


async def offer_shutter(table: Table) -> None:
    """Ask about a shutter that stands elsewhere; Escape leaves the question for later."""
    port = table.port
    left = await port.displaced()
    if left is None:
        return
    choice = await table.app.push_screen_wait(Pick(question(left), options(left)))
    if choice is None:
        table.say(f"{left.sentence()} The light test (key 3) can put it back.")
        return
    said = await table.attempt(
        port.put_shutter_back if choice == _BACK else lambda: port.leave_shutter(left)
    )
    if said:
        table.say(said)
