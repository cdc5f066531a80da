"""What a rebuild reads besides the frames: where the work stood, test exposures, the bench.

Everything read here is untrusted; what makes no sense is left out, and only asked again.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from datetime import datetime
from typing import Any

from tether.archive.archive import ARCHIVE_FILE, KEPT_FACTS, STATE_FILE, TRIALS_FILE, Archive
from tether.archive.durable import digest_of
from tether.archive.fact_files import BesideUnusable, read_json
from tether.archive.layout import TRIALS_FOLDER, is_file_entry, is_safe_name
from tether.archive.records import Confirmed, Roll, Scope, Sitting
from tether.text import printable

_MOST_STEPS = 20_000
_LONGEST_FACT = 1 << 20


def take_in_state(archive: Archive, roll: Roll, *, with_steps: bool) -> None:
    """Restore the frame gone to, the roll's memory and, where wanted, the steps of its sitting."""
    store = archive.store
    facts: dict[str, Any] = {}
    with contextlib.suppress(BesideUnusable):
        facts = read_json(archive.folder(roll) / STATE_FILE)
    cursor, source = facts.get("cursor"), facts.get("memory_of")
    if isinstance(cursor, int) and 1 <= cursor <= roll.frames_expected:
        store.rolls.set_cursor(roll.id, cursor)
    if "memory_of" in facts:
        store.rolls.remember_of(roll.id, source if isinstance(source, str) else None)
    sitting = _sitting(facts.get("sitting"))
    if with_steps and sitting is not None:
        store.journal.restore_sitting(sitting, roll.id, _steps(facts.get("steps")))


def take_in_facts(archive: Archive) -> None:
    """Restore what belongs to no roll, as far as the database does not say it."""
    with contextlib.suppress(BesideUnusable):
        facts = read_json(archive.root / ARCHIVE_FILE)
        for key in KEPT_FACTS:
            text = facts.get(key)
            if (
                isinstance(text, str)
                and len(text) < _LONGEST_FACT
                and archive.store.fact(key) is None
            ):
                archive.store.set_fact(key, text)


def take_in_trials(archive: Archive, roll: Roll) -> list[str]:
    """Record the test exposures that are in their folder and not recorded; return their names.

    As their facts say, without reading them; those without facts are read.
    """
    store, folder = archive.store, archive.folder(roll) / TRIALS_FOLDER
    prefix = f"{TRIALS_FOLDER}/"
    missing = {
        n.removeprefix(prefix) for n in archive.unrecorded_files(roll) if n.startswith(prefix)
    }
    if not missing:
        return []
    listed: object = None
    with contextlib.suppress(BesideUnusable):
        listed = read_json(folder / TRIALS_FILE).get("files")
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
    archive.write_trials(roll)
    return [name for name, _, _ in found]


def _sitting(entry: object) -> Sitting | None:
    if not isinstance(entry, dict):
        return None
    number, camera = entry.get("id"), entry.get("camera")
    begun, active = entry.get("started_at"), entry.get("active_at")
    if (
        isinstance(number, int)
        and 0 < number < 1 << 40
        and isinstance(camera, str)
        and isinstance(begun, str)
        and isinstance(active, str)
        and _is_time(begun)
        and _is_time(active)
    ):
        return Sitting(number, begun, active, printable(camera, 400), entry.get("short") is True)
    return None


def _is_time(text: str) -> bool:
    with contextlib.suppress(ValueError):
        return datetime.fromisoformat(text).tzinfo is not None
    return False


def _steps(entries: object) -> Iterable[Confirmed]:
    for entry in (entries if isinstance(entries, list) else [])[:_MOST_STEPS]:
        if not isinstance(entry, dict):
            continue
        key, place = entry.get("key"), entry.get("place")
        if not isinstance(key, str) or not isinstance(place, int) or not 0 <= place < 100_000:
            continue
        with contextlib.suppress(ValueError):  # a scope that a newer program has
            yield Confirmed(Scope(str(entry.get("scope"))), place, printable(key, 60))
