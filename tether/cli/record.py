"""The commands for what is known of rolls: to see it and to change it."""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tether.cli.options import (
    PATH,
    Int,
    archive_option,
    default_archive,
    json_option,
    roll_argument,
)
from tether.errors import TetherError
from tether.text import plural, printable

if TYPE_CHECKING:
    from tether.archive.archive import Archive
    from tether.archive.records import Roll
    from tether.archive.roll_list import ListPlan, Matched
    from tether.archive.roll_values import Change
    from tether.archive.waiting import WaitingRoll
    from tether.description import RollDescription
    from tether.spreadsheet import Table

FACTS_VERSION = 1
"""Of the JSON of ``tether edit``."""


fact_option = click.option(
    "--fact",
    multiple=True,
    metavar="FACT=VALUE",
    help='A fact of the film, as in photographer="A. Field". May be given again.',
)


def described(facts: tuple[str, ...]) -> RollDescription:
    """Return the description that ``--fact`` gave."""
    from tether.description import RollDescription

    return RollDescription().changed(pairs(facts))


@click.command()
@roll_argument("Name of the roll, begun or waiting.")
@click.argument("facts", nargs=-1, metavar="[FACT=VALUE]...", help="What to change. None: show it.")
@archive_option
@click.option("--frame", type=Int(1), help="Change this frame of the roll.")
@click.option("--undo", is_flag=True, help="Take back the last change of the roll.")
@json_option
def edit(
    roll: str,
    facts: tuple[str, ...],
    archive: Path | None,
    frame: int | None,
    undo: bool,
    as_json: bool,
) -> None:
    """Show or change the facts of a roll or frame.

    Example: tether edit "Harbour 1987" photographer="A. Field" date=1987-06~. An empty value takes
    a fact away. Folder and files keep their names.
    """
    from tether.archive.archive import Archive

    if undo and facts:
        raise click.UsageError("Give facts or --undo, not both.")
    said = pairs(facts)
    changes = bool(undo or said)
    where = archive or default_archive()
    if changes:
        Archive(where, create=False).close()  # there is one: else it would be made
    with closing(Archive(where, create=changes)) as opened:
        store = opened.store
        waiting = store.waiting.named(roll)
        found = waiting or store.rolls.named(roll)
        if undo:
            _undo(opened, found, roll)
        elif said:
            _change(opened, found, frame, said)
        else:
            _show(opened, found, frame, as_json=as_json)


def pairs(facts: tuple[str, ...]) -> dict[str, str]:
    """Return what was written as FACT=VALUE, by key."""
    said: dict[str, str] = {}
    for fact in facts:
        key, equals, text = fact.partition("=")
        if not equals:
            raise click.UsageError(
                f"'{printable(fact, 40)}' is not understood. Write FACT=VALUE, as in "
                'photographer="A. Field".'
            )
        said[key.strip().casefold().replace("-", "_").replace(" ", "_")] = text
    return said


def _change(
    archive: Archive, found: Roll | WaitingRoll, frame: int | None, said: Mapping[str, str]
) -> None:
    from tether.archive.edits import edit_frame, edit_roll, edit_waiting
    from tether.archive.records import RollError
    from tether.archive.waiting import WaitingRoll

    if isinstance(found, WaitingRoll):
        if frame is not None:
            raise RollError(
                "This roll is not begun: it has no frames yet.", kept="Nothing was changed."
            )
        edited = edit_waiting(found, found.changed(said))
        name = found.new.name
    else:
        frames = archive.store.frames.of(found)
        name = found.name
        if frame is None:
            edited = edit_roll(found, frames, said)
        else:
            if frame > len(frames):
                raise RollError(
                    f"This roll has frames 1 to {len(frames)}, not {frame}.",
                    kept="Nothing was changed.",
                )
            edited = edit_frame(found, frames[frame - 1], said)
    if not edited.changes:
        click.echo("Nothing to change: it is so already.")
        return
    what = f"edit {name}" + (f", frame {frame}" if frame else "")
    with _held(archive, found, edited.changes):
        archive.store.edits.apply(what, [edited])
    _write_files(archive, [] if isinstance(found, WaitingRoll) else [found.id])
    for change in edited.changes:
        click.echo(change.sentence())
    keys = {change.key for change in edited.changes}
    if isinstance(found, WaitingRoll):
        return
    if "name" in keys:
        click.echo(f"Folder and files keep their names: {printable(found.folder)}")
    if "film" in keys:
        click.echo("Frames judged before keep their verdicts. Deliver the roll again.")


