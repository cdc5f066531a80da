"""What a person may do with what an earlier stop left: fetch it, file it, or leave it alone.

Nothing is thrown away. The one thing that can be removed is a copy of a picture that is filed,
after both were read and found equal.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

from tether.archive.durable import digest_of, flush_folder, matches, received
from tether.archive.rebuilt_frames import record_by_name
from tether.archive.records import Capture, FrameState, RollError
from tether.camera.protocol import CardFile
from tether.capture.leftovers import Kind, Leftover, in_folder, on_card
from tether.capture.recovery import offered
from tether.capture.tethered import light_setting
from tether.capture.transfer import Progress
from tether.errors import NotNow
from tether.session.shooting import Shooting
from tether.text import plural


class Leaving(Shooting):
    """A session that can be asked what was left, and told what to do with it.

    ``seen`` is what was left undecided when it was last offered: it is not offered again by
    itself, unless something new came.
    """

    seen: frozenset[Leftover] = frozenset()

    def anything_new(self, items: Sequence[Leftover]) -> bool:
        """Whether one of these was not offered yet since the program was started."""
        return not self.seen.issuperset(items)

    def leftovers(self, *, afresh: bool = False) -> tuple[Leftover, ...]:
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
        if self.camera is not None:
            files = offered(self._delivery, self.camera if afresh else None, self.camera_key)
        return (*on_card(files), *in_folder(self._delivery))

    def frames_for_leftovers(self, count: int) -> list[int]:
        """Return the next frames, ``count`` at most, that have no picture and no decision."""
        free = [f.number for f in self.frames() if f.state is FrameState.OPEN and not f.captures]
        return free[:count]

    def fetch_leftover(
        self, item: Leftover, frame: int, report: Callable[[Progress], None] | None = None
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
        self._check_frame(frame)
        if self.camera is None or item.kind is not Kind.CARD:
            raise NotNow("No camera is connected.", todo="Connect it, then fetch the picture.")
        shot = self._take_in(item.files, frame, "card", None, report or (lambda _: None))
        if not shot.captures and shot.said:
            return " ".join(shot.said)
        if not shot.captures:
            return f"{item.name}: the archive has it already; nothing was filed twice."
        filed = ", ".join(
            f"{capture.file_name} (verdict: {capture.verdict})" for capture, _ in shot.captures
        )
        return f"Frame {frame}: {filed}"

    def file_leftover(self, item: Leftover, frame: int) -> str:
        """Give a whole file in ``incoming/`` to a frame, judge it, and say so; raises as above."""
        self._check_frame(frame)
        path = self._there(item, Kind.WHOLE)
        arrival = received(path, path.name, None)
        card = CardFile("", path.name, arrival.size, None)
        parcels = self._delivery.filing.named(frame, [(card, arrival)])
        facts = {
            "camera": "",
            "files": [],
            "origin": "leftover",
            "settings": light_setting(self.settings.light.kind),
            "taken_at": datetime.fromtimestamp(path.stat().st_mtime, UTC).isoformat(
                timespec="milliseconds"
            ),
            "parcels": [asdict(parcel) for parcel in parcels],
        }
        intent = self.store.begin(self._roll_id, "arrival", frame, facts)
        captures = self._delivery.filing.file(intent, frame, facts, parcels)
        return f"Frame {frame}: {self._judged(captures)}"

    def record_leftover(self, item: Leftover) -> str:
        """Record a file that has a capture's name for the frame that it names, and judge it.

        Raises
        ------
        NotNow
            When it is not there any more, or its name does not say a frame of the roll.
        """
        path = self._there(item, Kind.CAPTURE)
        captures = record_by_name(self.archive, self.roll, [path.name])
        if not captures and path.name not in self.store.file_names(self._roll_id):
            raise NotNow(
                f"{item.name} names no frame, is empty, or has the bytes of a recorded picture.",
                todo="It stays where it is.",
            )
        said = self._judged(captures) or path.name
        self._log("recovery", f"Recorded by its name: {said}")
        self.archive.write_all_beside(self.roll)
        return f"Recorded: {said}"

    def drop_copy(self, item: Leftover) -> str:
        """Remove a copy in ``incoming/`` of a picture that is filed, once both are found equal.

        Raises
        ------
        NotNow
            When the filed picture is not there with just these bytes: then the copy stays.
        """
        path = self._there(item, Kind.COPY)
        size, digest, _ = digest_of(path)
        where = self.store.with_digest(digest)
        if where is not None:
            filed = self.archive.file(self.store.roll_by_id(where.roll_id), where.file_name)
            if matches(filed, size, digest):
                path.unlink()
                flush_folder(path.parent)
                self._log("recovery", f"Removed {path.name}: {where.file_name} has its bytes.")
                return f"The copy is gone; {where.file_name} has the same bytes."
        raise NotNow(
            f"The picture that {item.name} is a copy of is not there as it was recorded.",
            todo="The copy stays. See what is wrong with: tether verify",
        )

    def leave(self, item: Leftover) -> str:
        """Leave something where it is, and not speak of it again."""
        if item.kind is Kind.CARD:
            self.store.know_card_files(self.camera_key, item.files)
        else:
            self.store.leave_alone(self._roll_id, [item.key])
        self._log("recovery", f"Left where it is: {item.name} ({item.kind.value})")
        return f"{item.name} stays where it is and is not asked about again."

    def _check_frame(self, frame: int) -> None:
        last = self.roll.frames_expected
        if not 1 <= frame <= last:
            raise RollError(
                f"This roll has frames 1 to {last}, not {frame}.",
                kept="Nothing was changed.",
                todo="Give one of its frame numbers.",
            )

    def _there(self, item: Leftover, kind: Kind) -> Path:
        if item.kind is not kind or item.path is None or not item.path.is_file():
            raise NotNow(f"{item.name} is not there any more.", todo="Look again.")
        return item.path

    def _judged(self, captures: tuple[Capture, ...]) -> str:
        for capture in captures:
            self._judge_capture(capture)
        names = ", ".join(f"{c.file_name} (verdict: {self._stored(c).verdict})" for c in captures)
        return names or plural(len(captures), "picture")
