"""The command for labels: a sheet to print, and a picture of one read."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import click

from tether.cli.options import PATH, archive_option, default_archive
from tether.errors import TetherError
from tether.text import plural, printable


@click.command()
@click.argument("rolls", nargs=-1, help="Rolls, begun or waiting. None: those that wait.")
@archive_option
@click.option("--to", type=PATH, help="Write the sheet to this new PDF.")
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", help="Paper.")
@click.option("--read", type=PATH, help="Read the label on this picture instead.")
def labels(
    rolls: tuple[str, ...], archive: Path | None, to: Path | None, paper: str, read: Path | None
) -> None:
    """Print labels with bar codes, or read one.

    The bar code (Code 128) says the roll's name. A scanner types it into the form of a new roll.
    """
    from tether.archive.archive import Archive
    from tether.disk import replace_whole
    from tether.reports.labels import label_sheet, read_label

    if (to is None) == (read is None):
        raise click.UsageError("Give --to FILE.pdf, or --read PICTURE.")
    if read is not None:
        found = read_label(read)
        click.echo("\n".join(printable(text, 300) for text in found) or "No bar code was found.")
        raise click.exceptions.Exit(0 if found else 1)
    assert to is not None, "one of them was given"
    if to.exists():
        raise TetherError(
            f"{printable(to.name, 80)} is there already.",
            kept="Nothing was written.",
            todo="Name a new file.",
        )
    with closing(Archive(archive or default_archive(), create=False)) as opened:
        store = opened.store
        if rolls:
            named = [(store.waiting.named(name), name) for name in rolls]
            news = [w.new if w else store.rolls.named(name).as_new() for w, name in named]
        else:
            news = [waiting.new for waiting in store.waiting.all()]
    if not news:
        raise TetherError("No roll waits.", todo="Name the rolls, or import a list first.")
    data, said = label_sheet(news, paper)
    replace_whole(to, lambda part: part.write_bytes(data))
    for line in said:
        click.echo(line)
    click.echo(f"{plural(len(news), 'label')} written to {printable(str(to), 400)}")