@contextmanager
def _held(
    archive: Archive, found: Roll | WaitingRoll, changes: tuple[Change, ...]
) -> Iterator[None]:
    """Hold a roll of which something is changed that its checklist builds on."""
    from tether.archive.open_roll import hold_roll
    from tether.archive.waiting import WaitingRoll

    lock = None
    if not isinstance(found, WaitingRoll) and any(c.key in _STRUCTURE for c in changes):
        lock = hold_roll(archive, found)
    try:
        yield
    finally:
        if lock is not None:
            lock.release()


_STRUCTURE = frozenset({"name", "film", "format", "frames", "frames_per_strip"})


def _write_files(archive: Archive, rolls: Iterable[int]) -> None:
    """Write what is known beside the raw files, and say what is written later."""
    from tether.archive.open_roll import write_where_free

    archive.write_waiting()
    if left := write_where_free(archive, rolls):
        click.echo(f"The files of {plural(left, 'roll')} are written at the next start of each.")


@click.command("import")
@click.argument("file", type=PATH, required=False, metavar="LIST", help="CSV or XLSX.")
@archive_option
@click.option(
    "--column",
    multiple=True,
    metavar="HEADING=FACT",
    help="A column of the list and its fact. May be given again.",
)
@click.option("--overwrite", is_flag=True, help="Overwrite facts that differ.")
@click.option("--yes", is_flag=True, help="Import without a question.")
@click.option("--undo", is_flag=True, help="Take the last import back.")
def import_list(
    file: Path | None,
    archive: Path | None,
    column: tuple[str, ...],
    overwrite: bool,
    yes: bool,
    undo: bool,
) -> None:
    """Import a list of rolls; new ones wait.

    Shows first what the list would change. A roll that waits begins with: tether shoot NAME.
    """
    from tether.archive.archive import Archive
    from tether.archive.roll_list import match_headings, plan_list
    from tether.spreadsheet import read_table

    if (file is None) != undo:
        raise click.UsageError("Give a list, or --undo alone.")
    with closing(Archive(archive or default_archive())) as opened:
        edits = opened.store.edits
        if file is None:
            last = edits.last_called("import ")
            if last is None:
                raise TetherError("No list was imported that could be taken back.")
            take_back(opened, last[0])
            return
        table = read_table(file)
        matched = match_headings(table, dict(_column(text) for text in column))
        plan = plan_list(opened.store, table, matched)
        for line in plan_words(table, matched, plan, overwrite=overwrite):
            click.echo(line)
        wanted = plan.edits(overwrite=overwrite)
        if not wanted:
            click.echo("Nothing to import.")
            return
        if not yes and not (sys.stdin.isatty() and click.confirm("Import?")):
            click.echo("Nothing was imported. To import it, add --yes.")
            return
        rolls = edits.apply(f"import {file.name}", wanted)
        _write_files(opened, rolls)
        click.echo(f"Imported: {plural(len(wanted), 'change')}. Take it back: tether import --undo")


def _column(text: str) -> tuple[str, str]:
    heading, equals, key = text.rpartition("=")
    if not equals:
        raise click.UsageError(f"Write HEADING=FACT, not '{printable(text, 40)}'.")
    return heading, key.strip().casefold().replace("-", "_").replace(" ", "_")


