"""Building an archive's database from its folders, and recording what it lacks.

A database that is lost or damaged is built anew; one that is sound only gets what it lacks: rolls
and captures whose files are there. Everything read here is untrusted: the folders may have been
edited by hand, or come from elsewhere.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tether.archive.archive import (
    ARCHIVE_FILE,
    BENCH_FILE,
    KEPT_FACTS,
    STATE_FILE,
    WAITING_FILE,
    Archive,
    ArchiveUnusable,
    roll_folders,
)
from tether.archive.database import ArchiveDatabaseDamaged
from tether.archive.durable import digest_of
from tether.archive.fact_files import (
    FRAMES_FOLDER,
    LOG_FILE,
    ROLL_FILE,
    FactFileUnusable,
    json_list,
    read_capture,
    read_companion,
    read_json,
    read_log,
    read_roll_facts,
    read_sitting,
    read_steps,
)
from tether.archive.layout import (
    BENCH_FOLDER,
    CAPTURE_NAME,
    DATABASE,
    ending_of,
    is_file_entry,
    is_safe_name,
    memory_name,
)
from tether.archive.open_roll import hold_roll
from tether.archive.records import (
    LONGEST_ROLL,
    Capture,
    Companion,
    FrameState,
    Roll,
    RollError,
)
from tether.archive.store import Store
from tether.archive.waiting import WaitingRoll
from tether.clock import Clock, system_clock
from tether.description import FrameDescription
from tether.disk import flush_folder, open_plain
from tether.errors import TetherError
from tether.paths import whole_path
from tether.text import parsed_json, plural, printable


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
        try:
            done.moved_away = _move_away(root, clock)
        except OSError as error:
            raise ArchiveUnusable(
                f"The damaged database could not be moved away: {error.strerror}.",
                kept="The raw files are untouched.",
                todo="Check the disk and the folder's permissions.",
            ) from error
    with contextlib.closing(_opened_anew(root, clock)) as archive:
        restore_facts(archive)
        restore_waiting(archive, done)
        # What another archive's sitting has confirmed says nothing about this one.
        with_steps = archive.store.journal.last_sitting() is None
        for folder in roll_folders(root):
            report(folder.name)
            try:
                _restore_roll(archive, folder, done, with_steps=with_steps)
            except (TetherError, OSError) as error:
                done.said.append(f"{printable(folder.name, 80)}: {error}")
    return done


def _is_damaged(path: Path) -> bool:
    """Tell whether a database is there that cannot be used."""
    if not path.is_file():
        return False
    try:
        # To read only: a damaged one of an earlier version is kept as it was.
        with contextlib.closing(Store(path, create=False, read_only=True)) as store:
            if store.damage() or store.database.missing_parts():
                return True
            store.read_all()
            return False
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


def _restore_roll(archive: Archive, folder: Path, done: Rebuilt, *, with_steps: bool) -> None:
    if not is_safe_name(folder.name):
        done.said.append(f"{printable(folder.name, 80)}: no name for a roll's folder, left alone.")
        return
    new, created = read_roll_facts(folder)
    store = archive.store
    there = store.rolls.in_folder(folder.name)
    if there is not None and created == store.rolls.created_at(there.id):
        new = there.as_new()  # it may have been given another name since
    is_new = not store.rolls.has(new.name)
    if is_new:
        store.rolls.add(new, folder=folder.name, created_at=created)
    else:
        roll = store.rolls.named(new.name)
        if roll.folder != folder.name:
            if archive.folder(roll).exists():
                done.said.append(
                    f"{printable(folder.name, 80)} says that it is the roll "
                    f"'{printable(roll.name)}', whose folder is {printable(roll.folder)}. It was "
                    "left alone."
                )
                return
            store.rolls.move(roll.id, folder.name)
            done.said.append(
                f"Roll '{printable(roll.name)}': its folder is {printable(folder.name)}."
            )
    roll = store.rolls.named(new.name)
    lock = hold_roll(archive, roll)
    try:
        done.rolls += is_new
        if is_new:
            store.journal.add_log_lines(roll.id, read_log(folder / LOG_FILE))
        found, said = restore_frames(archive, roll, folder / FRAMES_FOLDER)
        done.captures += found
        restore_bench_shots(archive, roll)
        # Only now: the bench's own test shots are no strangers.
        said += left_alone(archive, roll)
        done.said += [f"{printable(folder.name, 80)}: {line}" for line in said]
        if is_new:
            restore_state(archive, store.rolls.by_id(roll.id), with_steps=with_steps)
        if is_new or found:
            store.journal.log(
                "rebuild", f"Recorded from the folder: {plural(found, 'raw file')}", roll.id
            )
            archive.write_all_facts(store.rolls.by_id(roll.id))
    finally:
        lock.release()


MEMORY_BYTES = 1_000_000
"""Bytes beyond which what the measurements remember is not ours and is not read."""

_FRAME_FILE = re.compile(r"^f(\d{3,5})\.json$")


def restore_frames(archive: Archive, roll: Roll, facts_folder: Path) -> tuple[int, list[str]]:
    """Record what a roll's folder holds and the database lacks.

    Files that the facts name are recorded as the facts say, without reading them; `tether
    verify` then shows whether they still are what they were. Files that only their names explain
    are read.

    Returns
    -------
    tuple
        How many captures were added, and what there is to say.
    """
    added, said = 0, []
    for path in sorted(facts_folder.glob("f*.json")):
        number = _FRAME_FILE.match(path.name)
        if number is None or not 1 <= int(number[1]) <= LONGEST_ROLL:
            continue
        try:
            added += _restore_frame(archive, roll, int(number[1]), read_json(path))
        except FactFileUnusable as error:
            said.append(str(error))
    unexplained = record_by_name(archive, roll, archive.unrecorded_files(roll))
    return added + len(unexplained), said


def _restore_frame(archive: Archive, roll: Roll, number: int, facts: Mapping[str, Any]) -> int:
    store = archive.store
    known = store.frames.file_names(roll.id)
    captures = [
        c
        for entry in json_list(facts.get("captures"))
        if (c := read_capture(number, entry)) is not None
        and c.file_name not in known
        and os.path.lexists(archive.file(roll, c.file_name))
    ]
    takes = {c.take for c in captures}
    companions = [
        p
        for entry in json_list(facts.get("companions"))
        if (p := read_companion(number, entry)) is not None and p.file_name not in known
    ]
    numbered = _numbered(store.frames.next_take(roll.id, number), captures)
    for capture in store.frames.add_release(roll, numbered, companions):
        if memory := _memory(archive, roll, capture):
            store.frames.set_capture_memory(capture.id, memory)
    frame = store.frames.of(roll)
    described = FrameDescription.read(facts.get("description"))
    if described and not (len(frame) >= number and frame[number - 1].description):
        store.frames.describe(roll.id, number, described)
    fresh = len(frame) < number or frame[number - 1].state is FrameState.OPEN
    if fresh:
        _decide(archive, roll, number, facts, takes)
    return len(captures)


def _memory(archive: Archive, roll: Roll, capture: Capture) -> bytes:
    """Read what the measurements remembered of a capture, b"" for nothing."""
    path = archive.folder(roll) / FRAMES_FOLDER / memory_name(capture.frame, capture.take)
    with contextlib.suppress(OSError), os.fdopen(open_plain(path), "rb") as file:
        found = file.read(MEMORY_BYTES + 1)
        return found if len(found) <= MEMORY_BYTES else b""
    return b""


def _numbered(first: int, captures: list[Capture]) -> list[Capture]:
    """Give takes that are free: two facts files may claim the same one."""
    seen = set(range(1, first))
    kept = []
    for capture in captures:
        if capture.take not in seen:
            seen.add(capture.take)
            kept.append(capture)
    return kept


def _decide(
    archive: Archive, roll: Roll, number: int, facts: Mapping[str, Any], takes: set[int]
) -> None:
    store = archive.store
    try:
        state = FrameState(str(facts.get("state")))
    except ValueError:
        state = FrameState.OPEN
    if number > roll.frames_expected and state is not FrameState.OPEN:
        store.rolls.change(roll.id, frames_expected=number)
    captures = next((f.captures for f in store.frames.of(roll) if f.number == number), ())
    chosen = next((c.id for c in captures if c.decision == "chosen" and c.take in takes), None)
    if state is FrameState.KEPT and chosen is None:
        return  # its file is gone: the frame is open, and says so
    if state is not FrameState.OPEN:
        store.frames.decide(roll.id, number, state, chosen)
    note = facts.get("note")
    if isinstance(note, str) and note:
        store.frames.set_note(roll.id, number, printable(note, 2000))


def record_by_name(archive: Archive, roll: Roll, names: Iterable[str]) -> tuple[Capture, ...]:
    """Record files that have a capture's name and no facts: raw files first, then the others.

    Passed over are other names, empty files, links, and raw files whose bytes are recorded already.

    Returns
    -------
    tuple
        The captures that were added, undecided.
    """
    store, folder = archive.store, archive.folder(roll)
    found = []
    for name in names:
        path = folder / name
        match = CAPTURE_NAME.match(name)
        if not match or path.is_symlink() or not path.is_file() or not is_safe_name(name):
            continue
        size, digest, head = digest_of(path)
        if size and 0 < int(match["frame"]) <= LONGEST_ROLL:
            raw = ending_of(name, head)[1]
            found.append((not raw, int(match["frame"]), int(match["take"]), name, size, digest))
    added: list[Capture] = []
    for other_kind, frame, take, name, size, digest in sorted(found):
        if other_kind:
            store.frames.add_release(roll, [], [Companion(name, size, digest, frame, take)])
            continue
        if store.frames.with_digest(digest) is not None:
            continue
        last = store.frames.next_take(roll.id, frame)
        taken_at = datetime.fromtimestamp((folder / name).stat().st_mtime, UTC)
        stamp = taken_at.isoformat(timespec="milliseconds")
        number = max(take, last) if take < 100_000 else last
        capture = Capture(0, frame, number, name, size, digest, stamp, "rebuilt")
        added += store.frames.add_release(roll, [capture])
    return tuple(added)


def left_alone(archive: Archive, roll: Roll) -> list[str]:
    """Return what there is to say of files that are still nobody's, once all else is taken in."""
    other = archive.unrecorded_files(roll)
    if not other:
        return []
    names = ", ".join(printable(n, 60) for n in other[:3])
    return [
        f"{plural(len(other), 'file')} without a capture's name, or with bytes that are "
        f"recorded, left alone: {names}{' …' if len(other) > 3 else ''}"
    ]


