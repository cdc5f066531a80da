"""Pictures and files that an interruption left on the card or in a roll's folder.

They are found, put into words, and fetched, filed or left alone as a person decides. Nothing is
thrown away. The one thing that can be removed is a copy of a picture that is filed, after both
were read and found equal.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path

from tether.archive.archive import INCOMING
from tether.archive.durable import check_arrival, digest_of, matches
from tether.archive.fact_files import json_list
from tether.archive.layout import CAPTURE_NAME, ending_of
from tether.archive.open_roll import OpenRoll
from tether.archive.rebuild import record_by_name
from tether.archive.records import Capture, FrameState, utf8_safe
from tether.camera.errors import CameraError, CameraRefused
from tether.camera.protocol import CardFile
from tether.capture.file_check import is_whole
from tether.capture.tethered import Tethered, light_setting
from tether.capture.transfer import CardTransfer, Progress, exposures
from tether.clock import stamp
from tether.errors import NotNow, TetherError
from tether.text import plural, printable

_IS = ("are", "is")


class Kind(StrEnum):
    """What a leftover is, in the words that a person reads."""

    CARD = "on the camera's card, never copied"
    WHOLE = "a whole file that belongs to no frame yet"
    HALF = "an incomplete file: harmless, nothing to do"
    COPY = "a copy of a filed picture"
    CAPTURE = "named like a capture, not recorded"
    STRANGER = "not a file of this program"


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
    def needs_choice(self) -> bool:
        """Whether there is something to decide about it; an incomplete download can just stay."""
        return self.kind is not Kind.HALF

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
        for file in json_list(intent.facts.get("parcels"))
        if isinstance(file, dict)
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
        kinds.append(f"{plural(n, 'incomplete file')}, which {_IS[n == 1]} harmless,")
    if kinds:
        incoming = os.fspath(transfer.archive.incoming(transfer.roll))
        yield f"An interruption left {' and '.join(kinds)} in {printable(incoming)}. All are kept."
    strangers = [x for x in found if x.kind in (Kind.CAPTURE, Kind.STRANGER)]
    if strangers:
        yield (
            f"{plural(len(strangers), 'file')} in the roll's folder "
            f"{_IS[len(strangers) == 1]} not recorded and left alone: "
            f"{', '.join(x.name for x in strangers[:3])}{' …' if len(strangers) > 3 else ''}."
            + (
                " 'tether rebuild' records those that are named like captures."
                if counted[Kind.CAPTURE]
                else ""
            )
        )


class LeftoverActions:
    """What was left of a roll's pictures, and what is done with it.

    Parameters
    ----------
    roll, camera, transfer
        The roll at work, its camera, and the way from the camera's card into the roll.
    judge
        Judges a capture and stores the verdict.
    light
        Tells the kind of light that the settings name.
    """

    def __init__(
        self,
        roll: OpenRoll,
        camera: Tethered,
        transfer: CardTransfer,
        judge: Callable[[Capture], object],
        light: Callable[[], str],
    ) -> None:
        self._roll = roll
        self._camera = camera
        self._transfer = transfer
        self._judge = judge
        self._light = light
        self.seen: frozenset[Leftover] = frozenset()
        """What was left undecided when it was last offered: it is not offered again unless
        something new came."""

    def anything_new(self, items: Sequence[Leftover]) -> bool:
        """Whether one of these was not offered yet since the program was started."""
        return not self.seen.issuperset(items)

    def find(self, *, afresh: bool = False) -> tuple[Leftover, ...]:
        """Return what was left and not dealt with, pictures on the card first.

        Parameters
        ----------
        afresh
            Look through the card again; else what was last seen on it counts.

        Raises
        ------
        CameraError
            When the card cannot be looked through.
        TetherError
            When the roll's folder cannot be read.
        """
        files: list[CardFile] = []
        if (camera := self._camera.camera) is not None:
            files = self._transfer.offered(camera if afresh else None, self._camera.key)
        return (*on_card(files), *in_folder(self._transfer))

    def free_frames(self, count: int) -> list[int]:
        """Return the next frames, ``count`` at most, that have no picture and no decision."""
        frames = self._roll.frames()
        return [f.number for f in frames if f.state is FrameState.OPEN and not f.captures][:count]

    def fetch(
        self, item: Leftover, frame: int, report: Callable[[Progress], None] = lambda _: None
    ) -> str:
        """Fetch a picture from the card for a frame, judge it, and say what came of it.

        Raises
        ------
        RollError
            When the roll has no such frame.
        NotNow
            When no camera is connected.
        CameraError, FilingError
            When it could not be fetched or filed; it stays on the card.
        """
        self._roll.check_frame(frame)
        camera = self._camera.connected("Connect it, then fetch the picture.")
        settings = self._camera.settings_now(self._light())
        try:
            transferred = self._transfer.take(
                camera, self._camera.key, item.files, frame, "card", settings, None, report
            )
        except CameraError as error:
            self._roll.log("camera", f"A picture was not fetched: {error}", frame)
            raise
        report(Progress("judge"))
        verdicts = self._judged(transferred.captures)
        if verdicts:
            return f"Frame {frame}: {verdicts}"
        if not transferred.repeated:
            raise CameraRefused(
                "The camera gave no raw file for this frame.",
                kept=" ".join(transferred.said) or "What it gave is filed beside the raw files.",
                todo="Set its image format to raw, or raw and JPEG, and shoot again.",
            )
        return " ".join(transferred.said) or (
            f"{item.name}: the archive has it already; nothing was filed twice."
        )

    def file(self, item: Leftover, frame: int) -> str:
        """Give a whole file in ``incoming/`` to a frame, judge it, and say so.

        Raises
        ------
        RollError
            When the roll has no such frame.
        NotNow
            When the file is not there any more.
        FilingError
            When it could not be filed; it stays where it is.
        """
        self._roll.check_frame(frame)
        path = self._existing(item, Kind.WHOLE)
        arrival = check_arrival(path, path.name, None)
        card = CardFile("", path.name, arrival.size, None)
        pending = self._transfer.filing.named(frame, [(card, arrival)])
        facts = {
            "camera": "",
            "files": [],
            "origin": "leftover",
            "settings": light_setting(self._light()),
            "taken_at": stamp(datetime.fromtimestamp(path.stat().st_mtime, UTC)),
            "parcels": [asdict(file) for file in pending],
        }
        intent = self._roll.store.journal.begin(self._roll.id, "arrival", frame, facts)
        captures = self._transfer.filing.file(intent, frame, facts, pending)
        return f"Frame {frame}: {self._judged(captures)}"

    def record(self, item: Leftover) -> str:
        """Record a file that has a capture's name for the frame that it names, and judge it.

        Raises
        ------
        NotNow
            When it is not there any more, or its name does not say a frame of the roll.
        """
        path = self._existing(item, Kind.CAPTURE)
        captures = record_by_name(self._roll.archive, self._roll.roll, [path.name])
        if not captures and path.name not in self._roll.store.frames.file_names(self._roll.id):
            raise NotNow(
                f"{item.name} names no frame, is empty, or has the bytes of a recorded picture.",
                todo="It stays where it is.",
            )
        recorded = self._judged(captures) or path.name
        self._roll.log("recovery", f"Recorded by its name: {recorded}")
        self._roll.archive.write_all_facts(self._roll.roll)
        return f"Recorded: {recorded}"

    def drop_copy(self, item: Leftover) -> str:
        """Remove a copy in ``incoming/`` of a picture that is filed, once both are found equal.

        Raises
        ------
        NotNow
            When the filed picture is not there with just these bytes: then the copy stays.
        """
        path = self._existing(item, Kind.COPY)
        size, digest, _ = digest_of(path)
        store = self._roll.store
        where = store.frames.with_digest(digest)
        if where is not None:
            filed = self._roll.archive.file(store.rolls.by_id(where.roll_id), where.file_name)
            if matches(filed, size, digest):
                path.unlink()
                self._roll.log("recovery", f"Removed {path.name}: {where.file_name} has its bytes.")
                return f"The copy is gone; {where.file_name} has the same bytes."
        raise NotNow(
            f"The picture that {item.name} is a copy of is not there as it was recorded.",
            todo="The copy stays. Find out more: tether verify",
        )

    def leave(self, item: Leftover) -> str:
        """Leave something where it is, and not speak of it again."""
        if item.kind is Kind.CARD:
            self._roll.store.journal.know_card_files(self._camera.key, item.files)
        else:
            self._roll.store.journal.leave_alone(self._roll.id, [item.key])
        self._roll.log("recovery", f"Left where it is: {item.name} ({item.kind.value})")
        return f"{item.name} stays where it is and is not asked about again."

    def _existing(self, item: Leftover, kind: Kind) -> Path:
        if item.kind is not kind or item.path is None or not item.path.is_file():
            raise NotNow(f"{item.name} is not there any more.", todo="Look again.")
        return item.path

    def _judged(self, captures: Sequence[Capture]) -> str:
        """Judge pictures and name each with its verdict, "" for none."""
        for capture in captures:
            self._judge(capture)
        stored = map(self._roll.stored, captures)
        return ", ".join(f"{c.file_name} (verdict: {c.verdict})" for c in stored)
