"""Bringing files back: from the copy folder into the archive, or from the archive into the copies.

The recorded checksum says which side is right. A file that is right is never written over; one that
is not goes into the folder ``damaged`` beside it.
"""

from __future__ import annotations

import contextlib
import shutil
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from tether.archive.archive import Archive, ArchiveUnusable, roll_folders
from tether.archive.durable import copy_verified, replace_verified
from tether.archive.fact_files import ROLL_FILE, FactFileUnusable, read_json
from tether.archive.layout import DAMAGED_FOLDER, rebuild_command
from tether.archive.open_roll import hold_roll
from tether.archive.records import Roll
from tether.archive.verify import Fault, fault_of
from tether.disk import make_folder
from tether.errors import TetherError
from tether.text import megabytes, plural, printable


@dataclass(frozen=True, slots=True)
class Return:
    """A file that is to be brought back, from the side on which it is right."""

    name: str
    size: int
    sha256: str
    source: Path
    target: Path
    fault: Fault
    to_archive: bool


@dataclass
class Restored:
    """How many files were read, and what came of them; ``lost`` are right on neither side."""

    files: int = 0
    to_archive: int = 0
    to_copies: int = 0
    lost: int = 0

    def sentence(self) -> str:
        """Say it on one line."""
        done = [
            f"{plural(number, 'file')} {what}"
            for number, what in (
                (self.to_archive, "brought back into the archive"),
                (self.to_copies, "copied again into the copy folder"),
                (self.lost, "right on neither side"),
            )
            if number
        ]
        return f"{plural(self.files, 'file')} read on both sides: " + (
            f"{', '.join(done)}." if done else "all right."
        )


def restore(
    archive: Archive,
    roll: Roll,
    copies: Path,
    name: str | None = None,
    *,
    say: Callable[[str], None],
    report: Callable[[str], None] = lambda _: None,
) -> Restored:
    """Bring back a roll's recorded files that are missing or damaged, on either side.

    Parameters
    ----------
    archive, roll
        What is restored. The roll's folder is made where it is gone.
    copies
        The copy folder, from `tether.archive.second_copy.find_copies`.
    name
        Only this file, as it is recorded; None for all.
    say
        Called with a sentence for each file that is brought back, or is right on neither side.
    report
        Called with each file's name before it is read.

    Raises
    ------
    tether.archive.open_roll.RollBusy
        When another program is at work on the roll.
    TetherError
        When the roll has no such file, there is no room, or a disk fails. Nothing that was right
        is changed.
    """
    recorded = archive.store.frames.recorded(roll.id)
    wanted = [entry for entry in recorded if name is None or entry[0] == name]
    if name is not None and not wanted:
        raise TetherError(
            f"The roll '{printable(roll.name)}' has no file '{printable(name)}' on record.",
            kept="Nothing was changed.",
            todo="Give the file's name as 'tether verify' shows it, without its folder.",
        )
    folder = archive.folder(roll)
    was_gone = not folder.exists()
    if was_gone:
        _refuse_moved(archive, roll)
    try:
        make_folder(folder)
        lock = hold_roll(archive, roll)
        try:
            done = Restored(len(wanted))
            returns = list(_returns(archive, roll, copies, wanted, done, say, report))
            _check_room(archive.root, copies, returns)
            for each in returns:
                report(each.name)
                say(_bring_back(archive, roll, each))
                done.to_archive += each.to_archive
                done.to_copies += not each.to_archive
            if was_gone and name is None:
                _bring_back_derived(archive, roll, copies)
            archive.write_all_facts(roll)
        finally:
            lock.release()
    except OSError as error:
        raise TetherError(
            f"The files could not be brought back: {error.strerror}.",
            kept="Files that were right are untouched, and damaged ones are kept.",
            todo="Check both disks, then give the command again.",
        ) from error
    return done


def _refuse_moved(archive: Archive, roll: Roll) -> None:
    """See that a roll's folder is gone, and was not only given another name in the archive."""
    for folder in roll_folders(archive.root):
        with contextlib.suppress(FactFileUnusable):
            if read_json(folder / ROLL_FILE).get("name") == roll.name:
                raise ArchiveUnusable(
                    f"The folder of roll '{printable(roll.name)}' has another name now: "
                    f"{printable(folder.name)}.",
                    kept="Nothing was changed.",
                    todo=f"Have it recorded: {rebuild_command(archive.root)}",
                )


def _returns(
    archive: Archive,
    roll: Roll,
    copies: Path,
    recorded: list[tuple[str, int, str]],
    done: Restored,
    say: Callable[[str], None],
    report: Callable[[str], None],
) -> Iterator[Return]:
    """Read both sides; yield what is to be brought back, and say which files are right nowhere."""
    for name, size, sha256 in recorded:
        report(name)
        ours, theirs = archive.file(roll, name), copies / roll.folder / name
        fault, copy_fault = fault_of(ours, size, sha256), fault_of(theirs, size, sha256)
        if fault is not None and copy_fault is not None:
            done.lost += 1
            say(
                f"{printable(name)} is right on neither side, and both stay as they are: "
                f"{printable(str(ours), 500)} ({fault.kind}), "
                f"{printable(str(theirs), 500)} ({copy_fault.kind})."
            )
        elif fault is not None:
            yield Return(name, size, sha256, theirs, ours, fault, to_archive=True)
        elif copy_fault is not None:
            yield Return(name, size, sha256, ours, theirs, copy_fault, to_archive=False)


def _check_room(root: Path, copies: Path, returns: list[Return]) -> None:
    needed: Counter[Path] = Counter()
    for each in returns:
        needed[root if each.to_archive else copies] += each.size
    for folder, size in needed.items():
        free = shutil.disk_usage(folder).free
        if free < size:
            raise TetherError(
                f"The files need {megabytes(size)}, and the disk of {printable(str(folder))} has "
                f"{megabytes(free)} left.",
                kept="Nothing was changed.",
                todo="Make room on that disk, then give the command again.",
            )


def _bring_back(archive: Archive, roll: Roll, each: Return) -> str:
    make_folder(each.target.parent)
    aside = copy_verified(each.source, each.target, each.size, each.sha256)
    where = "into the archive" if each.to_archive else "into the copy folder"
    said = f"{printable(each.name)} was {each.fault.kind} and is brought back {where}."
    if aside is not None:
        said += f" The damaged one is kept as {DAMAGED_FOLDER}/{printable(aside.name)}."
    archive.store.journal.log("restore", said, roll.id)
    return said


def _bring_back_derived(archive: Archive, roll: Roll, copies: Path) -> None:
    """Bring back sidecars and positives of a roll whose whole folder was gone."""
    source, target = copies / roll.folder, archive.folder(roll)
    for inside in archive.derived_files(roll, source):
        make_folder((target / inside).parent)
        replace_verified(source / inside, target / inside)
