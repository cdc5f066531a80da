"""A second folder, on another disk, that gets a verified copy of everything filed.

Copying runs in a thread of its own and never holds the session up. When the second disk goes away
the work goes on; what it lacks is stored, and copied once it is back, be it days later. A copy gets
its name only when it was read back and found equal. When the folder is found, its names, sizes and
times are compared with the archive's; `tether.archive.verify` reads every byte.
"""

from __future__ import annotations

import contextlib
import json
import stat
import threading
import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from pathlib import Path

from tether.archive.archive import Archive, roll_folders
from tether.archive.durable import (
    COARSEST_NS,
    CopyStopped,
    SourceChanged,
    copy_verified,
    is_same,
    matches,
    replace_verified,
    take_time,
)
from tether.archive.fact_files import ROLL_FILE, FactFileUnusable, read_json, write_json
from tether.archive.layout import DAMAGED_FOLDER, DATABASE
from tether.archive.open_roll import hold_roll
from tether.archive.records import CopyState, Roll
from tether.disk import flush_folder, make_folder, sweep
from tether.errors import TetherError
from tether.paths import whole_path
from tether.text import parsed_json, plural, printable

MARK_FILE = "tether-copy.json"
"""Lies in a copy folder: an empty mount point without it is not mistaken for the disk."""

RETRY_SECONDS = 5.0
"""How often a copy folder that went away is looked for."""

_FOLDER, _NUMBER = "copy folder", "number"
_PROVED = "copies proved"
_IN_DOUBT = "copies in doubt"
_TIMES_SINCE = "copies have times since"
_MOST_IN_DOUBT = 10_000


class CopyFolderUnusable(TetherError):
    """The folder cannot hold the copies; nothing was copied."""


def choose_copy_folder(archive: Archive, folder: Path) -> Path:
    """Make a folder the archive's copy folder, and remember it.

    Raises
    ------
    CopyFolderUnusable
        When it lies in the archive (or the other way round), cannot be written to, or belongs to
        another archive.
    """
    folder = whole_path(folder)
    where = printable(str(folder))
    root, inner = archive.root.resolve(), folder.resolve()
    if root == inner or root in inner.parents or inner in root.parents:
        raise CopyFolderUnusable(
            f"{where} and the archive lie one in the other.",
            kept="Nothing was changed.",
            todo="Name a folder on another disk with --copy.",
        )
    known = archive.store.fact(_FOLDER) == str(folder)
    own = archive.store.fact(_NUMBER)
    number = own or uuid.uuid4().hex
    if known and not (folder / MARK_FILE).exists():
        return folder  # the disk is away; the mirror waits for it
    try:
        folder.mkdir(exist_ok=True)  # not those above it: the disk may be away
        flush_folder(folder)
        flush_folder(folder.parent)
        is_new = not any(folder.iterdir())
        if (folder / MARK_FILE).exists():
            held = str(read_json(folder / MARK_FILE).get("archive"))
            if own is None and _same_rolls(archive, folder):
                number = held  # the archive's database was built anew, and knows it no more
            if held != number:
                raise CopyFolderUnusable(
                    f"{where} holds the copies of another archive.",
                    kept="Nothing was changed.",
                    todo="Name another folder with --copy.",
                )
        else:
            write_json(folder / MARK_FILE, {"archive": number, "from": str(archive.root)})
    except (OSError, FactFileUnusable) as error:
        raise CopyFolderUnusable(
            f"The copy folder {where} cannot be used: {getattr(error, 'strerror', error)}.",
            kept="Nothing was changed.",
            todo="Attach the disk, or name another folder with --copy.",
        ) from error
    archive.store.set_fact(_NUMBER, number)
    if not known:
        # In an empty folder every copy is made, and read, from now on.
        archive.store.set_fact(_PROVED, archive.store.stamp() if is_new else None)
        archive.store.set_fact(_FOLDER, str(folder))
        archive.store.journal.all_fall_behind()
    return folder


def _same_rolls(archive: Archive, folder: Path) -> bool:
    """Tell whether a folder holds copies of rolls of the archive, and no roll that only has a
    name in common with one of them.
    """
    here = {path.name: path for path in roll_folders(archive.root)}
    both = [path for path in roll_folders(folder) if path.name in here]
    return bool(both) and all(_begun(path) == _begun(here[path.name]) for path in both)


