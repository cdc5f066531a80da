"""Fixity: whether every recorded file is still there with the bytes that it came with."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import threading
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from pathlib import Path

from tether.archive.archive import Archive, ArchiveUnusable
from tether.archive.records import Roll
from tether.clock import Clock, system_clock
from tether.text import printable

_BLOCK = 1 << 20


class Wrong(StrEnum):
    """What can be wrong with a file."""

    MISSING = "missing"
    CHANGED = "changed"
    UNREADABLE = "unreadable"
    UNKNOWN = "not recorded"


@dataclass(frozen=True, slots=True)
class Discrepancy:
    """A file that is not as it should be."""

    kind: Wrong
    roll: str
    path: Path
    why: str = ""

    def sentence(self) -> str:
        """Say it on one line."""
        return f"{self.kind.value}: {printable(str(self.path), 500)}" + (
            f" ({printable(self.why, 100)})" if self.why else ""
        )


@dataclass(frozen=True, slots=True)
class Pace:
    """How far a check is: rolls of all rolls, bytes of this roll's bytes."""

    roll: str
    rolls: int
    all_rolls: int
    done_bytes: int
    roll_bytes: int


@dataclass
class Checked:
    """What a check found."""

    rolls: int = 0
    files: int = 0
    bytes: int = 0
    before: int = 0
    findings: list[Discrepancy] = field(default_factory=list)


def check(
    archive: Archive,
    rolls: Iterable[Roll],
    all_rolls: int,
    *,
    notebook: VerifyProgress | None = None,
    report: Callable[[Pace], None] = lambda _: None,
    workers: int | None = None,
) -> Checked:
    """Recompute the SHA-256 of every recorded file, on all cores.

    Threads serve as well as processes: ``hashlib`` lets other threads run while it works on a
    block (measured in docs/evidence/storage.md).

    Parameters
    ----------
    archive, rolls, all_rolls
        What to check, and how many rolls that is.
    notebook
        Of a check that was interrupted; rolls noted there are not read again.
    report
        Called from one thread as blocks are read.
    workers
        Threads; None for one a core.
    """
    done = Checked()
    stop = threading.Event()
    with ThreadPoolExecutor(workers or os.cpu_count() or 1) as pool:
        try:
            for number, roll in enumerate(rolls):
                if notebook is not None and notebook.has(roll.folder):
                    done.before += 1
                    continue
                pace = _Pacer(roll, number, all_rolls, report)
                findings = _check_roll(archive, roll, pool, stop, done, pace)
                done.rolls += 1
                done.findings += findings
                if notebook is not None and not findings:
                    notebook.add(roll.folder)
        except BaseException:
            stop.set()  # Ctrl-C: the threads stop at their next block
            raise
    return done


class _Pacer:
    """Adds up the bytes that several threads read."""

    def __init__(
        self, roll: Roll, number: int, all_rolls: int, report: Callable[[Pace], None]
    ) -> None:
        self._roll, self._number, self._all = roll, number, all_rolls
        self._report = report
        self._lock = threading.Lock()
        self._done = 0
        self.total = 0

    def add(self, count: int) -> None:
        with self._lock:
            self._done += count
            self._report(Pace(self._roll.name, self._number, self._all, self._done, self.total))


def _check_roll(
    archive: Archive,
    roll: Roll,
    pool: ThreadPoolExecutor,
    stop: threading.Event,
    done: Checked,
    pace: _Pacer,
) -> list[Discrepancy]:
    recorded = archive.store.frames.recorded(roll.id)
    pace.total = sum(size for _, size, _ in recorded)
    pace.add(0)

    def one(entry: tuple[str, int, str]) -> Discrepancy | None:
        name, size, digest = entry
        try:
            path = archive.file(roll, name)
        except ArchiveUnusable as error:
            return Discrepancy(Wrong.UNREADABLE, roll.name, archive.root, error.what)
        return _check_file(roll, path, size, digest, stop, pace)

    findings = [f for f in pool.map(one, recorded) if f is not None]
    done.files += len(recorded)
    done.bytes += pace.total
    try:
        if recorded or archive.folder(roll).exists():
            folder = archive.folder(roll)
            findings += [
                Discrepancy(Wrong.UNKNOWN, roll.name, folder / name)
                for name in archive.unrecorded_files(roll)
            ]
    except FileNotFoundError:
        pass  # every recorded file was named as missing already
    except (OSError, ArchiveUnusable) as error:
        findings.append(Discrepancy(Wrong.UNREADABLE, roll.name, archive.root, str(error)))
    return findings


def _check_file(
    roll: Roll, path: Path, size: int, digest: str, stop: threading.Event, pace: _Pacer
) -> Discrepancy | None:
    try:
        if not path.is_file():
            return Discrepancy(Wrong.MISSING, roll.name, path)
        found = path.stat().st_size
        if found != size:
            return Discrepancy(Wrong.CHANGED, roll.name, path, f"{found} bytes, recorded {size}")
        computed = hashlib.sha256()
        with path.open("rb") as file:
            while (block := file.read(_BLOCK)) and not stop.is_set():
                computed.update(block)
                pace.add(len(block))
        if not stop.is_set() and computed.hexdigest() != digest:
            return Discrepancy(Wrong.CHANGED, roll.name, path, "same size, other bytes")
    except OSError as error:
        return Discrepancy(Wrong.UNREADABLE, roll.name, path, error.strerror or str(error))
    return None


FILE = ".verify.jsonl"

GOOD_FOR = timedelta(days=7)
"""An interrupted check that is older is begun anew."""


class VerifyProgress:
    """A small file in the archive: a line a roll that was found whole.

    Where the archive cannot be written to, a check works without it and begins anew each time.
    """

    def __init__(self, root: Path, *, afresh: bool = False, clock: Clock = system_clock) -> None:
        self._path = root / FILE
        self._clock = clock
        self._done: set[str] = set()
        if afresh or not self._read():
            self.clear()

    @property
    def count(self) -> int:
        """How many rolls are behind an earlier, interrupted check."""
        return len(self._done)

    def has(self, folder: str) -> bool:
        """Tell whether a roll was found whole already."""
        return folder in self._done

    def add(self, folder: str) -> None:
        """Note that a roll was found whole."""
        line = json.dumps({"at": self._clock().isoformat(), "folder": folder}) + "\n"
        with contextlib.suppress(OSError):
            handle = os.open(
                self._path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_NOFOLLOW, 0o644
            )
            with os.fdopen(handle, "a", encoding="ascii") as file:
                file.write(line)

    def clear(self) -> None:
        """Forget everything: the check is through, or is to begin anew."""
        self._done.clear()
        with contextlib.suppress(OSError):
            self._path.unlink()

    def _read(self) -> bool:
        try:
            lines = self._path.read_text(encoding="ascii", errors="replace").splitlines()
            begun = datetime.fromisoformat(json.loads(lines[0])["at"])
            if abs(self._clock() - begun) > GOOD_FOR:
                return False
        except (OSError, ValueError, LookupError, TypeError):
            return False
        for line in lines:
            with contextlib.suppress(ValueError, LookupError, TypeError):
                self._done.add(str(json.loads(line)["folder"]))
        return True
