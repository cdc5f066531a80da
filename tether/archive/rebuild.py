"""Building an archive's database from its folders, and recording what it lacks.

A database that is lost or damaged is built anew; one that is sound only gets what it lacks: rolls
and captures whose files are there. Everything read here is untrusted: the folders may have been
edited by hand, or come from elsewhere.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from tether.archive.archive import Archive, ArchiveUnusable, roll_folders
from tether.archive.database import ArchiveDatabaseDamaged
from tether.archive.fact_files import (
    FRAMES_FOLDER,
    LOG_FILE,
    ROLL_FILE,
    BesideUnusable,
    read_json,
    read_log,
)
from tether.archive.layout import DATABASE, is_safe_name
from tether.archive.rebuilt_frames import left_alone, take_in_frames
from tether.archive.rebuilt_state import take_in_facts, take_in_state, take_in_trials
from tether.archive.records import LONGEST_ROLL, NewRoll
from tether.archive.store import Store
from tether.clock import Clock, system_clock
from tether.disk import flush_folder
from tether.errors import TetherError
from tether.film import FilmProcess
from tether.paths import whole_path
from tether.text import plural, printable


@dataclass
class Rebuilt:
    """What a rebuild found."""

    rolls: int = 0
    captures: int = 0
    moved_away: tuple[Path, ...] = ()
    said: list[str] = field(default_factory=list)

    def words(self) -> Iterator[str]:
        """Say it, a line at a time."""
        for path in self.moved_away:
            yield f"The old database file is kept as {printable(path.name)}."
        yield (
            f"Recorded: {plural(self.rolls, 'roll')} and {plural(self.captures, 'raw file')} that "
            "the database did not have."
        )
        yield from self.said


def rebuild(
    root: Path, report: Callable[[str], None] = lambda _: None, clock: Clock = system_clock
) -> Rebuilt:
    """Make an archive's database hold what its folders hold.

    Parameters
    ----------
    root
        The archive's folder.
    report
        Called with each roll's name before it is looked at.
    clock
        What tells the time.

    Raises
    ------
    TetherError
        When the folder holds no rolls, cannot be written to, or a roll is at work.
    """
    root = whole_path(root)
    done = Rebuilt()
    if not roll_folders(root):
        raise ArchiveUnusable(
            f"There is no roll in {printable(str(root))}: no folder in it holds a {ROLL_FILE}.",
            kept="Nothing was changed.",
            todo="Name the archive's folder with --archive.",
        )
    if _is_damaged(root / DATABASE):
        done.moved_away = _move_away(root, clock)
    with contextlib.closing(_opened_anew(root, clock)) as archive:
        take_in_facts(archive)
        # What another archive's sitting has confirmed says nothing about this one.
        with_steps = archive.store.journal.last_sitting() is None
        for folder in roll_folders(root):
            report(folder.name)
            try:
                _take_in(archive, folder, done, with_steps=with_steps)
            except (TetherError, OSError) as error:
                done.said.append(f"{printable(folder.name, 80)}: {error}")
    return done


def _is_damaged(path: Path) -> bool:
    """Tell whether a database is there that cannot be used."""
    if not path.is_file():
        return False
    try:
        with contextlib.closing(Store(path, create=False)) as store:
            return bool(store.damage())
    except ArchiveDatabaseDamaged:
        return True


def _move_away(root: Path, clock: Clock) -> tuple[Path, ...]:
    """Give a damaged database and its helper files another name; they are kept."""
    day = clock().strftime("%Y%m%d-%H%M%S")
    moved = []
    for ending in ("-wal", "-shm", ""):
        old = root / f"{DATABASE}{ending}"
        new = root / f"{DATABASE}.damaged-{day}{ending}"
        if old.exists() and not new.exists():
            old.rename(new)
            moved.append(new)
    flush_folder(root)
    return tuple(moved)


def _opened_anew(root: Path, clock: Clock) -> Archive:
    """Open the archive; an empty database is made first where there is none."""
    if not (root / DATABASE).exists():
        Store(root / DATABASE).close()
    return Archive(root, clock=clock)


def _take_in(archive: Archive, folder: Path, done: Rebuilt, *, with_steps: bool) -> None:
    if not is_safe_name(folder.name):
        done.said.append(f"{printable(folder.name, 80)}: no name for a roll's folder, left alone.")
        return
    new, created = _read_roll(folder)
    store = archive.store
    is_new = not store.rolls.has(new.name)
    if is_new:
        store.rolls.add(new, folder=folder.name, created_at=created)
    else:
        roll = store.rolls.named(new.name)
        if roll.folder != folder.name:
            if archive.folder(roll).exists():
                done.said.append(
                    f"{printable(folder.name, 80)} says that it is the roll "
                    f"'{printable(roll.name)}', which lies in {printable(roll.folder)}. It was "
                    "left alone."
                )
                return
            store.rolls.move(roll.id, folder.name)
            done.said.append(f"The roll '{printable(roll.name)}' lies in {printable(folder.name)}.")
    roll = store.rolls.named(new.name)
    lock = archive.open_roll(roll)
    try:
        done.rolls += is_new
        if is_new:
            store.journal.add_log_lines(roll.id, read_log(folder / LOG_FILE))
        found, said = take_in_frames(archive, roll, folder / FRAMES_FOLDER)
        done.captures += found
        take_in_trials(archive, roll)
        # Only now: the bench's own test exposures are no strangers.
        said += left_alone(archive, roll)
        done.said += [f"{printable(folder.name, 80)}: {line}" for line in said]
        if is_new:
            take_in_state(archive, store.rolls.by_id(roll.id), with_steps=with_steps)
        if is_new or found:
            store.journal.log(
                "rebuild", f"Recorded from the folder: {plural(found, 'raw file')}", roll.id
            )
            archive.write_all_beside(store.rolls.by_id(roll.id))
    finally:
        lock.release()


def _read_roll(folder: Path) -> tuple[NewRoll, str]:
    """Read a roll's facts; numbers out of range are put right, for the files count more."""
    facts = read_json(folder / ROLL_FILE)
    try:
        frames = int(facts["frames_expected"])
        new = NewRoll(
            str(facts["name"]),
            FilmProcess(facts["film"]),
            str(facts["format"]),
            min(max(frames, 1), LONGEST_ROLL),
            int(facts["strip_length"]),
            printable(str(facts.get("notes", "")), 5000),
        ).checked()
        return new, printable(str(facts.get("created_at", "")), 40)
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        raise BesideUnusable(
            f"Its {ROLL_FILE} does not say what film it is ({printable(str(error), 60)}).",
            kept="The folder was left alone.",
            todo=f"Mend the {ROLL_FILE} after one of another roll, and rebuild again.",
        ) from error
