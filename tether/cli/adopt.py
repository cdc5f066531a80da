"""The command that takes in raw files that were taken without the program."""

from __future__ import annotations

import sys
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tether.cli.options import (
    PATH,
    Int,
    archive_option,
    default_archive,
    read_settings,
    roll_argument,
    settings_option,
)
from tether.text import megabytes, plural, printable

if TYPE_CHECKING:
    from tether.session.adoption import AdoptionPlan

_MOST = 20
"""Problems that are shown."""


@click.command()
@roll_argument("Name of a roll of the archive.")
@click.argument("files", nargs=-1, type=PATH, required=True, help="Raw files, in their order.")
@archive_option
@click.option("--first", type=Int(1), help="Frame of the first file. [default: the first free one]")
@click.option("--reverse", is_flag=True, help="The last file is the first frame.")
@click.option("--keep", is_flag=True, help="Keep the frames whose verdict is keep.")
@click.option("--yes", is_flag=True, help="Copy without a question.")
@settings_option
def adopt(
    roll: str,
    files: tuple[Path, ...],
    archive: Path | None,
    first: int | None,
    reverse: bool,
    keep: bool,
    yes: bool,
    settings: Path | None,
) -> None:
    """Copy raw files from elsewhere into a roll.

    Shows first which file becomes which frame. The originals are read and never changed. Give the
    same command again after an interruption.
    """
    from tether.archive.archive import Archive, refuse_rehearsals
    from tether.cli.archive import progress
    from tether.session.adoption import Adoption, plan_adoption
    from tether.session.judge import Judge

    where = archive or default_archive()
    Archive(where, create=False).close()  # there is one: else it would be made
    refuse_rehearsals(where)
    with closing(Archive(where)) as opened:
        found = opened.store.rolls.named(roll)
        given = files[::-1] if reverse else files
        with progress() as show:
            plan = plan_adoption(
                opened, found, given, first,
                lambda name: show("reading files", 0, None, name),
            )  # fmt: skip
        _show(plan)
        if not plan.files:
            raise click.exceptions.Exit(1 if plan.problems else 0)
        if not yes and not (sys.stdin.isatty() and click.confirm("Copy them?")):
            click.echo("Nothing was copied. To copy them, add --yes.")
            return
        with (
            closing(Judge()) as judge,
            closing(Adoption(opened, found, judge, read_settings(settings))) as adoption,
        ):
            adoption.check_room(plan)
            for file in plan.files:
                capture = adoption.take(file, keep=keep)
                click.echo(f"Frame {capture.frame}: {capture.file_name}, {capture.verdict}")
        click.echo(f"{plural(len(plan.files), 'file')} copied, each read back and right.")


def _show(plan: AdoptionPlan) -> None:
    for file in plan.files:
        beside = "".join(f", beside it {printable(p.name, 60)}" for p, _, _ in file.beside)
        name, size = printable(file.path.name, 60), megabytes(file.size)
        click.echo(f"Frame {file.frame:>3}: {name} ({size}){beside}")
    if plan.there:
        click.echo(f"{plural(plan.there, 'file')} of these in the roll already.")
    for problem in plan.problems[:_MOST]:
        click.echo(f"Not taken in: {problem}")
    if (left := len(plan.problems) - _MOST) > 0:
        click.echo(f"Not taken in: {left} more.")
