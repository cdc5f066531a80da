"""From files on a camera's card to captures in the archive.

One row of the table ``intent`` follows a release from the shutter to the record:

``release``
    The shutter is about to be fired. Facts: the camera and its settings.
``fetch``
    The camera has named its files. Facts: the files, the camera, the settings.
``arrival``
    All files lie whole in ``incoming/`` and are about to get their names. Facts: each file's
    name, size and SHA-256.

The row goes in the transaction that records the files, so that a stop anywhere leaves a row that
says what was to be done. `tether.capture.recovery` reads it.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from tether.archive.durable import Arrival, DiskFailed, FilingError, check_arrival, digest_of
from tether.archive.open_roll import OpenRoll
from tether.archive.records import Capture, Intent, Recorded, Roll
from tether.camera.errors import FileUnavailable
from tether.camera.protocol import Camera, CardFile
from tether.capture.file_check import is_whole
from tether.capture.filing import Filing, PendingFile
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
class Transferred:
    """What was filed, and what there is to say about it.

    ``repeated`` is True when the camera gave again what the archive has already.
    """

    captures: tuple[Capture, ...]
    said: tuple[str, ...] = ()
    repeated: bool = False


class SamePicture(FileUnavailable):
    """For a new picture the camera gave one that is recorded: the name on its card is ambiguous."""

    def __init__(self, file: CardFile, where: Recorded) -> None:
        super().__init__(
            f"For {printable(file.name, 60)} the camera sent {where.sentence()} a second time.",
            kept="It was not filed twice. Two pictures on the card may have the same name; both "
            "stay there.",
            todo="Shoot again. If this happens again, look at the card on a computer and use "
            "another one.",
        )


@dataclass
class _Fetched:
    """The files of one release as they came; ``recorded`` says by SHA-256 what was there before."""

    intent: Intent
    files: list[tuple[CardFile, Arrival]]
    recorded: dict[str, Recorded] = field(default_factory=dict)

    @property
    def new(self) -> list[tuple[CardFile, Arrival]]:
        """The files that the archive has not."""
        return [(file, a) for file, a in self.files if a.sha256 not in self.recorded]

    @property
    def new_raw(self) -> bool:
        """Whether one of those can be a raw file."""
        return any(a.may_be_raw for _, a in self.new)

    @property
    def again(self) -> list[tuple[CardFile, Arrival]]:
        """The files that the archive has."""
        return [(file, a) for file, a in self.files if a.sha256 in self.recorded]

    @property
    def raw_again(self) -> Recorded | None:
        """Where the raw file is recorded, None where there is none or a new one came too."""
        found = (self.recorded[a.sha256] for _, a in self.again if a.may_be_raw)
        return None if self.new_raw else next(found, None)


class CardTransfer:
    """Files what a camera gives for one roll."""

    def __init__(self, open_roll: OpenRoll) -> None:
        self.archive = open_roll.archive
        self.store = open_roll.store
        self.roll_id = open_roll.id
        self.filing = Filing(open_roll.archive, open_roll.id)
        self.listed: tuple[CardFile, ...] = ()
        """What was on the camera's card when it was last looked through."""

    @property
    def roll(self) -> Roll:
        """The roll as it is stored now."""
        return self.store.rolls.by_id(self.roll_id)

    def offered(self, camera: Camera | None, camera_key: str) -> list[CardFile]:
        """Return the pictures on the card that no frame has and that were made since the last time.

        `take` fetches them for a frame; `Journal.know_card_files` stops offering them. Without a
        ``camera`` to ask, the card counts as it was last seen.
        """
        if camera is not None:
            self.listed = tuple(camera.list_files())
        return self.store.journal.unfetched_card_files(camera_key, self.listed)

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
    ) -> Transferred:
        """Fetch the files of one release and file them.

        All are fetched before the first is filed, so that a raw file and its JPEG get the same
        name. Each raw file becomes a capture; other files become its companions.

        Raises
        ------
        CameraError
            When a file could not be fetched. What came stays in ``incoming/``. `SamePicture` when
            the camera gave an earlier picture: that release is open again (``origin`` "program")
            or ended, and the card's file is offered.
        FilingError
            When a file could not be given its name. It is filed at the next start.
        """
        facts = {
            "camera": camera_key,
            "files": [asdict(file) for file in files],
            "origin": origin,
            "settings": dict(settings),
        }
        if intent is None:
            intent = self.store.journal.begin(self.roll_id, "fetch", frame, facts)
        else:
            self.store.journal.advance(intent, "fetch", facts)
        return self.fetch(camera, Intent(intent, "fetch", frame, facts, self.store.stamp()), report)

    def fetch(
        self, camera: Camera, intent: Intent, report: Callable[[Progress], None]
    ) -> Transferred:
        """Fetch and file what an intent of the kind ``fetch`` names; see `take`.

        One of six things comes of it. New files with a raw file among them become captures. New
        files without one are filed, and the release stays open: the raw file may be on the card.
        Files that are all recorded are dropped (``repeated``). A new JPEG of a raw file that this
        roll has goes beside that one. `SamePicture` is raised for a JPEG of a raw file that
        another roll has, and for a raw file that the camera had no reason to give again.
        """
        came = self._fetch_all(camera, intent, report)
        report(Progress("file"))
        if (why_not := self._same_picture(came)) is not None:
            self._give_up(came)
            raise why_not
        earlier = came.raw_again
        frame, take = intent.frame, None
        if earlier is not None and came.new:
            frame, take = earlier.frame or frame, earlier.take
        pending = self.filing.named(frame, came.new, take)
        facts = dict(intent.facts) | {
            "frame": frame,
            "files": [asdict(file) for file, _ in came.files],
            "taken_at": self.store.stamp(),
            "parcels": [asdict(file) for file in pending],
            "not_counted": [asdict(file) for file in self._not_counted(came)],
        }
        self.store.journal.advance(intent.id, "arrival", facts)
        captures = self.filing.file(intent.id, frame, facts, pending)
        if came.new and not captures and earlier is None:
            waits = {"camera": facts["camera"], "settings": facts["settings"], "had_others": True}
            self.store.journal.begin(self.roll_id, "release", intent.frame, waits)
        self._drop_again(came)
        for file, _ in came.again:
            self.store.journal.log("camera", f"{printable(file.name, 60)} came again", self.roll_id)
        repeated = earlier is not None or not came.new
        return Transferred(captures, tuple(_said(pending)), repeated=repeated)

    def _fetch_all(
        self, camera: Camera, intent: Intent, report: Callable[[Progress], None]
    ) -> _Fetched:
        """Fetch the files of a release, and look up which of them the archive has."""
        # Two that are described alike cannot be told apart by now: the other one is offered later.
        listed = list(dict.fromkeys(card_files(intent.facts)))
        files = [(file, self.fetch_one(camera, file, report)) for file in listed]
        if not any(arrival.may_be_raw for _, arrival in files):
            beside = _beside(camera.list_files(), listed)
            files += [(file, self.fetch_one(camera, file, report)) for file in beside]
        came = _Fetched(intent, files)
        # Two exposures never give the same raw file: it is looked for in the whole archive.
        came.recorded = {
            a.sha256: w
            for _, a in files
            if a.may_be_raw and (w := self.store.frames.with_digest(a.sha256))
        }
        if self._may_come_again(came):
            # Two JPEGs may be alike, so those are compared within the roll, and only here.
            roll = self.roll
            for name, size, digest in self.store.frames.recorded(roll.id):
                if any(a.sha256 == digest and not a.may_be_raw for _, a in files):
                    came.recorded[digest] = Recorded(roll.id, roll.name, None, None, name, size)
        return came

    def _may_come_again(self, came: _Fetched) -> bool:
        """Tell whether the card's files were known: after a lost connection a camera may tell
        again of a picture that was found on its card meanwhile.
        """
        facts, files = came.intent.facts, [file for file, _ in came.files]
        unknown = self.store.journal.unknown_card_files(str(facts["camera"]), files)
        return facts["origin"] != "program" and len(unknown) < len(files)

    def _same_picture(self, came: _Fetched) -> SamePicture | None:
        """Return why the files of a release cannot be new pictures of this roll."""
        raw = [(file, came.recorded.get(a.sha256)) for file, a in came.files if a.may_be_raw]
        file, where = next(((f, w) for f, w in raw if w is not None), (None, None))
        if file is None or where is None:
            return None
        if not self._may_come_again(came):
            return SamePicture(file, where)
        if came.new and where.roll_id != self.roll_id and not came.new_raw:
            return SamePicture(came.files[0][0], where)
        return None

    def _not_counted(self, came: _Fetched) -> Iterator[CardFile]:
        """Yield those files that came again and are dealt with by that no more than before.

        A file that was offered is, where it turns out to be recorded. Of two that are described
        alike the one that came again need not be the one that never came.
        """
        again = [file for file, _ in came.again]
        offered = self.store.journal.unfetched_card_files(str(came.intent.facts["camera"]), again)
        for file in again:
            if file not in offered or self.listed.count(file) > 1:
                yield file

    def _give_up(self, came: _Fetched) -> None:
        """Open a release again that gave an earlier picture, and have the card's files offered.

        libgphoto2 finds a file by its name, and of two with one name it gives the first (seen with
        2.5.34).
        """
        self._drop_again(came)
        facts, files = came.intent.facts, [file for file, _ in came.files]
        self.store.journal.know_card_files(str(facts["camera"]), files, unfetched=True)
        if facts["origin"] == "program":
            waits = {k: facts[k] for k in ("camera", "settings")}
            self.store.journal.advance(came.intent.id, "release", waits)
        else:
            self.store.journal.end(came.intent.id)

    def _drop_again(self, came: _Fetched) -> None:
        """Remove files that came again; one stays where its recorded twin is not on the disk."""
        for _, arrival in came.again:
            where = came.recorded[arrival.sha256]
            twin = self.archive.file(self.store.rolls.by_id(where.roll_id), where.file_name)
            if twin.is_file() and twin.stat().st_size == where.size:
                arrival.path.unlink(missing_ok=True)

    def fetch_one(
        self, camera: Camera, file: CardFile, report: Callable[[Progress], None]
    ) -> Arrival:
        """Fetch one file into ``incoming/``, again where it came incomplete; see `take`."""
        failed: Exception | None = None
        short, came = "", set[str]()
        for _ in range(_FETCHES):
            part = self.archive.incoming(self.roll) / f"{uuid.uuid4().hex}.part"
            report(Progress("fetch", part, file.size))
            try:
                camera.fetch(file, part)
                arrival = check_arrival(part, file.name, file.size)
                if file.size is not None or is_whole(part) or arrival.sha256 == short:
                    return arrival
                # Nobody said how long it should be, and it speaks of more than came. When it
                # comes like that twice, it is like that on the card, and is kept.
                short = arrival.sha256
                failed = FilingError(f"{printable(file.name, 60)} came cut short.")
            except DiskFailed:
                raise
            except (FileUnavailable, FilingError) as error:
                failed = error
                self.store.journal.log(
                    "camera", f"{printable(file.name, 60)} came incomplete: {error}", self.roll_id
                )
                _drop_equal(part, came)
                # Asking again would only fill the disk further.
                if self.archive.free_bytes() < (file.size or 0):
                    raise
        if isinstance(failed, FileUnavailable):
            raise failed
        raise FileUnavailable(
            f"{printable(file.name, 60)} came incomplete {_FETCHES} times.",
            kept=f"The incomplete files are in {self.archive.incoming(self.roll)}; the camera "
            "keeps its copy.",
            todo="Check the cable and the card, then connect again; the picture is looked for.",
        ) from failed


