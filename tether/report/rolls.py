"""The rolls of an archive: how far each is, and how to go on with it."""

from __future__ import annotations

import shlex
import shutil
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tether.session.archive import Archive
from tether.text import plural, printable

#: Folder in the archive of a rehearsal that holds the simulated camera's card.
REHEARSAL_CARD = "simulated card"


def program() -> str:
    """Return how this program is started here: by its name when the shell finds it."""
    started = Path(sys.argv[0])
    if started.name != "tether" or shutil.which("tether"):
        return "tether"
    return shlex.quote(str(started.absolute()))


def listing(archive: Archive) -> list[dict[str, Any]]:
    """Return one object a roll; the keys are documented in docs/json.md."""
    return [
        {
            "name": p.roll.name,
            "film": p.roll.process.value,
            "format": p.roll.format_key,
            "frames_expected": p.roll.frames_expected,
            "frames_done": p.frames_done,
            "next": f"frame {p.next_frame}" if p.next_frame else None,
            "folder": str(archive.root / p.roll.folder),
            "go_on": go_on(archive, p.roll.name) if p.next_frame else None,
        }
        for p in archive.store.progress()
    ]


def go_on(archive: Archive, roll_name: str) -> str:
    """Return the command that goes on with a roll, to paste into a shell."""
    if (archive.root / REHEARSAL_CARD).is_dir():
        return f"{program()} rehearse --archive {shlex.quote(str(archive.root))}"
    # A name that begins with a dash would be read as an option.
    before = "-- " if roll_name.startswith("-") else ""
    where = f"--archive {shlex.quote(str(archive.root))}"
    return f"{program()} shoot {where} {before}{shlex.quote(roll_name)}"


def listing_text(rows: Sequence[dict[str, Any]]) -> str:
    """Return the list as text for a terminal."""
    if not rows:
        return "The archive holds no rolls yet. Start one: tether shoot NAME"
    lines = []
    for row in rows:
        state = f"next: {row['next']}" if row["next"] else "complete"
        lines.append(
            f"{printable(row['name'], 40):<24} {row['film']:<16} "
            f"{row['frames_done']:>3} of {row['frames_expected']:<3}  {state}"
        )
    done = sum(row["frames_done"] for row in rows)
    expected = sum(row["frames_expected"] for row in rows)
    lines.append(f"{plural(len(rows), 'roll')}, {done} of {expected} frames done.")
    unfinished = next((row for row in reversed(rows) if row["go_on"]), None)
    if unfinished:
        lines.append(f"Go on: {printable(unfinished['go_on'], 500)}")
    return "\n".join(lines)
