"""The commands that look after an archive, and the bar that shows how far a command is."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator, Sequence
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
from tether.cli.json_text import json_text
from tether.errors import TetherError
from tether.settings import DeliverySettings
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


def run_verify(root: Path, roll_name: str | None, *, afresh: bool, as_json: bool = False) -> int:
    """Check a roll or the whole archive; return the exit code, 1 when anything is wrong."""
    say: Callable[[str], object] = print if not as_json else lambda _: None
    with contextlib.closing(Archive(root, create=False)) as archive:
        store = archive.store
        copies, not_checked = _copies_to_check(archive)
        noted = None
        damage: list[str] = []
        if roll_name is None:
            damage = store.damage()
            noted = VerifyProgress(archive.root, with_copies=copies is not None, afresh=afresh)
            if noted.count:
                say(f"Resuming a check: {plural(noted.count, 'roll')} done before.")
            rolls, total = store.rolls.all(), store.rolls.totals().rolls
        else:
            rolls, total = iter([store.rolls.named(roll_name)]), 1
        try:
            with _quiet() if as_json else progress() as show:

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
        say(f"the database: {printable(line)}")
    for finding in found.findings:
        say(finding.sentence())
    outcome = _outcome(found, copies)
    say(outcome)
    for line in (not_checked, *_advice(found.findings, archive.root, copies)):
        if line:
            say(line)
    if as_json:
        facts = [_fault_json(finding) for finding in found.findings]
        print(
            json_text(
                files=found.files,
                bytes=found.bytes,
                rolls=found.rolls + found.before,
                rolls_to_copy=found.behind,
                copies_checked=copies is not None,
                database=damage,
                problems=facts,
            )
        )
    is_proof = roll_name is None and copies is not None and not found.behind
    _note(root, roll_name, outcome, found, is_proof=is_proof)
    return 1 if found.findings or damage else 0


@contextlib.contextmanager
def _quiet() -> Iterator[Show]:
    yield lambda *_: None


def _fault_json(fault: Fault) -> dict[str, str]:
    return {"kind": fault.kind.value, "file": str(fault.path), "sentence": fault.sentence()}


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


def run_restore(root: Path, roll_name: str, file: str | None, *, as_json: bool = False) -> int:
    """Bring back a roll's files; return the exit code, 1 when one is right nowhere."""
    from tether.archive.restore import restore

    Archive(root, create=False).close()  # there is one: else it is not made
    lines: list[str] = []
    with contextlib.closing(Archive(root)) as archive:
        roll = archive.store.rolls.named(roll_name)
        copies = find_copies(archive)
        with _quiet() if as_json else progress() as show:
            done = restore(
                archive, roll, copies, file,
                say=lines.append if as_json else print,
                report=lambda name: show("reading files", 0, None, name),
            )  # fmt: skip
    if as_json:
        print(json_text(roll=roll.name, lines=[*lines, done.sentence()], lost=done.lost))
    else:
        print(done.sentence())
    return 1 if done.lost else 0


def run_package(
    root: Path, names: Sequence[str], destination: Path, house: DeliverySettings, *, as_json: bool
) -> None:
    """Make a package of rolls, and say where it is."""
    from tether.archive.bagit_package import package

    with contextlib.closing(Archive(root, create=False)) as archive:
        rolls = [archive.store.rolls.named(name) for name in dict.fromkeys(names)]
        with _quiet() if as_json else progress() as show:
            counted = count()
            made = package(
                archive, rolls, destination,
                lambda name: show("packing files", next(counted), None, name),
                house=house,
            )  # fmt: skip
    if as_json:
        print(json_text(rolls=[roll.name for roll in rolls], package=str(made)))
    else:
        print(f"Package made, read back and valid: {printable(str(made), 500)}")


def run_rebuild(root: Path, *, as_json: bool) -> None:
    """Rebuild the database, and say what was found."""
    from tether.archive.rebuild import rebuild

    lines = list(rebuild(root).words())
    if as_json:
        print(json_text(lines=lines))
        return
    for line in lines:
        print(line)
