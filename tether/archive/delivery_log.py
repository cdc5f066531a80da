"""What the archive keeps of a delivery: a line in the roll's log, and the copies of what was made.

Delivering reads an archive and leaves its database alone; only at the end this is written.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path

from tether.archive.archive import Archive
from tether.archive.layout import DATABASE
from tether.archive.second_copy import Mirror, remembered_copy_folder
from tether.errors import TetherError
from tether.text import printable


def note_delivery(root: Path, roll_name: str, words: str, say: Callable[[str], None]) -> None:
    """Log a delivery, and copy sidecars and positives to the second folder where there is one.

    Where the archive cannot be written to that is no trouble: what was delivered is there. Where
    another program is at work on the roll, that one writes the log file and copies.

    Parameters
    ----------
    root, roll_name
        The archive's folder, and the roll that was delivered.
    words
        What came of it, for the log.
    say
        Called with what there is to say about the copies.
    """
    if not (root / DATABASE).is_file():
        return
    with (
        contextlib.suppress(TetherError, OSError),
        contextlib.closing(Archive(root)) as archive,
    ):
        roll = archive.store.rolls.named(roll_name)
        archive.store.journal.log("deliver", printable(words, 2000), roll.id)
        folder = remembered_copy_folder(archive)
        if folder is not None:
            archive.store.journal.fall_behind(roll.id)
        lock = archive.open_roll(roll)
        try:
            archive.write_log(roll)
            if folder is not None:
                _copy(archive, folder, say)
        finally:
            lock.release()


def _copy(archive: Archive, folder: Path, say: Callable[[str], None]) -> None:
    say("Copying to the second folder; Ctrl-C leaves it for the next time.")
    archive.mirror = Mirror(archive, folder)
    archive.mirror.start()
    # What was interrupted is stored as behind; the next start goes on with it.
    with contextlib.suppress(KeyboardInterrupt):
        archive.mirror.finish()
    say(archive.mirror.state().sentence())