def _begun(roll_folder: Path) -> tuple[object, object]:
    facts = read_json(roll_folder / ROLL_FILE)
    return facts.get("name"), facts.get("created_at")


def forget_copy_folder(archive: Archive) -> None:
    """Copy no longer. What was copied stays where it is."""
    archive.store.set_fact(_FOLDER, None)


def remembered_copy_folder(archive: Archive) -> Path | None:
    """Return the archive's copy folder, None where it has none."""
    folder = archive.store.fact(_FOLDER)
    return Path(folder) if folder and Path(folder).is_absolute() else None


def find_copies(archive: Archive) -> Path:
    """Return the archive's copy folder, which is there and holds this archive's copies.

    Raises
    ------
    CopyFolderUnusable
        When the archive has none, or it is not there, or holds another archive's copies.
    """
    folder = remembered_copy_folder(archive)
    if folder is None:
        raise CopyFolderUnusable("The archive has no copy folder.")
    try:
        _check_mark(archive, folder)
    except (OSError, TetherError) as error:
        raise CopyFolderUnusable(
            f"The copy folder {printable(str(folder))} cannot be used: {_why(error)}.",
            todo="Attach its disk.",
        ) from error
    return folder


def _check_mark(archive: Archive, folder: Path) -> None:
    mark = folder / MARK_FILE
    if not mark.is_file():
        raise FileNotFoundError(2, "it is not there")
    if read_json(mark).get("archive") != archive.store.fact(_NUMBER):
        raise CopyFolderUnusable("it holds the copies of another archive")


def _why(error: OSError | TetherError) -> str:
    return (error.strerror if isinstance(error, OSError) else None) or str(error)


def note_copies(archive: Archive, wrong: Iterable[tuple[Roll, str]], proved: str | None) -> None:
    """Store what a check of the copies found.

    Parameters
    ----------
    wrong
        Copies that are missing or not right: they are made again by the next `SecondCopy`.
    proved
        When the check began that found every copy of the archive right; None for another check.
    """
    wrong = list(wrong)
    if wrong:
        doubt = _in_doubt(archive) | {f"{roll.folder}/{name}" for roll, name in wrong}
        archive.store.set_fact(_IN_DOUBT, json.dumps(sorted(doubt)[:_MOST_IN_DOUBT]))
        for roll in {roll.id: roll for roll, _ in wrong}.values():
            archive.store.journal.fall_behind(roll.id)
        archive.store.set_fact(_PROVED, None)
    elif proved is not None:
        archive.store.set_fact(_PROVED, proved)


def _in_doubt(archive: Archive) -> set[str]:
    with contextlib.suppress(ValueError):
        found = parsed_json(archive.store.fact(_IN_DOUBT) or "[]")
        return {x for x in found if isinstance(x, str)} if isinstance(found, list) else set()
    return set()


def _make_inside(outer: Path, folder: Path) -> None:
    """Make a folder of copies; none is made or written through a link to somewhere else."""
    for path in (folder, *folder.parents):
        if path == outer:
            break
        if path.is_symlink():
            raise CopyFolderUnusable(f"{printable(str(path), 300)} is a link")
    make_folder(folder)


