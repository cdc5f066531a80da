"""What an earlier stop, or somebody else, left on the camera's card and in a roll's folder.

Nothing here removes or fetches anything: it is found and put into words. What a person does with
it is in `tether.capture.leftover_actions`.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from tether.archive.archive import INCOMING
from tether.archive.durable import digest_of
from tether.archive.layout import CAPTURE_NAME, ending_of
from tether.archive.records import utf8_safe
from tether.camera.protocol import CardFile
from tether.capture.card_claims import exposures
from tether.capture.file_check import is_whole
from tether.capture.transfer import CardTransfer
from tether.errors import TetherError
from tether.text import plural, printable


class Kind(StrEnum):
    """What a leftover is, in the words that a person reads."""

    CARD = "on the camera's card, never fetched"
    WHOLE = "a whole file that belongs to no frame yet"
    HALF = "a file that did not come whole"
    COPY = "a copy of a filed picture"
    CAPTURE = "named like a capture, not recorded"
    STRANGER = "somebody else's file in the roll's folder"


@dataclass(frozen=True, slots=True)
class Leftover:
    """One picture or file. ``files`` are the card's (raw and JPEG), ``path`` is one on the disk.

    ``key`` tells it from the others of a roll, ``size`` is in bytes (0 where not stated),
    ``modified`` in seconds since 1970 (of the camera's clock for those on the card).
    """

    kind: Kind
    key: str
    size: int
    modified: int | None = None
    files: tuple[CardFile, ...] = ()
    path: Path | None = None

    @property
    def name(self) -> str:
        """Its name for a person."""
        return printable(", ".join(f.name for f in self.files) if self.files else self.key, 70)


def on_card(files: Iterable[CardFile]) -> list[Leftover]:
    """Part pictures on a card into exposures: a raw file and its JPEG are one."""
    return [
        Leftover(
            Kind.CARD,
            "/".join((part[0].folder, part[0].name)),
            sum(f.size or 0 for f in part),
            part[0].modified,
            tuple(part),
        )
        for part in exposures(list(files))
    ]


def in_folder(transfer: CardTransfer) -> list[Leftover]:
    """Return what lies in a roll's folder, is recorded nowhere, and was not left alone before.

    Raises
    ------
    TetherError
        When the folder cannot be read.
    """
    archive, roll = transfer.archive, transfer.roll
    incoming, folder = archive.incoming(roll), archive.folder(roll)
    alone = transfer.store.journal.left_alone(roll.id)
    waiting = {
        str(file.get("part"))
        for intent in transfer.store.journal.intents(roll.id)
        for file in intent.facts.get("parcels", ())
    }
    found = []
    try:
        for path in sorted(incoming.iterdir()):
            key = f"{INCOMING}/{path.name}"
            known = path.name in waiting or utf8_safe(key) in alone
            if path.suffix == ".part" and not known:
                found.append(_at(path, key, _kind_of_part(transfer, path)))
        for name in archive.unrecorded_files(roll):
            if utf8_safe(name) not in alone:
                kind = Kind.CAPTURE if CAPTURE_NAME.match(name) else Kind.STRANGER
                found.append(_at(folder / name, name, kind))
    except OSError as error:
        raise TetherError(
            f"The folder {printable(str(folder))} cannot be read: {error.strerror}.",
            kept="Nothing was changed.",
            todo="Check the disk and the folder's permissions.",
        ) from error
    return found


def _at(path: Path, key: str, kind: Kind) -> Leftover:
    stat = path.lstat()
    return Leftover(kind, key, stat.st_size, int(stat.st_mtime), path=path)


def _kind_of_part(transfer: CardTransfer, part: Path) -> Kind:
    if part.is_symlink() or not part.is_file():
        return Kind.HALF
    size, digest, head = digest_of(part)
    if transfer.store.frames.with_digest(digest) is not None:
        return Kind.COPY
    if size and ending_of(part.name, head)[1] and is_whole(part):
        return Kind.WHOLE
    return Kind.HALF


def words(transfer: CardTransfer, found: Sequence[Leftover]) -> Iterator[str]:
    """Say what lies in a roll's folder, in a sentence or two."""
    counted = {kind: sum(x.kind is kind for x in found) for kind in Kind}
    kinds = []
    if n := counted[Kind.COPY]:
        kinds.append(f"{plural(n, 'copy', 'copies')} of filed pictures")
    if n := counted[Kind.WHOLE]:
        kinds.append(f"{plural(n, 'whole file')} of no frame")
    if n := counted[Kind.HALF]:
        kinds.append(f"{plural(n, 'file')} that did not come whole")
    if kinds:
        incoming = os.fspath(transfer.archive.incoming(transfer.roll))
        yield f"In {printable(incoming)} an earlier stop left {' and '.join(kinds)}; all stays."
    strangers = [x for x in found if x.kind in (Kind.CAPTURE, Kind.STRANGER)]
    if strangers:
        yield (
            f"{plural(len(strangers), 'file')} in the roll's folder "
            f"{'is' if len(strangers) == 1 else 'are'} not recorded and left alone: "
            f"{', '.join(x.name for x in strangers[:3])}{' …' if len(strangers) > 3 else ''}."
            + (
                " 'tether rebuild' records those that are named like captures."
                if counted[Kind.CAPTURE]
                else ""
            )
        )
