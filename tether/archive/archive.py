"""The archive folder: one database, and one folder per roll.

::

    ARCHIVE/
      tether.sqlite3            what is known of every roll
      archive.json              what belongs to no roll: the bench, the copy folder
      waiting.jsonl             rolls that are not begun yet
      Harbour 1987/             a folder a roll
        roll.json               the roll's facts
        log.jsonl               the roll's log, a line a fact
        Harbour 1987_f007_t1.dng   frame 7, first take
        Harbour 1987_f007_t1.jpg   the camera's own JPEG of the same release
        frames/f007.json        what is known of frame 7
        frames/f007_t1.npz      what the measurements remember of it
        state.json              where the work stands
        bench/                  test shots, of no frame
        incoming/               files on their way; what is left here was not finished
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Protocol

from tether.archive.fact_files import (
    FRAMES_FOLDER,
    LOG_FILE,
    ROLL_FILE,
    append_log,
    last_logged,
    safe_json,
    write_bytes,
    write_json,
)
from tether.archive.layout import (
    BENCH_FOLDER,
    DAMAGED_FOLDER,
    DATABASE,
    is_safe_name,
    memory_name,
    rebuild_command,
)
from tether.archive.records import CopyState, Frame, FrameState, Roll
from tether.archive.store import Store
from tether.clock import Clock, system_clock
from tether.disk import make_folder, sweep
from tether.errors import TetherError
from tether.own_files import is_raw_positive
from tether.paths import whole_path
from tether.text import plural, printable

STATE_FILE = "state.json"
BENCH_FILE = "files.json"
ARCHIVE_FILE = "archive.json"
WAITING_FILE = "waiting.jsonl"

KEPT_FACTS = ("number", "copy folder", "benches", "person at the bench", "bench at hand")
"""Facts about the archive that outlive its database. What a card holds is looked at anew."""

DERIVED_ENDINGS = frozenset({".json", ".jsonl", ".xmp", ".txt", ".csv", ".html", ".pdf", ".md"})
"""Endings of what the program and its reports write beside the raw files."""

INCOMING = "incoming"
"""Folder of a roll for files on their way."""


class ArchiveUnusable(TetherError):
    """The archive's folder cannot be used."""


class CopiesFiles(Protocol):
    """What copies the archive to a second folder; see `tether.archive.second_copy`."""

    def start(self) -> None:
        """Begin to copy what is behind."""
        ...

    def nudge(self, roll: Roll) -> None:
        """Say that a roll has something new. Returns at once."""
        ...

    def state(self) -> CopyState:
        """Return how the copying stands."""
        ...

    def news(self) -> tuple[str, ...]:
        """Return what there is to say since the last call."""
        ...

    def finish(self) -> CopyState:
        """Wait until everything is copied, or cannot be."""
        ...

    def close(self) -> None:
        """Stop copying."""
        ...