class SecondCopy:
    """Copies what is filed, in a thread. Made with a folder from `choose_copy_folder`."""

    def __init__(self, archive: Archive, folder: Path, retry: float = RETRY_SECONDS) -> None:
        self._archive = archive
        self._folder = folder
        self._retry = retry
        self._away = ""
        self._news: list[str] = []
        self._said: set[tuple[int, str]] = set()
        self._lacking: dict[int, int] = {}
        self._to_compare: Iterator[Roll] | None = archive.store.rolls.all()
        self._times_since = self._stored_times_since()
        self._turn = threading.Condition()
        self._stop = threading.Event()
        self._news_came = threading.Event()
        self._thread = threading.Thread(target=self._run, name="copy folder", daemon=True)

    def _stored_times_since(self) -> datetime:
        """Return since when copies have their sources' times: an older program gave them none."""
        store = self._archive.store
        with contextlib.suppress(ValueError):
            found = datetime.fromisoformat(store.fact(_TIMES_SINCE) or "")
            if found.tzinfo is not None:
                return found
        store.set_fact(_TIMES_SINCE, store.stamp())
        return self._archive.clock()

    def start(self) -> None:
        """Begin to copy what is behind."""
        self._thread.start()

    def nudge(self, roll: Roll) -> None:
        """Say that a roll has something new. Returns at once."""
        self._archive.store.journal.fall_behind(roll.id)
        self._news_came.set()
        with self._turn:
            self._turn.notify_all()

    def state(self) -> CopyState:
        """Return what is known of the copy folder."""
        store = self._archive.store
        return CopyState(
            self._folder,
            store.journal.count_behind(),
            self._away,
            sum(self._lacking.values()),
            self._to_compare is None,
            (store.fact(_PROVED) or "")[:10],
        )

    def news(self) -> tuple[str, ...]:
        """Return what there is to say since the last call."""
        with self._turn:
            said, self._news = tuple(self._news), []
        return said

    def finish(self, seconds: float = 600.0) -> CopyState:
        """Wait until everything is copied and compared, the disk is away, or the time is up."""
        with self._turn:
            self._turn.notify_all()
            self._turn.wait_for(lambda: bool(self._away) or self._is_done(), seconds)
        return self.state()

    def _is_done(self) -> bool:
        return self._to_compare is None and not self._archive.store.journal.behind(1)

    def close(self) -> None:
        """Stop copying; a copy that is under way is given up and made anew next time."""
        self._stop.set()
        with self._turn:
            self._turn.notify_all()
        if self._thread.is_alive():
            self._thread.join()

    def _run(self) -> None:
        while not self._stop.is_set():
            behind: list[tuple[int, int]] = []
            try:
                self._news_came.clear()
                behind = self._archive.store.journal.behind()
                if not self._copy_all(behind):
                    continue
                if not behind and self._to_compare is not None:
                    self._compare(self._to_compare)
                    continue
                if behind:
                    self._set_away("")
            except CopyStopped:
                return
            except (OSError, TetherError) as error:
                self._set_away(_why(error))
            with self._turn:
                self._turn.notify_all()
                if not self._stop.is_set() and (not behind or self._away):
                    # New work wakes this thread; a disk that is away is looked for again.
                    self._turn.wait(self._retry)

    def _copy_all(self, behind: Sequence[tuple[int, int]]) -> bool:
        """Copy the pictures of all rolls that are behind, then the rest; False: begin anew."""
        rolls = [(self._archive.store.rolls.by_id(number), mark) for number, mark in behind]
        for roll, _ in rolls:
            _check_mark(self._archive, self._folder)
            self._copy(roll)
        for roll, mark in rolls:
            if self._stop.is_set():
                raise CopyStopped
            _check_mark(self._archive, self._folder)
            if not self._copy_beside(roll):
                return False
            self._archive.store.journal.catch_up(roll.id, mark)
        return True

    def _compare(self, rolls: Iterator[Roll]) -> None:
        """Compare the folder with the archive, roll by roll; what differs falls behind.

        Returns early when there is something to copy, and goes on with the next roll then.
        """
        _check_mark(self._archive, self._folder)
        doubt = _in_doubt(self._archive)
        while not self._news_came.is_set():
            if self._stop.is_set():
                raise CopyStopped
            if (roll := next(rolls, None)) is None:
                self._to_compare = None
                if not self._archive.store.journal.behind(1):
                    self._set_away("")
                return
            if self._differs(roll, doubt):
                self._archive.store.journal.fall_behind(roll.id)

    def _differs(self, roll: Roll, doubt: set[str]) -> bool:
        source, target = self._archive.folder(roll), self._folder / roll.folder
        if any(
            f"{roll.folder}/{name}" in doubt
            or self._is_doubtful(source / name, target / name, size)
            for name, size, _ in self._archive.store.frames.recorded(roll.id)
        ):
            return True
        try:
            return not all(
                is_same(source / p, (source / p).stat(), target / p)
                for p in self._archive.derived_files(roll)
            )
        except OSError:
            return True

    def _is_doubtful(self, source: Path, copy: Path, size: int) -> bool:
        """Tell by name, size and time whether a copy may be another file than was written."""
        try:
            there = copy.lstat()
        except OSError:
            return True
        if not stat.S_ISREG(there.st_mode) or there.st_size != size:
            return True
        with contextlib.suppress(OSError):
            apart = abs(there.st_mtime_ns - source.stat().st_mtime_ns)
            return apart > COARSEST_NS and there.st_mtime >= self._times_since.timestamp()
        return False

    def _set_away(self, why: str) -> None:
        with self._turn:
            before, self._away = self._away, why
            where = printable(str(self._folder))
            if why and not before:
                self._news.append(
                    f"The copy folder {where} cannot be used: {why}. You can continue; the "
                    "copies are made when it is back."
                )
                self._to_compare = self._archive.store.rolls.all()
            elif before and not why:
                self._news.append(f"The copy folder {where} is back and has caught up.")

    def _say(self, text: str, roll: Roll) -> None:
        if (roll.id, text) in self._said:
            return  # once is enough, however often the roll is looked at
        self._said.add((roll.id, text))
        with self._turn:
            self._news.append(text)
        self._archive.store.journal.log("copy", text, roll.id)

    def _copy(self, roll: Roll) -> None:
        """Copy what is recorded of a roll; a wrong copy is kept aside and made again."""
        archive = self._archive
        source, target = archive.folder(roll), self._folder / roll.folder
        _make_inside(self._folder, target)
        if roll.id not in self._lacking:  # the first time
            sweep(target, "**/.copy-*.part")
        doubt = _in_doubt(archive)
        copied = 0
        lacking: list[SourceChanged] = []
        for name, size, digest in archive.store.frames.recorded(roll.id):
            final, key = target / name, f"{roll.folder}/{name}"
            if key not in doubt and not self._is_doubtful(source / name, final, size):
                continue
            try:
                if matches(final, size, digest):
                    take_time(archive.file(roll, name), final)
                else:
                    _make_inside(target, final.parent)
                    aside = copy_verified(archive.file(roll, name), final, size, digest, self._stop)
                    copied += 1
                    if aside is not None:
                        self._say(
                            f"{printable(name)} in the copy folder had wrong bytes. It "
                            f"is kept there as {DAMAGED_FOLDER}/{printable(aside.name)}, and "
                            "copied again.",
                            roll,
                        )
            except SourceChanged as error:
                lacking.append(error)
        if lacking:
            more = f" (and {plural(len(lacking) - 1, 'file')} more)" if lacking[1:] else ""
            self._say(f"{lacking[0]} It was not copied{more}.", roll)
        self._lacking[roll.id] = len(lacking)
        if doubt and (rest := {x for x in doubt if not x.startswith(f"{roll.folder}/")}) != doubt:
            archive.store.set_fact(_IN_DOUBT, json.dumps(sorted(rest)))
        if copied:
            archive.store.journal.log(
                "copy", f"{plural(copied, 'file')} copied and verified", roll.id
            )

    def _copy_beside(self, roll: Roll) -> bool:
        """Copy what lies beside: facts, sidecars, positives; False when a picture came meanwhile.

        Pictures come first, they are what cannot be made again.
        """
        folder, target = self._archive.folder(roll), self._folder / roll.folder
        for inside in self._archive.derived_files(roll):
            if self._news_came.is_set():
                return False
            final = target / inside
            _make_inside(target, final.parent)
            with contextlib.suppress(SourceChanged):  # taken away or replaced meanwhile
                replace_verified(folder / inside, final, self._stop)
        return True


