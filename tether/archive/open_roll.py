"""A roll that this process works on, locked against other programs until it is closed."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from pathlib import Path

from tether.archive.archive import INCOMING, Archive, ArchiveUnusable
from tether.archive.fact_files import FRAMES_FOLDER, ROLL_FILE, FactFileUnusable, read_json
from tether.archive.layout import BENCH_FOLDER, rebuild_command
from tether.archive.records import Capture, Frame, Roll, RollError
from tether.disk import FileLock, HeldElsewhere, flush_folder, sweep
from tether.errors import TetherError
from tether.text import printable


class OpenRoll:
    """One roll at work: what is stored of it now, and the way to write to it.

    Parameters
    ----------
    archive, roll
        Where it is stored, and which one.

    Raises
    ------
    RollBusy
        When another program is at work on the roll.
    tether.archive.archive.ArchiveUnusable
        When its folder cannot be made, belongs to another roll, or was moved away.
    """

    def __init__(self, archive: Archive, roll: Roll) -> None:
        self.archive = archive
        self.store = archive.store
        self.id = roll.id
        self._lock = hold_roll(archive, roll)

    def close(self) -> None:
        """Let go of the roll; the archive is the caller's. May be called twice."""
        self._lock.release()

    @property
    def roll(self) -> Roll:
        """The roll as it is stored now."""
        return self.store.rolls.by_id(self.id)

    @property
    def incoming(self) -> Path:
        """The folder for files on their way into the roll."""
        return self.archive.incoming(self.roll)

    @property
    def test_folder(self) -> Path:
        """The folder for test shots, which belong to no frame."""
        return self.archive.folder(self.roll) / BENCH_FOLDER

    def file(self, name: str) -> Path:
        """Return the path of a recorded file; raises as `Archive.file` does."""
        return self.archive.file(self.roll, name)

    def frames(self) -> tuple[Frame, ...]:
        """Return the frames as they are stored now, in order."""
        return self.store.frames.of(self.roll)

    def frame(self, number: int) -> Frame:
        """Return one frame as it is stored now."""
        return self.frames()[number - 1]

    def in_place(self) -> bool:
        """Whether archive and folder are where they were; else the work stands still."""
        try:
            self.archive.check_in_place(self.roll)
        except (TetherError, OSError):
            return False
        return True

    def check_frame(self, number: int) -> None:
        """See that the roll has a frame.

        Raises
        ------
        RollError
            When it has not.
        """
        last = self.roll.frames_expected
        if not 1 <= number <= last:
            raise RollError(
                f"This roll has frames 1 to {last}, not {number}.",
                kept="Nothing was changed.",
                todo="Give one of its frame numbers.",
            )

    def stored(self, capture: Capture) -> Capture:
        """Return a capture as it is stored now: with its verdict, once it was judged."""
        return next(c for c in self.frame(capture.frame).captures if c.id == capture.id)

    def raw_bytes(self, expected: float) -> float:
        """Return how large a raw file of this roll gets; ``expected`` before the first one."""
        return max((c.size for f in self.frames() for c in f.captures), default=expected)

    def log(self, kind: str, text: str, frame: int | None = None) -> None:
        """Add a line to the roll's log."""
        self.store.journal.log(kind, text, self.id, frame)

    def write_frame(self, number: int) -> None:
        """Write what is known of a frame beside the raw files."""
        self.archive.write_frame(self.roll, self.frame(number))


class RollBusy(TetherError):
    """Another program is at work on the roll."""


class RollLock:
    """Holds a roll for this process; ``passing`` as for `FileLock`.

    Raises
    ------
    RollBusy
        When another program holds it.
    OSError
        As `FileLock` does.
    """

    def __init__(self, path: Path, roll_name: str, *, passing: bool = False) -> None:
        try:
            self._lock = FileLock(path, passing=passing)
        except HeldElsewhere as error:
            raise RollBusy(
                f"The roll '{printable(roll_name)}' is already open in another program"
                f"{f' ({error})' if str(error) else ''}.",
                kept="Nothing was changed.",
                todo="Continue there, or close it first.",
            ) from error

    def release(self) -> None:
        """Let go of the roll. May be called twice."""
        self._lock.release()


def hold_roll(archive: Archive, roll: Roll) -> RollLock:
    """Make the roll's folder where it is missing, and hold it for this process.

    Raises
    ------
    RollBusy
        When another program holds it.
    ArchiveUnusable
        When its folder cannot be made, belongs to another roll, or was moved away.
    """
    folder = archive.folder(roll)
    _check_folder(archive, roll, folder)
    _refuse_links(folder, *(folder / x for x in (INCOMING, FRAMES_FOLDER, BENCH_FOLDER)))
    try:
        archive.incoming(roll).mkdir(parents=True, exist_ok=True)
        (folder / FRAMES_FOLDER).mkdir(exist_ok=True)
        for made in (archive.incoming(roll), folder / FRAMES_FOLDER, folder, archive.root):
            flush_folder(made)
        lock = RollLock(folder / ".in-use", roll.name)
    except OSError as error:
        raise ArchiveUnusable(
            f"The folder {printable(str(folder))} cannot be used: {error.strerror}.",
            kept="Nothing was changed.",
            todo="Check the disk and the folder's permissions.",
        ) from error
    try:
        for inside in (folder, folder / FRAMES_FOLDER, folder / BENCH_FOLDER):
            sweep(inside, ".new-*")
        archive.write_roll(roll)
    except BaseException:
        lock.release()
        raise
    return lock


def write_where_free(archive: Archive, roll_ids: Iterable[int]) -> int:
    """Write what is known of rolls beside their files; return how many could not be held.

    Those are at work in another program or their disk is away: they are written at their next
    start.
    """
    left = 0
    for roll_id in roll_ids:
        roll = archive.store.rolls.by_id(roll_id)
        try:
            lock = hold_roll(archive, roll)
        except TetherError:
            left += 1
            continue
        try:
            archive.write_all_facts(roll)
        finally:
            lock.release()
    return left


def _refuse_links(*folders: Path) -> None:
    """See that nothing of the roll is written through a link to somewhere else."""
    for folder in folders:
        if folder.is_symlink():
            raise ArchiveUnusable(
                f"{printable(str(folder))} is a link; nothing is written through it.",
                kept="Nothing was changed.",
                todo="Put the folder itself in its place.",
            )


def _check_folder(archive: Archive, roll: Roll, folder: Path) -> None:
    where = printable(str(folder))
    if not folder.exists() and archive.store.frames.recorded(roll.id):
        raise ArchiveUnusable(
            f"The folder of roll '{printable(roll.name)}' is not at {where}.",
            kept="Nothing was changed.",
            todo="If it was moved, move it back. If it was given another name in the archive, "
            f"run: {rebuild_command(archive.root)}",
        )
    owner, made = roll.name, None
    if (folder / ROLL_FILE).is_file():
        with contextlib.suppress(FactFileUnusable):  # damaged: it is written anew
            facts = read_json(folder / ROLL_FILE)
            owner, made = str(facts.get("name")), facts.get("created_at")
    # A roll that was given another name is known by its first moment.
    if owner != roll.name and made != archive.store.rolls.created_at(roll.id):
        raise ArchiveUnusable(
            f"The folder {where} belongs to the roll '{printable(owner)}'.",
            kept="Nothing was changed.",
            todo="Give the new roll a name that differs by more than capitals.",
        )
