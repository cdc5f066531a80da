"""The offer to put a shutter back that an interrupted test has left somewhere else."""

from __future__ import annotations

from collections.abc import Sequence

from tether.session.light_shutter import Displaced, displaced, forget, put_back
from tether.session.session import Session
from tether.text import printable

BACK, LEAVE = "back", "leave"


def find_displaced(session: Session) -> Displaced | None:
    """Return where the shutter should stand, None where it does; for the session's thread."""
    return displaced(session.store, session.camera_key, session.camera_state)


def question(left: Displaced) -> str:
    """Ask what to do."""
    return f"{left.sentence()}\nWhat shall it be?"


def options(left: Displaced) -> Sequence[tuple[str, str]]:
    """Return what there is to choose, by name."""
    was, stands = printable(left.was, 20), printable(left.stands, 20)
    return ((BACK, f"Put it back to {was}"), (LEAVE, f"Leave it at {stands}"))


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