def note_delivery(root: Path, roll_name: str, words: str, say: Callable[[str], None]) -> None:
    """Log a delivery, and copy sidecars and positives to the second folder where there is one.

    Where the archive cannot be written to that is no trouble: what was delivered is there. Where
    another program is at work on the roll, that one writes the log file and copies.

    Parameters
    ----------
    root, roll_name
        The archive's folder, and the roll that was delivered.
    words
        What came of it, for the log.
    say
        Called with what there is to say about the copies.
    """
    if not (root / DATABASE).is_file():
        return
    with (
        contextlib.suppress(TetherError, OSError),
        contextlib.closing(Archive(root)) as archive,
    ):
        roll = archive.store.rolls.named(roll_name)
        archive.store.journal.log("deliver", printable(words, 2000), roll.id)
        folder = remembered_copy_folder(archive)
        if folder is not None:
            archive.store.journal.fall_behind(roll.id)
        lock = hold_roll(archive, roll)
        try:
            archive.write_log(roll)
            if folder is not None:
                _copy(archive, folder, say)
        finally:
            lock.release()


def _copy(archive: Archive, folder: Path, say: Callable[[str], None]) -> None:
    say("Copying to the second folder; Ctrl-C leaves it for the next time.")
    archive.second_copy = SecondCopy(archive, folder)
    archive.second_copy.start()
    # What was interrupted is stored as behind; the next start goes on with it.
    with contextlib.suppress(KeyboardInterrupt):
        archive.second_copy.finish()
    say(archive.second_copy.state().sentence())
