"""An archive of rehearsals: invented pictures and those of real film never lie in one.

Whoever saw both in a list would not know which frames still have to be shot.
"""

from __future__ import annotations

from pathlib import Path

from tether.archive.archive import Archive
from tether.errors import TetherError
from tether.text import printable

REHEARSAL_CARD = "simulated card"
"""Folder in the archive of a rehearsal that holds the simulated camera's card."""


def is_rehearsals(root: Path) -> bool:
    """Whether an archive is one of rehearsals."""
    return (root / REHEARSAL_CARD).is_dir()


def make_rehearsals(archive: Archive) -> None:
    """Make an archive one of rehearsals; it stays so.

    Raises
    ------
    TetherError
        When it holds rolls of real film.
    """
    if is_rehearsals(archive.root):
        return
    if archive.store.rolls.totals().rolls:
        raise TetherError(
            f"The archive in {printable(str(archive.root))} holds rolls of real film.",
            kept="Nothing was changed: no invented picture came into it.",
            todo="Rehearse in a folder of its own: leave --archive out, or name another folder.",
        )
    (archive.root / REHEARSAL_CARD).mkdir(exist_ok=True)


def refuse_rehearsals(root: Path) -> None:
    """See to it that no roll of real film is shot into an archive of rehearsals.

    Raises
    ------
    TetherError
        When the archive is one.
    """
    if is_rehearsals(root):
        raise TetherError(
            f"The archive in {printable(str(root))} is one of rehearsals: its pictures are "
            "invented.",
            kept="Nothing was changed, and the camera was not looked for.",
            todo="Shoot into a folder of its own: name it with --archive. A rehearsal is gone on "
            "with by 'tether rehearse'. If a rehearsal came into an archive of real film by "
            f"mistake, move the folder '{REHEARSAL_CARD}' out of it, and it is one of real film "
            "again.",
        )
