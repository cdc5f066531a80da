"""The commands that look after an archive, and the bar that shows how far a command is."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path

from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TaskID,
    TextColumn,
    TimeRemainingColumn,
)

from tether.archive.archive import Archive
from tether.archive.layout import rebuild_command
from tether.archive.second_copy import (
    CopyFolderUnusable,
    find_copies,
    note_copies,
    remembered_copy_folder,
)
from tether.archive.verify import Checked, Fault, FaultKind, Pace, VerifyProgress, check
from tether.errors import TetherError
from tether.text import megabytes, plural, printable

Show = Callable[[str, float, float | None, str], None]
"""Says how far a phase is: its words, done, total (None where nobody knows), and any text."""


@contextlib.contextmanager
def progress(*, lines: bool = False) -> Iterator[Show]:
    """Show the phases of a command, each as a bar that moves.

    Where there is no terminal it shows nothing, or with ``lines`` a line for each finished phase.
    """
    tasks: dict[str, TaskID] = {}
    bars = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        TextColumn("{task.fields[now]}", markup=False),
        transient=True,
        disable=not sys.stdout.isatty(),
    )

    def show(phase: str, done: float, total: float | None, now: str) -> None:
        if bars.disable:
            if lines and done == total:
                print(f"{phase}: {total} done", flush=True)
            return
        if phase not in tasks:
            tasks[phase] = bars.add_task(phase, now="")
        bars.update(tasks[phase], completed=done, total=total, now=printable(now, 40))

    with bars:
        yield show


def run_verify(root: Path, roll_name: str | None, *, afresh: bool) -> int:
    """Check a roll or the whole archive; return the exit code, 1 when anything is wrong."""
    with contextlib.closing(Archive(root, create=False)) as archive:
        store = archive.store
        copies, not_checked = _copies_to_check(archive)
        noted = None
        damage: list[str] = []
        if roll_name is None:
            damage = store.damage()
            noted = VerifyProgress(archive.root, with_copies=copies is not None, afresh=afresh)
            if noted.count:
                print(f"Resuming a check: {plural(noted.count, 'roll')} done before.")
            rolls, total = store.rolls.all(), store.rolls.totals().rolls
        else:
            rolls, total = iter([store.rolls.named(roll_name)]), 1
        try:
            with progress() as show:

                def report(pace: Pace) -> None:
                    share = pace.done_bytes / pace.roll_bytes if pace.roll_bytes else 0.0
                    show("checking rolls", pace.rolls + share, pace.all_rolls, pace.roll)

                found = check(archive, rolls, total, copies=copies, progress=noted, report=report)
        except KeyboardInterrupt:
            raise TetherError(
                "The check was interrupted.",
                kept="" if noted is None else "The rolls checked so far are remembered.",
                todo="Run the same command again to resume it." if noted else "Run it again.",
            ) from None
        if noted is not None:
            noted.clear()
    for line in damage:
        print(f"the database: {printable(line)}")
    for finding in found.findings:
        print(finding.sentence())
    outcome = _outcome(found, copies)
    print(outcome)
    for line in (not_checked, *_advice(found.findings, archive.root, copies)):
        if line:
            print(line)
    is_proof = roll_name is None and copies is not None and not found.behind
    _note(root, roll_name, outcome, found, is_proof=is_proof)
    return 1 if found.findings or damage else 0


def _copies_to_check(archive: Archive) -> tuple[Path | None, str]:
    """Return the copy folder, or None and why its files are not checked."""
    if remembered_copy_folder(archive) is None:
        return None, ""
    try:
        return find_copies(archive), ""
    except CopyFolderUnusable as error:
        return None, f"{error.what} The copies were not checked."


def _outcome(found: Checked, copies: Path | None) -> str:
    wrong = len(found.findings)
    before = f" ({plural(found.before, 'roll')} more before)" if found.before else ""
    behind = f" {plural(found.behind, 'roll')} still to be copied." if found.behind else ""
    return (
        f"{plural(found.files, 'file')} ({megabytes(found.bytes)}) in "
        f"{plural(found.rolls, 'roll')}{before}{'' if copies is None else ', and the copies'}: "
        f"{plural(wrong, 'problem') if wrong else 'all unchanged'}.{behind}"
    )


def _advice(findings: list[Fault], root: Path, copies: Path | None) -> Iterator[str]:
    kinds = {finding.kind for finding in findings}
    if kinds & {FaultKind.MISSING, FaultKind.CHANGED, FaultKind.UNREADABLE}:
        yield (
            "Get missing and changed files back from a package or the card."
            if copies is None
            else "Bring missing and changed files back: tether restore ROLL"
        )
    if FaultKind.UNKNOWN in kinds:
        yield (
            "Move unknown files out of the archive. Or record those that are named like takes: "
            f"{rebuild_command(root)}"
        )


def _note(
    root: Path, roll_name: str | None, outcome: str, found: Checked, *, is_proof: bool
) -> None:
    """Put the outcome into the log and note the copies, where the archive can be written to."""
    with contextlib.suppress(TetherError, OSError), contextlib.closing(Archive(root)) as archive:
        roll_id = None if roll_name is None else archive.store.rolls.named(roll_name).id
        archive.store.journal.log("verify", outcome, roll_id)
        note_copies(archive, found.wrong_copies, found.began if is_proof else None)


def run_restore(root: Path, roll_name: str, file: str | None) -> int:
    """Bring back a roll's files; return the exit code, 1 when one is right nowhere."""
    from tether.archive.restore import restore

    Archive(root, create=False).close()  # there is one: else it is not made
    with contextlib.closing(Archive(root)) as archive:
        roll = archive.store.rolls.named(roll_name)
        copies = find_copies(archive)
        with progress() as show:
            done = restore(
                archive, roll, copies, file,
                say=print, report=lambda name: show("reading files", 0, None, name),
            )  # fmt: skip
    print(done.sentence())
    return 1 if done.lost else 0


def run_package(root: Path, roll_name: str, destination: Path) -> None:
    """Make a package of a roll, and say where it lies."""
    from tether.archive.bagit_package import package

    with contextlib.closing(Archive(root, create=False)) as archive:
        roll = archive.store.rolls.named(roll_name)
        with progress() as show:
            names = count()
            made = package(
                archive, roll, destination,
                lambda name: show("packing files", next(names), None, name),
            )  # fmt: skip
    print(f"Package made, read back and valid: {printable(str(made), 500)}")


def run_rebuild(root: Path) -> None:
    """Rebuild the database, and say what was found."""
    from tether.archive.rebuild import rebuild

    for line in rebuild(root).words():
        print(line)
