"""The offer to put a shutter back that an interrupted test has left somewhere else."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from tether.bench.shutter_loan import Displaced, displaced, forget, put_back
from tether.session.session import Session
from tether.text import printable
from tether.tui.screens.dialogs import Pick

if TYPE_CHECKING:
    from tether.tui.screens.worktable_view import Table

BACK, LEAVE = "back", "leave"


def find_displaced(session: Session) -> Displaced | None:
    """Return where the shutter should stand, None where it does; for the session's thread."""
    return displaced(session.store, session.camera_key, session.camera_state)


def question(left: Displaced) -> str:
    """Ask what to do, in lines that a narrow dialog has room for."""
    said = left.sentence().replace(": ", ":\n", 1)
    return f"{said}\nWhat shall it be?"


def options(left: Displaced) -> Sequence[tuple[str, str]]:
    """Return what there is to choose, by name."""
    was, stands = printable(left.was, 20), printable(left.stands, 20)
    return ((BACK, f"Put it back to {was}"), (LEAVE, f"Leave it at {stands}"))


async def offer_shutter(table: Table) -> None:
    """Ask about a shutter that stands elsewhere; Escape leaves the question for later."""
    session = table.session
    left = await table.tether.desk.do(lambda: find_displaced(session))
    if left is None:
        return
    choice = await table.app.push_screen_wait(Pick(question(left), options(left)))
    if choice is None:
        table.say(f"{left.sentence()} The light test (key 3) can put it back.")
        return
    said = await table.attempt(lambda: carry_out(session, choice, left))
    if said:
        table.say(said)


def carry_out(session: Session, choice: str, left: Displaced) -> str:
    """Do what was chosen; return what to say. Blocks; for the session's thread.

    Raises
    ------
    TetherError
        When the camera does not take the setting; it is offered again.
    """
    if choice == BACK:
        return f"The shutter stands at {printable(put_back(session), 20)} again."
    forget(session.store, session.camera_key)
    session.store.log(
        "camera", f"Shutter left at {printable(left.stands, 20)} after a test", session.roll.id
    )
    return f"The shutter stays at {printable(left.stands, 20)}."