_LONGEST_FACT = 1 << 20


def restore_state(archive: Archive, roll: Roll, *, with_steps: bool) -> None:
    """Restore the frame gone to, the roll's memory and, where wanted, the steps of its sitting."""
    store = archive.store
    facts: dict[str, Any] = {}
    with contextlib.suppress(FactFileUnusable):
        facts = read_json(archive.folder(roll) / STATE_FILE)
    cursor, source = facts.get("cursor"), facts.get("memory_of")
    if isinstance(cursor, int) and 1 <= cursor <= roll.frames_expected:
        store.rolls.set_cursor(roll.id, cursor)
    if "memory_of" in facts:
        store.rolls.remember_of(roll.id, source if isinstance(source, str) else None)
    sitting = read_sitting(facts.get("sitting"))
    if with_steps and sitting is not None:
        store.journal.restore_sitting(sitting, roll.id, read_steps(facts.get("steps")))


def restore_facts(archive: Archive) -> None:
    """Restore what belongs to no roll, as far as the database does not say it."""
    with contextlib.suppress(FactFileUnusable):
        facts = read_json(archive.root / ARCHIVE_FILE)
        for key in KEPT_FACTS:
            text = facts.get(key)
            if (
                isinstance(text, str)
                and len(text) < _LONGEST_FACT
                and archive.store.fact(key) is None
            ):
                archive.store.set_fact(key, text)


