"""What a person may do with what an earlier stop left: fetch it, file it, or leave it alone.

Nothing is thrown away. The one thing that can be removed is a copy of a picture that is filed,
after both were read and found equal.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

from tether.archive.durable import check_arrival, digest_of, matches
from tether.archive.open_roll import OpenRoll
from tether.archive.rebuilt_frames import record_by_name
from tether.archive.records import Capture, FrameState
from tether.camera.errors import CameraError, CameraRefused
from tether.camera.protocol import CardFile
from tether.capture.leftovers import Kind, Leftover, in_folder, on_card
from tether.capture.recovery import offered
from tether.capture.tethered import Tethered, light_setting
from tether.capture.transfer import CardTransfer, Progress
from tether.clock import stamp
from tether.disk import flush_folder
from tether.errors import NotNow


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
            files = offered(self._transfer, camera if afresh else None, self._camera.key)
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
        CameraError, IntakeError
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
        IntakeError
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
        self._roll.archive.write_all_beside(self._roll.roll)
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
                flush_folder(path.parent)
                self._roll.log("recovery", f"Removed {path.name}: {where.file_name} has its bytes.")
                return f"The copy is gone; {where.file_name} has the same bytes."
        raise NotNow(
            f"The picture that {item.name} is a copy of is not there as it was recorded.",
            todo="The copy stays. See what is wrong with: tether verify",
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
