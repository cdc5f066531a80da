"""What the database says, written beside the raw files, so that it survives the database.

``roll.json``, ``frames/f007.json`` and ``log.jsonl`` explain the folder to a person. What only the
program needs lies beside them: ``state.json`` has where the work stands, ``frames/f007_t1.npz``
what the measurements remember, ``bench/files.json`` the test exposures, and ``archive.json`` in
the archive's own folder what belongs to no roll.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from tether.archive.archive_paths import INCOMING, Paths
from tether.archive.fact_files import (
    FRAMES_FOLDER,
    LOG_FILE,
    ROLL_FILE,
    append_log,
    last_logged,
    write_bytes,
    write_json,
)
from tether.archive.layout import TRIALS_FOLDER, memory_name
from tether.archive.records import Frame, FrameState, Roll

if TYPE_CHECKING:
    from tether.archive.second_copy import Mirror

STATE_FILE = "state.json"
TRIALS_FILE = "files.json"
ARCHIVE_FILE = "archive.json"

KEPT_FACTS = ("number", "copy folder", "benches", "person at the bench", "bench at hand")
"""Facts about the archive that outlive its database. What a card holds is looked at anew."""

DERIVED_ENDINGS = frozenset({".json", ".jsonl", ".xmp", ".txt", ".csv", ".html", ".pdf", ".md"})
"""Endings of what the program and its reports write beside the raw files."""


class Sidecars(Paths):
    """Writes and finds what lies beside the raw files."""

    mirror: Mirror | None = None

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
        }
        write_json(self.folder(roll) / ROLL_FILE, facts)

    def write_frame(self, roll: Roll, frame: Frame) -> None:
        """Write what is known of a frame, where the work stands, and what the log has of it."""
        self._write_frame(roll, frame)
        self.write_state(roll)
        self.write_log(roll)
        self._nudge(roll)

    def _nudge(self, roll: Roll) -> None:
        if self.mirror is not None:
            self.mirror.nudge(roll)

    def _write_frame(self, roll: Roll, frame: Frame) -> None:
        takes = {c.take for c in frame.captures}
        facts = {
            "roll": roll.name,
            "frame": frame.number,
            "state": frame.state.value,
            "note": frame.note,
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

    def write_trials(self, roll: Roll) -> None:
        """Write what is known of the roll's test exposures."""
        facts = [
            {"file_name": name, "size": size, "sha256": sha256}
            for name, size, sha256 in self.store.frames.bench_shots(roll.id)
        ]
        if facts:
            write_json(self.folder(roll) / TRIALS_FOLDER / TRIALS_FILE, {"files": facts})
            self._nudge(roll)

    def write_facts(self) -> None:
        """Write what belongs to no roll: the bench, the copy folder."""
        facts = {key: text for key in KEPT_FACTS if (text := self.store.fact(key)) is not None}
        if facts:
            write_json(self.root / ARCHIVE_FILE, facts)

    def write_log(self, roll: Roll) -> None:
        """Append to the roll's log file what it lacks."""
        path = self.folder(roll) / LOG_FILE
        append_log(path, self.store.journal.log_since(roll.id, last_logged(path)))

    def write_all_beside(self, roll: Roll) -> None:
        """Write everything beside a roll's files that does not say what the database says."""
        self.write_roll(roll)
        for frame in self.store.frames.of(roll):
            decided = frame.captures or frame.note or frame.state is not FrameState.OPEN
            if decided or self._frame_file(roll, frame.number).exists():
                self._write_frame(roll, frame)
        self.write_state(roll)
        self.write_trials(roll)
        self.write_facts()
        self.write_log(roll)
        self._nudge(roll)

    def strangers(self, roll: Roll) -> list[str]:
        """Return the names of files in a roll's folder that nobody recorded.

        Test exposures are looked at too, their names begin with their folder. Left out are other
        folders, hidden files, and what the program and its reports write.
        """
        known = self.store.frames.file_names(roll.id)
        folder = self.folder(roll)
        trials = folder / TRIALS_FOLDER
        found = [(p.name, p) for p in folder.iterdir()]
        if trials.is_dir() and not trials.is_symlink():
            found += [(f"{TRIALS_FOLDER}/{p.name}", p) for p in trials.iterdir()]
        return sorted(
            name
            for name, p in found
            if name not in known
            and not p.name.startswith(".")
            and p.suffix.lower() not in DERIVED_ENDINGS
            and not p.is_dir()
        )

    def beside(self, roll: Roll) -> Iterator[Path]:
        """Yield the files that belong to a roll and are not recorded, relative to its folder.

        Facts, sidecars, reports, and everything in the roll's own folders, as positives are.
        Left out are hidden files, links, files on their way and strangers.
        """
        known, folder = self.store.frames.file_names(roll.id), self.folder(roll)
        for where, folders, names in os.walk(folder):
            here = Path(where)
            folders[:] = sorted(
                f for f in folders if not f.startswith(".") and (here != folder or f != INCOMING)
            )
            for name in sorted(names):
                path = here / name
                inside = path.relative_to(folder)
                ours = here != folder or path.suffix.lower() in DERIVED_ENDINGS
                if (
                    ours
                    and inside.as_posix() not in known
                    and not name.startswith(".")
                    and not path.is_symlink()
                ):
                    yield inside