class Archive:
    """An archive on disk with its database.

    Parameters
    ----------
    root
        The archive's folder.
    create
        Make it where it is missing. False also means that nothing is going to be changed: the
        database is opened for reading only.
    clock
        What tells the time: all that works on the archive asks it, and no other.

    Raises
    ------
    ArchiveUnusable
        When the folder is not there (``create`` False), cannot be made, or not be written to,
        or holds rolls but has lost its database.
    """

    def __init__(self, root: Path, *, create: bool = True, clock: Clock = system_clock) -> None:
        self.root = whole_path(root)
        self.clock = clock
        self.second_copy: CopiesFiles | None = None
        if create:
            self._prepare()
        if not (self.root / DATABASE).is_file():
            self._without_database(create)
        if create and (self.root / DATABASE).is_symlink():
            raise ArchiveUnusable(
                f"The archive's database {printable(str(self.root / DATABASE))} is a link; nothing "
                "is written through it.",
                kept="Nothing was changed.",
                todo="Put the file itself in its place.",
            )
        self.store = Store(self.root / DATABASE, create=create, read_only=not create, clock=clock)

    def _prepare(self) -> None:
        try:
            make_folder(self.root)
            sweep(self.root, ".new-*")
            with tempfile.TemporaryFile(dir=self.root):
                pass
        except OSError as error:
            raise ArchiveUnusable(
                f"The archive folder {printable(str(self.root))} cannot be written to: "
                f"{error.strerror}.",
                kept="Nothing was changed.",
                todo="Check that the disk is attached and not write-protected, or name another "
                "folder with --archive.",
            ) from error

    def _without_database(self, create: bool) -> None:
        """Refuse to begin anew where rolls lie already: their database was lost."""
        where = printable(str(self.root))
        if folders := roll_folders(self.root):
            raise ArchiveUnusable(
                f"The archive's database is missing: {where} holds "
                f"{plural(len(folders), 'roll')}, but no {DATABASE}.",
                kept="The raw files and their facts are in the rolls' folders.",
                todo=f"Build the database from the folders: {rebuild_command(self.root)}",
            )
        if not create:
            raise ArchiveUnusable(
                f"There is no archive in {where}.",
                todo="Name the right folder with --archive, or start one with 'tether shoot'.",
            )

    def close(self) -> None:
        """Stop copying and close the database. May be called twice."""
        if self.second_copy is not None:
            self.second_copy.close()
        self.store.close()

    def free_bytes(self) -> int:
        """Return the room left on the archive's disk.

        Raises
        ------
        ArchiveUnusable
            When the folder is not there.
        """
        try:
            return shutil.disk_usage(self.root).free
        except OSError as error:
            raise self._gone(self.root) from error

    def check_in_place(self, roll: Roll) -> None:
        """See that what is recorded now can be found later.

        Raises
        ------
        ArchiveUnusable
            When the archive's or the roll's folder is gone (a disk that went away), or the database
            was removed or replaced since it was opened.
        """
        for folder in (self.root, self.incoming(roll)):
            if not folder.is_dir():
                raise self._gone(folder)
        if not self.store.database.is_in_place():
            raise ArchiveUnusable(
                f"The archive's database {printable(str(self.root / DATABASE))} was removed or "
                "replaced while it was open.",
                kept="All raw files are in their folders. Nothing was shot.",
                todo="Put it back and continue. If it is lost, leave the program and run: "
                f"{rebuild_command(self.root)}",
            )

    @staticmethod
    def _gone(folder: Path) -> ArchiveUnusable:
        return ArchiveUnusable(
            f"The folder {printable(str(folder))} is not there any more.",
            kept="Everything that was filed is as safe as its disk. Nothing was shot.",
            todo="Attach the disk again, or put the folder back, then continue.",
        )

    # --- where things are; what the database says of it is not trusted ------------------------

    def folder(self, roll: Roll) -> Path:
        """Return the folder of a roll.

        Raises
        ------
        ArchiveUnusable
            When what the database gives for it is no name of a folder in the archive.
        """
        return self._inside(self.root, roll.folder)

    def file(self, roll: Roll, name: str) -> Path:
        """Return the path of a recorded file of a roll; raises as `folder` does.

        A test shot's name begins with the folder that they are in.
        """
        folder, trials = self.folder(roll), f"{BENCH_FOLDER}/"
        if isinstance(name, str) and name.startswith(trials):
            return self._inside(folder / BENCH_FOLDER, name.removeprefix(trials))
        return self._inside(folder, name)

    def _inside(self, folder: Path, name: str) -> Path:
        if not is_safe_name(name):
            raise ArchiveUnusable(
                f"The database names '{printable(str(name), 80)}', which is no name of a file in "
                f"{printable(str(folder))}.",
                kept="Nothing was read or changed.",
                todo="The database was edited by something else. Move it away, keep it, and build "
                f"it from the folders: {rebuild_command(self.root)}",
            )
        return folder / name

    def incoming(self, roll: Roll) -> Path:
        """Return the folder for files on their way into a roll."""
        return self.folder(roll) / INCOMING

    # --- what is written beside the raw files, so that it survives the database ---------------

    def write_roll(self, roll: Roll) -> None:
        """Write the roll's facts."""
        facts = {
            "name": roll.name,
            "film": roll.process.value,
            "format": roll.format_key,
            "frames_expected": roll.frames_expected,
            "strip_length": roll.strip_length,
            "notes": roll.notes,
            "created_at": self.store.rolls.created_at(roll.id),
            "description": roll.description.stored,
        }
        write_json(self.folder(roll) / ROLL_FILE, facts)

    def write_frame(self, roll: Roll, frame: Frame) -> None:
        """Write what is known of a frame, where the work stands, and what the log has of it."""
        self._write_frame(roll, frame)
        self.write_state(roll)
        self.write_log(roll)
        self._nudge(roll)

    def _nudge(self, roll: Roll) -> None:
        if self.second_copy is not None:
            self.second_copy.nudge(roll)

    def _write_frame(self, roll: Roll, frame: Frame) -> None:
        takes = {c.take for c in frame.captures}
        facts = {
            "roll": roll.name,
            "frame": frame.number,
            "state": frame.state.value,
            "note": frame.note,
            "description": frame.description.stored,
            "captures": [
                asdict(capture) | {"facts": capture.facts.stored} for capture in frame.captures
            ],
            "companions": [
                asdict(c)
                for c in self.store.frames.companions(roll.id)
                if c.frame == frame.number and c.take in takes
            ],
        }
        write_json(self._frame_file(roll, frame.number), facts)
        for capture in frame.captures:
            if memory := self.store.frames.capture_memory(capture.id):
                name = memory_name(frame.number, capture.take)
                write_bytes(self.folder(roll) / FRAMES_FOLDER / name, memory)

    def _frame_file(self, roll: Roll, number: int) -> Path:
        return self.folder(roll) / FRAMES_FOLDER / f"f{number:03d}.json"

    def write_state(self, roll: Roll) -> None:
        """Write where the work stands: the steps that were confirmed, the frame gone to."""
        sitting = self.store.journal.last_sitting()
        done = self.store.journal.confirmed(sitting.id, roll.id) if sitting else []
        facts = {
            "cursor": self.store.rolls.by_id(roll.id).cursor,
            "memory_of": self.store.rolls.memory_source(roll.id),
            "sitting": asdict(sitting) if sitting else None,
            "steps": [asdict(step) for step in done],
        }
        write_json(self.folder(roll) / STATE_FILE, facts)

    def write_bench_shots(self, roll: Roll) -> None:
        """Write what is known of the roll's test shots."""
        facts = [
            {"file_name": name, "size": size, "sha256": sha256}
            for name, size, sha256 in self.store.frames.bench_shots(roll.id)
        ]
        if facts:
            write_json(self.folder(roll) / BENCH_FOLDER / BENCH_FILE, {"files": facts})
            self._nudge(roll)

    def write_facts(self) -> None:
        """Write what belongs to no roll: the bench, the copy folder."""
        facts = {key: text for key in KEPT_FACTS if (text := self.store.fact(key)) is not None}
        if facts:
            write_json(self.root / ARCHIVE_FILE, facts)

    def write_waiting(self) -> None:
        """Write the list of rolls that wait. One that was begun is passed over when it is read."""
        path = self.root / WAITING_FILE
        lines = [safe_json(roll.stored(), indent=None) for roll in self.store.waiting.all()]
        if lines or path.exists():
            write_bytes(path, "".join(f"{line}\n" for line in lines).encode("utf-8"))

    def write_log(self, roll: Roll) -> None:
        """Append to the roll's log file what it lacks."""
        path = self.folder(roll) / LOG_FILE
        append_log(path, self.store.journal.log_since(roll.id, last_logged(path)))

    def write_all_facts(self, roll: Roll) -> None:
        """Write everything beside a roll's files that does not say what the database says."""
        self.write_roll(roll)
        for frame in self.store.frames.of(roll):
            said = frame.captures or frame.note or frame.description
            decided = frame.state is not FrameState.OPEN
            if said or decided or self._frame_file(roll, frame.number).exists():
                self._write_frame(roll, frame)
        self.write_state(roll)
        self.write_bench_shots(roll)
        self.write_facts()
        self.write_log(roll)
        self._nudge(roll)

    def unrecorded_files(self, roll: Roll) -> list[str]:
        """Return the names of files in a roll's folder that nobody recorded.

        Test shots are looked at too, their names begin with their folder. Left out are other
        folders, hidden files, and what the program and its reports write.
        """
        known = self.store.frames.file_names(roll.id)
        folder = self.folder(roll)
        trials = folder / BENCH_FOLDER
        found = [(p.name, p) for p in folder.iterdir()]
        if trials.is_dir() and not trials.is_symlink():
            found += [(f"{BENCH_FOLDER}/{p.name}", p) for p in trials.iterdir()]
        return sorted(
            name
            for name, p in found
            if name not in known
            and not p.name.startswith(".")
            and not _is_derived(p)
            and not p.is_dir()
        )

    def derived_files(self, roll: Roll, folder: Path | None = None) -> Iterator[Path]:
        """Yield the files that belong to a roll and are not recorded, relative to its folder.

        Facts, sidecars, reports, and everything in the roll's own folders, as positives are.
        Left out are hidden files, links, files on their way, damaged ones and strangers.
        ``folder`` is the roll's in a copy folder, None for the archive's own.
        """
        known, folder = self.store.frames.file_names(roll.id), folder or self.folder(roll)
        for where, folders, names in os.walk(folder):
            here = Path(where)
            folders[:] = sorted(
                f
                for f in folders
                if not f.startswith(".")
                and f != DAMAGED_FOLDER
                and (here != folder or f != INCOMING)
            )
            for name in sorted(names):
                path = here / name
                inside = path.relative_to(folder)
                ours = here != folder or _is_derived(path)
                if (
                    ours
                    and inside.as_posix() not in known
                    and not name.startswith(".")
                    and not path.is_symlink()
                ):
                    yield inside


