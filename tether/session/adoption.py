"""Taking raw files into a roll that were not taken with this program: planned first, then copied.

The files are read, copied with their checksums proved, and judged like captures. They are never
moved or changed. Each lies in ``incoming/`` with an intent before it gets its name, so that an
interruption leaves nothing half done; the same command then goes on where it stopped.
"""

from __future__ import annotations

import shutil
import stat
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from tether.archive.archive import Archive
from tether.archive.durable import Arrival, copy_verified, digest_of
from tether.archive.layout import RAW_ENDINGS, ending_of
from tether.archive.open_roll import OpenRoll
from tether.archive.records import Capture, Frame, FrameState, Roll
from tether.bench.benches import BenchBook, WorkBench
from tether.bench.light_record import LightRecord
from tether.camera.protocol import CardFile
from tether.capture.bench_shots import BenchShots
from tether.capture.tethered import Tethered
from tether.capture.transfer import CardTransfer
from tether.clock import stamp
from tether.errors import TetherError
from tether.findings import Verdict
from tether.own_files import is_raw_positive
from tether.paths import reason
from tether.session.judge import Judging, Verdicts
from tether.session.undo import UndoStack
from tether.settings import Settings
from tether.text import megabytes, printable

#: How raw files of the common makes begin: TIFF and its relatives, CIFF, and three of their own.
_HEADS = (
    *(b"II*\0", b"MM\0*", b"IIU\0", b"IIRO", b"IIRS", b"MMOR", b"II\x1a\0", b"FUJIFILM"),
    *(b"FOVb", b"\0MRM"),
)


@dataclass(frozen=True, slots=True)
class Adopted:
    """A raw file that goes into a frame, with the other files of the same name beside it."""

    frame: int
    path: Path
    size: int
    sha256: str
    beside: tuple[tuple[Path, int, str], ...] = ()


@dataclass
class AdoptionPlan:
    """Which file goes where.

    Attributes
    ----------
    files
        In their order.
    there
        How many are in their frame already: an earlier run was interrupted.
    problems
        What cannot be taken in, a sentence each.
    """

    files: list[Adopted] = field(default_factory=list)
    there: int = 0
    problems: list[str] = field(default_factory=list)


def plan_adoption(
    archive: Archive,
    roll: Roll,
    paths: Sequence[Path],
    first: int | None = None,
    report: Callable[[str], None] = lambda _: None,
) -> AdoptionPlan:
    """Read files, and give each raw file a frame, in their order from the ``first`` frame on.

    Parameters
    ----------
    archive, roll
        Where they are to go.
    paths
        Raw files; others of the same name without the ending go beside them.
    first
        Number of the first one's frame, None for the first frame without a picture.
    report
        Called with the name of each file before it is read.
    """
    plan = AdoptionPlan()
    read = list(_read(plan, paths, report))
    raws = [file for file in read if file.may_be_raw]
    frames = archive.store.frames.of(roll)
    number = first or next((f.number for f in frames if _is_free(f)), len(frames) + 1)
    seen: dict[str, Path] = {}
    for file in raws:
        if file.sha256 in seen:
            plan.problems.append(
                f"{_name(file.path)} is the same file as {_name(seen[file.sha256])}."
            )
            continue
        seen[file.sha256] = file.path
        known = archive.store.frames.with_digest(file.sha256)
        if known is not None and known.roll_id == roll.id and first is None:
            plan.there += 1  # after an interruption: the first free frame comes after these
            continue
        if known is not None and (known.roll_id, known.frame) == (roll.id, number):
            plan.there += 1
        elif known is not None:
            plan.problems.append(f"{_name(file.path)} is in the archive: {known.sentence()}.")
            continue
        elif number > roll.frames_expected:
            plan.problems.append(
                f"{_name(file.path)} would be frame {number}: the roll has {roll.frames_expected}."
            )
        elif not _is_free(frames[number - 1]):
            plan.problems.append(
                f"{_name(file.path)} would be frame {number}, which has a picture or a decision."
            )
        else:
            beside = tuple(
                (other.path, other.size, other.sha256)
                for other in read
                if not other.may_be_raw and _stem(other.path) == _stem(file.path)
            )
            plan.files.append(Adopted(number, file.path, file.size, file.sha256, beside))
        number += 1
    stems = {_stem(file.path) for file in raws}
    plan.problems += [
        f"{_name(other.path)} is not a raw file."
        for other in read
        if not other.may_be_raw and _stem(other.path) not in stems
    ]
    return plan


