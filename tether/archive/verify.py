"""Fixity: whether every recorded file, and its copy, is still there with the bytes it came with."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import threading
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum
from pathlib import Path

from tether.archive.archive import Archive, ArchiveUnusable
from tether.archive.records import Roll
from tether.clock import Clock, stamp, system_clock
from tether.text import parsed_json, printable

_BLOCK = 1 << 20


class FaultKind(StrEnum):
    """What can be wrong with a file."""

    MISSING = "missing"
    CHANGED = "changed"
    UNREADABLE = "unreadable"
    UNKNOWN = "not recorded"


@dataclass(frozen=True, slots=True)
class Fault:
    """A file that is not as it should be; ``in_copies`` for one in the copy folder."""

    kind: FaultKind
    path: Path
    why: str = ""
    in_copies: bool = False

    def sentence(self) -> str:
        """Say it on one line."""
        where = " in the copy folder" if self.in_copies else ""
        return f"{self.kind.value}{where}: {printable(str(self.path), 500)}" + (
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
    """What a check found.

    ``before`` rolls were checked by an earlier, interrupted check; ``wrong_copies`` are the
    recorded files that have no right copy, ``behind`` the rolls that are still to be copied.
    """

    began: str
    rolls: int = 0
    files: int = 0
    bytes: int = 0
    before: int = 0
    behind: int = 0
    findings: list[Fault] = field(default_factory=list)
    wrong_copies: list[tuple[Roll, str]] = field(default_factory=list)


def check(
    archive: Archive,
    rolls: Iterable[Roll],
    all_rolls: int,
    *,
    copies: Path | None = None,
    progress: VerifyProgress | None = None,
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
    copies
        The copy folder, whose files are read as well; None to leave it out.
    progress
        Of a check that was interrupted; rolls noted there are not read again.
    report
        Called from one thread as blocks are read.
    workers
        Threads; None for one a core.
    """
    done = Checked(archive.store.stamp() if progress is None else progress.began)
    stop = threading.Event()
    with ThreadPoolExecutor(workers or os.cpu_count() or 1) as pool:
        try:
            for number, roll in enumerate(rolls):
                if progress is not None and progress.has(roll.folder):
                    done.before += 1
                    continue
                pace = _Pacer(roll, number, all_rolls, report)
                before = len(done.findings) + done.behind
                _check_roll(archive, roll, copies, pool, stop, done, pace)
                done.rolls += 1
                if progress is not None and len(done.findings) + done.behind == before:
                    progress.add(roll.folder)
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
    copies: Path | None,
    pool: ThreadPoolExecutor,
    stop: threading.Event,
    done: Checked,
    pace: _Pacer,
) -> None:
    """Check the files of a roll, and their copies; add what was found to ``done``."""
    recorded = archive.store.frames.recorded(roll.id)
    is_behind = copies is not None and archive.store.journal.is_behind(roll.id)
    pace.total = sum(size for _, size, _ in recorded) * (1 if copies is None else 2)
    pace.add(0)

    def one(entry: tuple[str, int, str]) -> Fault | None:
        name, size, digest = entry
        try:
            path = archive.file(roll, name)
        except ArchiveUnusable as error:
            return Fault(FaultKind.UNREADABLE, archive.root, error.what)
        return fault_of(path, size, digest, stop, pace.add)

    def copy(entry: tuple[str, int, str]) -> Fault | None:
        name, size, digest = entry
        try:
            archive.file(roll, name)  # a name that is none was found above
        except ArchiveUnusable:
            return None
        assert copies is not None
        fault = fault_of(copies / roll.folder / name, size, digest, stop, pace.add)
        if fault is None or (is_behind and fault.kind is FaultKind.MISSING):
            return None
        return replace(fault, in_copies=True)

    done.findings += [f for f in pool.map(one, recorded) if f is not None]
    if copies is not None:
        done.behind += is_behind
        for (name, _, _), fault in zip(recorded, pool.map(copy, recorded), strict=True):
            if fault is not None:
                done.findings.append(fault)
                done.wrong_copies.append((roll, name))
    done.files += len(recorded)
    done.bytes += sum(size for _, size, _ in recorded)
    try:
        if recorded or archive.folder(roll).exists():
            folder = archive.folder(roll)
            done.findings += [
                Fault(FaultKind.UNKNOWN, folder / name) for name in archive.unrecorded_files(roll)
            ]
    except FileNotFoundError:
        pass  # every recorded file was named as missing already
    except (OSError, ArchiveUnusable) as error:
        done.findings.append(Fault(FaultKind.UNREADABLE, archive.root, str(error)))


def fault_of(
    path: Path,
    size: int,
    sha256: str,
    stop: threading.Event | None = None,
    read: Callable[[int], object] = lambda _: None,
) -> Fault | None:
    """Read a file and return what is wrong with it, None where it is what was recorded.

    ``read`` is called with the bytes of each block; once ``stop`` is set nothing more is read.
    """
    try:
        if not path.is_file():
            return Fault(FaultKind.MISSING, path)
        found = path.stat().st_size
        if found != size:
            return Fault(FaultKind.CHANGED, path, f"{found} bytes, recorded {size}")
        computed = hashlib.sha256()
        with path.open("rb") as file:
            while (block := file.read(_BLOCK)) and not (stop is not None and stop.is_set()):
                computed.update(block)
                read(len(block))
        if not (stop is not None and stop.is_set()) and computed.hexdigest() != sha256:
            return Fault(FaultKind.CHANGED, path, "same size, other bytes")
    except OSError as error:
        return Fault(FaultKind.UNREADABLE, path, error.strerror or str(error))
    return None


FILE = ".verify.jsonl"

GOOD_FOR = timedelta(days=7)
"""An interrupted check that is older is begun anew."""


class VerifyProgress:
    """A small file in the archive: a line a roll that was found whole.

    Where the archive cannot be written to, a check works without it and begins anew each time.

    Parameters
    ----------
    root
        The archive's folder.
    with_copies
        Whether the copies are read too: rolls that were checked without them are checked again.
    afresh
        Forget an earlier check.
    """

    def __init__(
        self,
        root: Path,
        *,
        with_copies: bool = False,
        afresh: bool = False,
        clock: Clock = system_clock,
    ) -> None:
        self._path = root / FILE
        self._clock = clock
        self._with_copies = with_copies
        self._done: set[str] = set()
        self.began = stamp(clock())
        """When the check began, as it is stored."""
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
        facts = {"at": self._clock().isoformat(), "folder": folder, "copies": self._with_copies}
        with contextlib.suppress(OSError):
            handle = os.open(
                self._path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_NOFOLLOW, 0o644
            )
            with os.fdopen(handle, "a", encoding="ascii") as file:
                file.write(json.dumps(facts) + "\n")

    def clear(self) -> None:
        """Forget everything: the check is through, or is to begin anew."""
        self._done.clear()
        with contextlib.suppress(OSError):
            self._path.unlink()

    def _read(self) -> bool:
        try:
            lines = self._path.read_text(encoding="ascii", errors="replace").splitlines()
            begun = datetime.fromisoformat(parsed_json(lines[0])["at"])
            if abs(self._clock() - begun) > GOOD_FOR:
                return False
        except (OSError, ValueError, LookupError, TypeError):
            return False
        for line in lines:
            with contextlib.suppress(ValueError, LookupError, TypeError):
                facts = parsed_json(line)
                if facts.get("copies") is True or not self._with_copies:
                    self._done.add(str(facts["folder"]))
        self.began = stamp(begun)
        return True
