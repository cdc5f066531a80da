"""From files on a camera's card to captures in the archive."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tether.camera.errors import FileUnavailable
from tether.camera.protocol import Camera, CardFile
from tether.session.archive import Archive
from tether.session.intake import Arrival, IntakeError, received, settle
from tether.session.names import capture_name
from tether.session.roll import Capture, Roll
from tether.session.store import now
from tether.text import printable

#: How often a file that came incomplete is asked for again.
_FETCHES = 3


@dataclass(frozen=True, slots=True)
class Progress:
    """What is going on: ``fire``, ``fetch``, ``file``, ``judge`` or ``reconnect``.

    While a file is fetched ``path`` grows towards ``total`` bytes (None where not known).
    """

    phase: str
    path: Path | None = None
    total: int | None = None


@dataclass(frozen=True, slots=True)
class Delivered:
    """What was filed, and what there is to say about it."""

    captures: tuple[Capture, ...]
    said: tuple[str, ...] = ()


class Delivery:
    """Files what a camera gives for one roll."""

    def __init__(self, archive: Archive, roll_id: int) -> None:
        self.archive = archive
        self.store = archive.store
        self.roll_id = roll_id

    @property
    def roll(self) -> Roll:
        """The roll as it is stored now."""
        return self.store.roll_by_id(self.roll_id)

    def take(
        self,
        camera: Camera,
        camera_key: str,
        files: Sequence[CardFile],
        frame: int,
        origin: str,
        settings: Mapping[str, str],
        intent: int | None,
        report: Callable[[Progress], None],
    ) -> Delivered:
        """Fetch the files of one release and file them.

        All are fetched before the first is filed, so that a raw file and its JPEG get the same
        name. Each raw file becomes a capture; other files become its companions.

        Raises
        ------
        CameraError
            When a file could not be fetched. What came stays in ``incoming/``.
        IntakeError
            When a file could not be given its name.
        """
        arrivals: list[tuple[CardFile, Arrival]] = []
        for file in files:
            arrivals.append((file, self._fetch(camera, file, report)))
        report(Progress("file"))
        raws = [pair for pair in arrivals if pair[1].may_be_raw]
        others = [pair for pair in arrivals if not pair[1].may_be_raw]
        captures: list[Capture] = []
        said: list[str] = []
        for file, arrival in raws:
            ends = [intent] if intent is not None and not captures else []
            captures.append(self.file_raw(file.name, arrival, frame, origin, settings, ends))
        for file, arrival in others:
            said += self._file_companion(file, arrival, frame, captures)
        if intent is not None and not raws:
            self.store.end(intent)
        self.store.know_card_files(camera_key, files)
        return Delivered(tuple(captures), tuple(said))

    def _fetch(
        self, camera: Camera, file: CardFile, report: Callable[[Progress], None]
    ) -> Arrival:
        failed: Exception | None = None
        for _ in range(_FETCHES):
            part = self.archive.incoming(self.roll) / f"{uuid.uuid4().hex}.part"
            report(Progress("fetch", part, file.size))
            try:
                camera.fetch(file, part)
                return received(part, file.name, file.size)
            except (FileUnavailable, IntakeError) as error:
                failed = error
                self.store.log(
                    "camera", f"{printable(file.name, 60)} came incomplete: {error}", self.roll_id
                )
        if isinstance(failed, FileUnavailable):
            raise failed
        raise FileUnavailable(
            f"{printable(file.name, 60)} came incomplete {_FETCHES} times.",
            kept=f"What came is in {self.archive.incoming(self.roll)}; the camera keeps its copy.",
            todo="Check the cable and the card, then connect again; the picture is looked for.",
        ) from failed

    def file_raw(
        self,
        camera_name: str,
        arrival: Arrival,
        frame: int,
        origin: str,
        settings: Mapping[str, str],
        intents: Sequence[int] = (),
    ) -> Capture:
        """Give an arrived raw file its name and record it.

        The intent is stored first: after a crash between naming and recording it tells what the
        named file is.
        """
        roll = self.roll
        take = self.store.next_take(roll.id, frame)
        while (self.archive.folder(roll) / capture_name(roll.folder, frame, take, arrival.ending)).exists():
            take += 1
        name = capture_name(roll.folder, frame, take, arrival.ending)
        taken_at = now()
        facts = {
            "part": arrival.path.name,
            "name": name,
            "take": take,
            "size": arrival.size,
            "sha256": arrival.sha256,
            "origin": origin,
            "settings": dict(settings),
            "taken_at": taken_at,
        }
        arriving = self.store.begin(roll.id, "arrival", frame, facts)
        settle(arrival, self.archive.folder(roll) / name)
        capture = Capture(
            0, frame, take, name, arrival.size, arrival.sha256, taken_at, origin,
            settings=dict(settings),
        )  # fmt: skip
        stored = self.store.add_capture(roll, capture, intents=[*intents, arriving])
        self.store.log(
            "capture", f"{name} filed, from {printable(camera_name, 60)} ({origin})", roll.id, frame
        )
        return stored

    def _file_companion(
        self, file: CardFile, arrival: Arrival, frame: int, captures: Sequence[Capture]
    ) -> list[str]:
        roll = self.roll
        folder = self.archive.folder(roll)
        beside = captures[-1] if captures else None
        take = beside.take if beside else self.store.next_take(roll.id, frame)
        name = capture_name(roll.folder, frame, take, arrival.ending)
        number = 1
        while (folder / name).exists():
            number += 1
            stem, _, ending = capture_name(roll.folder, frame, take, arrival.ending).rpartition(".")
            name = f"{stem}-{number}.{ending}"
        settle(arrival, folder / name)
        self.store.add_companion(
            roll.id, beside.id if beside else None, name, arrival.size, arrival.sha256
        )
        self.store.log(
            "capture", f"{name} filed beside it, from {printable(file.name, 60)}", roll.id, frame
        )
        return [f"The camera's own {arrival.ending.upper()} is filed as {printable(name)}."]