def _is_derived(path: Path) -> bool:
    """Tell whether the program makes such a file, so that it is nobody's capture."""
    return path.suffix.lower() in DERIVED_ENDINGS or is_raw_positive(path)


def roll_folders(root: Path) -> list[Path]:
    """Return the folders in an archive that hold a roll's facts, by name."""
    try:
        return sorted(p.parent for p in root.glob(f"*/{ROLL_FILE}"))
    except OSError:
        return []


REHEARSAL_CARD = "simulated card"
"""Folder in the archive of a rehearsal that holds the simulated camera's card."""


def is_rehearsals(root: Path) -> bool:
    """Whether an archive is one of rehearsals."""
    return (root / REHEARSAL_CARD).is_dir()


def make_rehearsals(archive: Archive) -> None:
    """Make an archive one of rehearsals; it stays so.

    Raises
    ------
    TetherError
        When it holds rolls of real film.
    """
    if is_rehearsals(archive.root):
        return
    if archive.store.rolls.totals().rolls:
        raise TetherError(
            f"The archive in {printable(str(archive.root))} holds rolls of real film.",
            kept="Nothing was changed: no invented picture came into it.",
            todo="Rehearse in a folder of its own: leave --archive out, or name another folder.",
        )
    (archive.root / REHEARSAL_CARD).mkdir(exist_ok=True)


def refuse_rehearsals(root: Path) -> None:
    """See to it that no roll of real film is shot into an archive of rehearsals.

    Raises
    ------
    TetherError
        When the archive is one.
    """
    if is_rehearsals(root):
        raise TetherError(
            f"The archive in {printable(str(root))} is one of rehearsals: its pictures are "
            "invented.",
            kept="Nothing was changed, and the camera was not looked for.",
            todo="Shoot into a folder of its own: name it with --archive. Resume a "
            "rehearsal with 'tether rehearse'. Did a rehearsal get into an archive of real film by "
            f"mistake? Move the folder '{REHEARSAL_CARD}' out of it, and it takes real film "
            "again.",
        )
