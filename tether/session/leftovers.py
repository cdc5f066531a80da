"""Files that an earlier stop, or somebody else, left in a roll's folder."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from tether.errors import TetherError
from tether.session.delivery import Delivery
from tether.session.intake import digest_of
from tether.session.names import CAPTURE_NAME
from tether.text import plural, printable


def left_behind(delivery: Delivery) -> Iterator[str]:
    """Say what lies in a roll's folder and is recorded nowhere; all of it stays."""
    roll = delivery.roll
    incoming = delivery.archive.incoming(roll)
    try:
        parts = [p for p in incoming.iterdir() if p.suffix == ".part"]
        strangers = delivery.archive.strangers(roll)
    except OSError as error:
        raise TetherError(
            f"The folder {printable(str(incoming.parent))} cannot be read: {error.strerror}.",
            kept="Nothing was changed.",
            todo="Check the disk and the folder's permissions.",
        ) from error
    waiting = {
        str(parcel.get("part"))
        for intent in delivery.store.intents(roll.id)
        for parcel in intent.facts.get("parcels", ())
    }
    parts = [p for p in parts if p.name not in waiting]
    if parts:
        copies = sum(_is_copy(delivery, part) for part in parts)
        rest = len(parts) - copies
        kinds = [f"{plural(copies, 'copy', 'copies')} of filed pictures"] if copies else []
        kinds += [f"{plural(rest, 'file')} that did not come whole"] if rest else []
        yield (
            f"In {printable(str(incoming))} an earlier stop left {' and '.join(kinds)}. No frame "
            "needs them; they stay until you delete them."
        )
    ours = [n for n in strangers if CAPTURE_NAME.match(n)]
    if strangers:
        yield (
            f"{plural(len(strangers), 'file')} in the roll's folder "
            f"{'is' if len(strangers) == 1 else 'are'} not recorded and left alone: "
            f"{', '.join(printable(n, 60) for n in strangers[:3])}"
            f"{' …' if len(strangers) > 3 else ''}."
            + (" 'tether rebuild' records those that are named like captures." if ours else "")
        )


def _is_copy(delivery: Delivery, part: Path) -> bool:
    """Tell whether a file has the bytes of a recorded one. Only equal sizes are read."""
    recorded = delivery.store.recorded(delivery.roll_id)
    try:
        size = part.stat().st_size
        if all(size != known for _, known, _ in recorded):
            return False
        digest = digest_of(part)[1]
    except OSError:
        return False
    return any(digest == known for _, _, known in recorded)
