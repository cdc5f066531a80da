"""Giving the files of one release their names, and recording them, as one act."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from tether.archive.archive import Archive
from tether.archive.durable import Arrival, flush_names, link_into_place, matches
from tether.archive.layout import capture_name, is_safe_name
from tether.archive.records import Capture, Companion, Roll
from tether.camera.protocol import CardFile
from tether.text import printable


@dataclass(frozen=True, slots=True)
class PendingFile:
    """A file in ``incoming/`` with the name that it is to get.

    ``part`` and ``name`` are file names without a folder; ``take`` is None for a file that
    belongs to no capture; ``index`` is its place among the card's files of the release.
    """

    part: str
    name: str
    take: int | None
    size: int
    sha256: str
    raw: bool
    index: int
    camera_name: str


class Filing:
    """Files and records what arrived for one roll."""

    def __init__(self, archive: Archive, roll_id: int) -> None:
        self.archive = archive
        self.store = archive.store
        self.roll_id = roll_id

    def named(
        self,
        frame: int,
        arrivals: Sequence[tuple[CardFile, Arrival]],
        beside_take: int | None = None,
    ) -> tuple[PendingFile, ...]:
        """Choose a free name for each file: raw files take by take, the others beside the last.

        Files that come after their raw file, which is recorded already, go beside that take.
        """
        roll = self.store.rolls.by_id(self.roll_id)
        planned: set[str] = set()
        pending: list[PendingFile] = []
        take = beside_take or self.store.frames.next_take(roll.id, frame) - 1
        order = sorted(range(len(arrivals)), key=lambda i: not arrivals[i][1].may_be_raw)
        for i in order:
            file, arrival = arrivals[i]
            if arrival.may_be_raw:
                take += 1
                while self._taken(
                    roll, planned, capture_name(roll.folder, frame, take, arrival.ending)
                ):
                    take += 1
            name = self._free(roll, planned, frame, max(take, 1), arrival.ending)
            planned.add(name)
            with_raw = beside_take or arrival.may_be_raw or any(p.raw for p in pending)
            beside = take if with_raw else None
            pending.append(
                PendingFile(
                    arrival.path.name,
                    name,
                    beside,
                    arrival.size,
                    arrival.sha256,
                    arrival.may_be_raw,
                    i,
                    printable(file.name, 60),
                )
            )
        return tuple(pending)

    def _taken(self, roll: Roll, planned: set[str], name: str) -> bool:
        return name in planned or os.path.lexists(self.archive.file(roll, name))

    def _free(self, roll: Roll, planned: set[str], frame: int, take: int, ending: str) -> str:
        name = first = capture_name(roll.folder, frame, take, ending)
        number = 1
        while self._taken(roll, planned, name):
            number += 1
            name = f"{first.removesuffix(f'.{ending}')}-{number}.{ending}"
        return name

    def file(
        self, intent: int, frame: int, facts: Mapping[str, Any], pending: Sequence[PendingFile]
    ) -> tuple[Capture, ...]:
        """Give files their names and record them.

        Raises
        ------
        FilingError
            When a file could not be given its name.
        """
        roll = self.store.rolls.by_id(self.roll_id)
        incoming = self.archive.incoming(roll)
        link_into_place([(incoming / p.part, self.archive.file(roll, p.name)) for p in pending])
        return self._record(roll, frame, facts, pending, [intent])

    def resume(
        self, intent: int, frame: int, facts: Mapping[str, Any]
    ) -> tuple[tuple[Capture, ...], tuple[int, ...]]:
        """File and record what a stop interrupted.

        Returns
        -------
        tuple
            The captures, and the places of those card files of which nothing is left on disk. Is
            there one, the intent stays, as one of the kind ``fetch`` for just those.
        """
        roll = self.store.rolls.by_id(self.roll_id)
        incoming = self.archive.incoming(roll)
        frame = int(facts.get("frame", frame))
        whole: list[PendingFile] = []
        lost: list[int] = []
        for file in map(pending_file, facts["parcels"]):
            found = self._found(roll, incoming, frame, file)
            if found is None:
                lost.append(file.index)
            else:
                whole.append(found)
        missing = [facts["files"][i] for i in lost if i < len(facts["files"])]
        if missing:
            captures = self._record(roll, frame, facts, whole, [])
            kept = {k: v for k, v in facts.items() if k not in ("parcels", "taken_at")}
            self.store.journal.advance(intent, "fetch", kept | {"files": missing})
        else:
            captures = self._record(roll, frame, facts, whole, [intent])
        return captures, tuple(lost)

    def _found(
        self, roll: Roll, incoming: Path, frame: int, file: PendingFile
    ) -> PendingFile | None:
        """Find a file under its name, or give it one; None where nothing whole is left."""
        if not (is_safe_name(file.part) and is_safe_name(file.name)):
            return None
        part, final = incoming / file.part, self.archive.file(roll, file.name)
        known = file.name in self.store.frames.file_names(roll.id)
        if not known and matches(final, file.size, file.sha256):
            flush_names(final.parent)  # the stop may have come before the name was safe
            _give_up(part, final)
            return file
        if not matches(part, file.size, file.sha256):
            return None
        if known or os.path.lexists(final):
            ending = final.suffix.lstrip(".")
            take = file.take
            if file.raw:
                take = self.store.frames.next_take(roll.id, frame)
            name = self._free(roll, set(), frame, take or 1, ending)
            file = replace(file, name=name, take=take)
            final = self.archive.file(roll, name)
        link_into_place([(part, final)])
        return file

    def _record(
        self,
        roll: Roll,
        frame: int,
        facts: Mapping[str, Any],
        pending: Sequence[PendingFile],
        intents: Sequence[int],
    ) -> tuple[Capture, ...]:
        origin = str(facts["origin"])
        captures = [
            Capture(
                0,
                frame,
                p.take or 1,
                p.name,
                p.size,
                p.sha256,
                str(facts["taken_at"]),
                origin,
                settings=dict(facts["settings"]),
            )
            for p in pending
            if p.raw
        ]
        companions = [
            Companion(p.name, p.size, p.sha256, frame, p.take) for p in pending if not p.raw
        ]
        files = facts["files"]
        fetched = [
            CardFile(f["folder"], f["name"], f["size"], f["modified"])
            for f in (files if intents else [files[p.index] for p in pending])
            if f not in facts.get("not_counted", ())
        ]
        return self.store.frames.add_release(
            roll,
            captures,
            companions,
            intents=intents,
            card=(str(facts["camera"]), fetched),
            log=[f"{p.name} filed, from {p.camera_name} ({origin})" for p in pending],
        )


def pending_file(facts: Mapping[str, Any]) -> PendingFile:
    """Read a file from an intent's facts."""
    return PendingFile(**{name: facts[name] for name in PendingFile.__slots__})


def _give_up(part: Path, final: Path) -> None:
    """Remove the second name of a file that has its final one; another file stays."""
    if part.is_file() and part.samefile(final):
        part.unlink()