def _drop_equal(part: Path, came: set[str]) -> None:
    """Remove an incomplete file whose very bytes came, and are kept, already."""
    if not part.is_file():
        return
    digest = digest_of(part)[1]
    if digest in came:
        part.unlink()
    came.add(digest)


def card_files(facts: Mapping[str, Any]) -> list[CardFile]:
    """Read the card's files from an intent's facts."""
    return [CardFile(f["folder"], f["name"], f["size"], f["modified"]) for f in facts["files"]]


def exposures(files: Sequence[CardFile]) -> list[list[CardFile]]:
    """Part files into exposures: a raw file and its JPEG have one name but for the ending."""
    found: dict[tuple[str, str], list[CardFile]] = {}
    for file in sorted(dict.fromkeys(files), key=lambda f: (f.modified or 0, f.folder, f.name)):
        found.setdefault(name_stem(file), []).append(file)
    return list(found.values())


def name_stem(file: CardFile) -> tuple[str, str]:
    """Return a card file's folder and its name without the ending."""
    return file.folder, file.name.rpartition(".")[0] or file.name


def _beside(listed: Sequence[CardFile], files: Sequence[CardFile]) -> list[CardFile]:
    """Return the card's other files of a release: the same name but for its ending.

    A camera's news of the raw file can get lost, and only its JPEG is told of.
    """
    named = {name_stem(file) for file in files}
    return [file for file in listed if file not in files and name_stem(file) in named]


def _said(pending: Sequence[PendingFile]) -> list[str]:
    return [
        f"The camera's own {p.name.rpartition('.')[2].upper()} is filed as {printable(p.name)}."
        for p in pending
        if not p.raw
    ]