_SHOWN = 5
"""Examples of each kind in a preview."""


def plan_words(table: Table, matched: Matched, plan: ListPlan, *, overwrite: bool) -> Iterator[str]:
    """Say what a list would change, with a few examples of each kind."""
    yield f"{plural(len(table.rows), 'line')} ({table.kind}). Columns:"
    for index, key in matched.columns.items():
        yield f"  {printable(table.headings[index], 40)} -> {key}"
    if matched.unknown:
        names = ", ".join(printable(heading, 30) for heading in matched.unknown)
        yield f"  not imported: {names} (name them with --column HEADING=FACT)"
    changes = len(plan.overwriting if overwrite else plan.filled)
    yield (
        f"{plural(len(plan.new), 'new roll')} for the list, "
        f"{plural(changes, 'roll or frame', 'rolls or frames')} with new facts, "
        f"{plural(plan.unchanged, 'line')} with nothing new."
    )
    for edit in plan.new[:_SHOWN]:
        said = "; ".join(f"{c.key}: {printable(c.after, 60)}" for c in edit.changes if c.after)
        yield f"  + {said}"
    if plan.differing:
        what = "overwritten" if overwrite else "kept as it is (--overwrite changes it)"
        yield f"{plural(len(plan.differing), 'other value')} of the list, each {what}:"
    for where, change in plan.differing[:_SHOWN]:
        yield f"  {printable(where, 60)}: {change.sentence()}"
    if plan.problems:
        yield f"{plural(len(plan.problems), 'problem')}; each is left as it is:"
    for problem in plan.problems[: 4 * _SHOWN]:
        yield f"  {problem}"


def _undo(archive: Archive, found: Roll | WaitingRoll, name: str) -> None:
    last = archive.store.edits.last(found)
    if last is None:
        raise TetherError(f"Nothing was changed by hand in '{printable(name)}'.")
    take_back(archive, last[0])


def take_back(archive: Archive, batch: int) -> None:
    """Take a batch of changes back, and say what came of it."""
    done = archive.store.edits.take_back(batch)
    _write_files(archive, done.rolls)
    click.echo(f"Taken back: {printable(done.what)} ({plural(done.count, 'change')}).")
    for line, count in Counter(done.kept).items():
        click.echo(line if count == 1 else f"{line} ({count} times)")


def _show(archive: Archive, found: Roll | WaitingRoll, frame: int | None, *, as_json: bool) -> None:
    from tether.archive.roll_values import differences, frame_values, roll_values
    from tether.archive.waiting import WaitingRoll

    if isinstance(found, WaitingRoll):
        values, frames = found.values(), []
    else:
        values = roll_values(found.as_new())
        frames = list(archive.store.frames.of(found))
    if as_json:
        described = [
            {"frame": f.number, "note": f.note, **f.description.stored}
            for f in frames
            if f.note or f.description
        ]
        new = found.new if isinstance(found, WaitingRoll) else found.as_new()
        shown: dict[str, Any] = {
            "version": FACTS_VERSION,
            "waiting": isinstance(found, WaitingRoll),
            **(found if isinstance(found, WaitingRoll) else WaitingRoll(new)).stored(),
            "frames": described,
        }
        click.echo(json.dumps(shown, indent=1, ensure_ascii=False))
        return
    if frame is not None:
        values = frame_values(frames[frame - 1]) if 0 < frame <= len(frames) else {}
    for key, text in values.items():
        click.echo(f"{key:<17} {printable(text, 2000)}".rstrip())
    if frame is None:
        if not isinstance(found, WaitingRoll):
            former = "; ".join(found.description.former_names)
            if former:
                click.echo(f"{'former names':<17} {printable(former, 2000)}")
        for f in frames:
            said = "; ".join(c.sentence() for c in differences({}, frame_values(f)))
            if said:
                click.echo(f"frame {f.number:<11} {said}")
