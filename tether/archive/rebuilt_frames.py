"""What a rebuild reads of one roll: its frames' facts, and files that only their names explain."""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tether.archive.archive import Archive
from tether.archive.durable import digest_of
from tether.archive.fact_files import FRAMES_FOLDER, BesideUnusable, read_json
from tether.archive.layout import CAPTURE_NAME, ending_of, is_file_entry, is_safe_name, memory_name
from tether.archive.records import LONGEST_ROLL, Capture, Companion, FrameState, Roll
from tether.facts import Facts
from tether.findings import Verdict
from tether.text import plural, printable

MEMORY_BYTES = 1_000_000
"""Bytes beyond which what the measurements remember is not ours and is not read."""

_FRAME_FILE = re.compile(r"^f(\d{3,5})\.json$")
_DECISIONS = (None, "chosen", "other")


def take_in_frames(archive: Archive, roll: Roll, facts_folder: Path) -> tuple[int, list[str]]:
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
            added += _take_in(archive, roll, int(number[1]), read_json(path))
        except BesideUnusable as error:
            said.append(str(error))
    unexplained = record_by_name(archive, roll, archive.unrecorded_files(roll))
    return added + len(unexplained), said


def _take_in(archive: Archive, roll: Roll, number: int, facts: Mapping[str, Any]) -> int:
    store = archive.store
    known = store.frames.file_names(roll.id)
    captures = [
        c
        for entry in _list(facts.get("captures"))
        if (c := _capture(number, entry)) is not None
        and c.file_name not in known
        and os.path.lexists(archive.file(roll, c.file_name))
    ]
    takes = {c.take for c in captures}
    companions = [
        p
        for entry in _list(facts.get("companions"))
        if (p := _companion(number, entry)) is not None and p.file_name not in known
    ]
    numbered = _numbered(store.frames.next_take(roll.id, number), captures)
    for capture in store.frames.add_release(roll, numbered, companions):
        if memory := _memory(archive, roll, capture):
            store.frames.set_capture_memory(capture.id, memory)
    frame = store.frames.of(roll)
    fresh = len(frame) < number or frame[number - 1].state is FrameState.OPEN
    if fresh:
        _decide(archive, roll, number, facts, takes)
    return len(captures)


def _memory(archive: Archive, roll: Roll, capture: Capture) -> bytes:
    """Read what the measurements remembered of a capture, b"" for nothing."""
    path = archive.folder(roll) / FRAMES_FOLDER / memory_name(capture.frame, capture.take)
    with contextlib.suppress(OSError):
        if not path.is_symlink() and path.is_file() and path.stat().st_size <= MEMORY_BYTES:
            return path.read_bytes()
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


def _capture(number: int, entry: object) -> Capture | None:
    if not isinstance(entry, dict):
        return None
    name, size, digest = entry.get("file_name"), entry.get("size"), entry.get("sha256")
    take, decision = entry.get("take"), entry.get("decision")
    facts, settings = entry.get("facts", {}), entry.get("settings")
    if not (is_file_entry(name, size, digest) and isinstance(take, int) and 0 < take < 100_000):
        return None
    return Capture(
        0,
        number,
        take,
        str(name),
        int(str(size)),
        str(digest),
        printable(str(entry.get("taken_at", "")), 40),
        printable(str(entry.get("origin", "rebuilt")), 40),
        decision if decision in _DECISIONS else None,
        Verdict(printable(str(entry.get("verdict", "unjudged")), 20)),
        Facts.read(facts),
        {
            printable(str(k), 40): printable(str(v), 80)
            for k, v in (settings if isinstance(settings, dict) else {}).items()
        },
    )


def _companion(number: int, entry: object) -> Companion | None:
    if not isinstance(entry, dict):
        return None
    name, size, digest = entry.get("file_name"), entry.get("size"), entry.get("sha256")
    take = entry.get("take")
    if not is_file_entry(name, size, digest):
        return None
    beside = take if isinstance(take, int) and 0 < take < 100_000 else None
    return Companion(str(name), int(str(size)), str(digest), number, beside)


def _list(found: object) -> list[object]:
    return found if isinstance(found, list) else []


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