def _read(
    plan: AdoptionPlan, paths: Sequence[Path], report: Callable[[str], None]
) -> Iterator[Arrival]:
    """Yield what files are, and note those that cannot be read or are none."""
    for path in paths:
        report(path.name)
        try:
            if not stat.S_ISREG(path.stat().st_mode):
                plan.problems.append(f"{_name(path)} is not a file.")
                continue
            size, digest, head = digest_of(path)
            made_here = is_raw_positive(path)
        except OSError as error:
            plan.problems.append(f"{_name(path)} cannot be read: {reason(error)}.")
            continue
        claimed = path.suffix.lstrip(".").lower()
        ending, may_be_raw = ending_of(path.name, head)
        is_raw = may_be_raw and claimed in RAW_ENDINGS and _begins_like_raw(head)
        if made_here:
            plan.problems.append(f"{_name(path)} is a raw positive, which was made of a raw file.")
        elif is_raw or (size and ending in ("jpg", "heic")):
            yield Arrival(path, size, digest, ending, is_raw)
        else:
            plan.problems.append(f"{_name(path)} is not a raw file.")


def _begins_like_raw(head: bytes) -> bool:
    return head.startswith(_HEADS) or head[4:12] == b"ftypcrx "


def _is_free(frame: Frame) -> bool:
    return frame.state is FrameState.OPEN and not frame.captures


def _stem(path: Path) -> tuple[Path, str]:
    return path.parent, path.stem.casefold()


def _name(path: Path) -> str:
    return printable(path.name, 80)


class Adoption:
    """Takes files into a roll, one after the other. Holds the roll; call `close` afterwards.

    Parameters
    ----------
    archive, roll
        Where they go.
    judge
        What judges a raw file.
    settings
        Targets and limits.

    Raises
    ------
    tether.archive.open_roll.RollBusy
        When another program is at work on the roll.
    """

    def __init__(self, archive: Archive, roll: Roll, judge: Judging, settings: Settings) -> None:
        self._archive = archive
        self._settings = settings
        self._roll = open_roll = OpenRoll(archive, roll)
        camera = Tethered(None)
        self._transfer = CardTransfer(open_roll)
        shots = BenchShots(open_roll, camera, self._transfer, settings.storage.raw_bytes)
        light = LightRecord(open_roll.test_folder)
        bench = WorkBench(open_roll, camera, shots, light, settings)
        sitting = archive.store.journal.last_sitting()
        undo = UndoStack(open_roll, sitting.id if sitting else 0, BenchBook(archive.store))
        self._verdicts = Verdicts(bench, judge, undo)

    def close(self) -> None:
        """Let go of the roll."""
        self._roll.close()

    def check_room(self, plan: AdoptionPlan) -> None:
        """See that the disk has room for all of them.

        Raises
        ------
        TetherError
            When it has not. Nothing was copied.
        """
        needed = sum(f.size + sum(size for _, size, _ in f.beside) for f in plan.files)
        free = shutil.disk_usage(self._archive.root).free
        if free < needed + self._settings.storage.spare_bytes:
            raise TetherError(
                f"The files need {megabytes(needed)}, and the archive's disk has "
                f"{megabytes(free)} left.",
                kept="Nothing was copied.",
                todo="Make room on that disk, then give the command again.",
            )

    def take(self, file: Adopted, *, keep: bool = False) -> Capture:
        """Copy a file into its frame and judge it; ``keep`` it where its verdict is to keep it.

        Raises
        ------
        TetherError
            When it has changed since it was planned, or the disk does not take it. Files before
            it stay, and this one's original is untouched.
        """
        incoming = self._roll.incoming
        arrivals = []
        for path, size, digest in ((file.path, file.size, file.sha256), *file.beside):
            part = incoming / f"adopted-{digest[:12]}.part"
            try:
                copy_verified(path, part, size, digest)
            except OSError as error:
                raise TetherError(
                    f"{_name(path)} could not be copied: {reason(error)}.",
                    kept="The files before it are in the archive; the originals are untouched.",
                    todo="Check the disk and the room on it, then give the same command again.",
                ) from error
            ending, _ = ending_of(path.name, _head(path))
            card = CardFile("", path.name, size, None)
            arrivals.append((card, Arrival(part, size, digest, ending, path == file.path)))
        pending = self._transfer.filing.named(file.frame, arrivals)
        taken = datetime.fromtimestamp(file.path.stat().st_mtime, UTC)
        facts = {
            "camera": "",
            "files": [],
            "origin": "adopted",
            "settings": {},
            "taken_at": stamp(taken),
            "parcels": [asdict(entry) for entry in pending],
        }
        journal = self._roll.store.journal
        intent = journal.begin(self._roll.id, "arrival", file.frame, facts)
        (capture,) = self._transfer.filing.file(intent, file.frame, facts, pending)
        self._verdicts.judge(capture)
        capture = self._roll.stored(capture)
        if keep and capture.verdict is Verdict.KEEP:
            self._roll.store.frames.decide(
                self._roll.id, capture.frame, FrameState.KEPT, capture.id
            )
            self._roll.log("choice", f"Kept {capture.file_name}", capture.frame)
            self._roll.write_frame(capture.frame)
        return capture


def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(16)
