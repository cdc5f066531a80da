"""The commands about the program itself: its settings, and whether all is well with it."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from tether.cli.json_text import json_text
from tether.cli.options import (
    PATH,
    archive_option,
    default_archive,
    json_option,
    read_settings,
    settings_option,
)
from tether.errors import TetherError
from tether.paths import reason
from tether.text import printable


@click.command("settings")
@settings_option
@click.option("--write", type=PATH, help="Write the settings to this new file.")
@json_option
def show_settings(settings: Path | None, write: Path | None, as_json: bool) -> None:
    """Show all settings, with unit, range and source."""
    from tether.settings_file import render

    found = read_settings(settings)
    if as_json:
        click.echo(json_text(settings=asdict(found)))
        return
    text = render(found)
    if write is None:
        click.echo(text)
        return
    try:
        with write.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise TetherError(
            f"The settings were not written to {printable(str(write))}: {reason(error)}.",
            kept="Nothing was changed.",
            todo="Name a new file in a folder that you may write to.",
        ) from error
    click.echo(f"Written to {write}.")


@click.command()
@archive_option
@click.option("--camera", help="Camera port: usb:001,004 or ptpip:ADDRESS:PORT. [default: USB]")
@json_option
@click.option("--report", type=PATH, help="Write a report to this new zip file, to send to others.")
@click.option("--names", is_flag=True, help="Leave names of rolls and folders in the report.")
@settings_option
def doctor(
    archive: Path | None,
    camera: str | None,
    as_json: bool,
    report: Path | None,
    names: bool,
    settings: Path | None,
) -> None:
    """Check program, archive, camera and terminal.

    A report has what was found, settings and log. It has no pictures and no names of rolls.
    """
    from tether.cli import doctor as examined

    root = archive or default_archive()
    checks = examined.examine(root, settings, camera)
    click.echo(examined.as_json(checks) if as_json else examined.as_text(checks))
    if report is not None:
        files = examined.write_report(report, checks, root, settings, names=names)
        click.echo(f"Report written to {report}: {', '.join(files)}", err=as_json)
    raise click.exceptions.Exit(examined.exit_code(checks))