_MOST_WAITING, _LONGEST_LINE = 1_000_000, 1 << 18


def restore_waiting(archive: Archive, done: Rebuilt) -> None:
    """Put the rolls that wait back on the list, as far as they are not on it and not begun."""
    rolls: list[WaitingRoll] = []
    unread = 0
    path = archive.root / WAITING_FILE
    with contextlib.suppress(OSError), os.fdopen(open_plain(path), "rb") as file:
        while (line := file.readline(_LONGEST_LINE)) and len(rolls) < _MOST_WAITING:
            try:
                rolls.append(WaitingRoll.read(parsed_json(line)))
            except (ValueError, KeyError, TypeError, RollError):
                unread += 1
    if rolls:
        archive.store.waiting.restore(rolls)
    if unread:
        done.said.append(f"{WAITING_FILE}: {plural(unread, 'line')} could not be read.")


def restore_bench_shots(archive: Archive, roll: Roll) -> list[str]:
    """Record the test shots that are in their folder and not recorded; return their names.

    As their facts say, without reading them; those without facts are read.
    """
    store, folder = archive.store, archive.folder(roll) / BENCH_FOLDER
    prefix = f"{BENCH_FOLDER}/"
    missing = {
        n.removeprefix(prefix) for n in archive.unrecorded_files(roll) if n.startswith(prefix)
    }
    if not missing:
        return []
    listed: object = None
    with contextlib.suppress(FactFileUnusable):
        listed = read_json(folder / BENCH_FILE).get("files")
    known = {
        str(entry["file_name"]): (int(entry["size"]), str(entry["sha256"]))
        for entry in (listed if isinstance(listed, list) else [])
        if isinstance(entry, dict)
        and is_file_entry(entry.get("file_name"), entry.get("size"), entry.get("sha256"))
    }
    found = []
    for name in sorted(missing):
        path = folder / name
        if path.is_symlink() or not path.is_file() or not is_safe_name(name):
            continue
        size, digest = known.get(name) or digest_of(path)[:2]
        if size:
            found.append((name, size, digest))
    store.frames.add_bench_shots(roll.id, found)
    archive.write_bench_shots(roll)
    return [name for name, _, _ in found]
