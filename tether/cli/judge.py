"""The commands that judge raw files which are there already."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from tether.cli.options import (
    FILM,
    PATH,
    Int,
    format_option,
    json_option,
    read_settings,
    settings_option,
)
from tether.film import FilmProcess


@click.command()
@click.argument("files", nargs=-1, required=True, type=PATH, help="Raw files of any camera.")
@click.option("--film", type=FILM, required=True, help="Kind of film.")
@click.option("--open-gate", type=PATH, help="Raw file of the open gate: gives densities.")
@format_option
@json_option
@settings_option
def measure(
    files: tuple[Path, ...],
    film: FilmProcess,
    open_gate: Path | None,
    film_format: str,
    as_json: bool,
    settings: Path | None,
) -> None:
    """Check raw files you already have.

    Exposure, clipping, sharpness and density, and what to change.
    """
    from tether.cli.judged_files import measure_files
    from tether.cli.judged_text import measure_text

    rows = measure_files(files, film, open_gate, film_format, read_settings(settings))
    _print_judged(rows, as_json, "" if as_json else measure_text(rows, film))


@click.command()
@click.argument("files", nargs=-1, required=True, type=PATH, help="Raw files of the open gate.")
@click.option("--lamp-off", type=PATH, help="Raw file with the lamp off: gives the stray light.")
@json_option
@settings_option
def light(
    files: tuple[Path, ...], lamp_off: Path | None, as_json: bool, settings: Path | None
) -> None:
    """Check the lamp from an open-gate picture.

    Level, evenness, flicker, colour and stray light.
    """
    from tether.cli.judged_files import light_files
    from tether.cli.judged_text import light_text

    rows = light_files(files, lamp_off, read_settings(settings))
    _print_judged(rows, as_json, "" if as_json else light_text(rows))


@click.command()
@click.argument(
    "files", nargs=-1, required=True, type=PATH, help="Raw files of the tablet in the gate."
)
@click.option("--open-gate", type=PATH, required=True, help="Raw file of the open gate.")
@click.option(
    "--lamp-off", type=PATH, help="Raw file with the lamp off: its light is subtracted from both."
)
@click.option("--steps", type=Int(3, 60), help="Steps on the tablet. [default: 21]")
@click.option(
    "--certificate", type=PATH, help="Text file with a step's density on each line, thinnest first."
)
@json_option
@settings_option
def tablet(
    files: tuple[Path, ...],
    open_gate: Path,
    lamp_off: Path | None,
    steps: int | None,
    certificate: Path | None,
    as_json: bool,
    settings: Path | None,
) -> None:
    """Read a step tablet.

    Densities, how even the steps are, and up to which density they are true.
    """
    from tether.cli import judged_files
    from tether.cli.judged_text import tablet_text

    if steps is not None and certificate is not None:
        raise click.UsageError("A certificate says how many steps there are: leave --steps out.")
    if certificate is not None:
        nominal = judged_files.certificate(certificate)
    else:
        nominal = judged_files.nominal_densities(steps or 21)
    strobe = read_settings(settings).light.strobe
    rows = judged_files.tablet_files(files, open_gate, lamp_off, nominal, strobe=strobe)
    _print_judged(rows, as_json, "" if as_json else tablet_text(rows))


def _print_judged(rows: list[dict[str, Any]], as_json: bool, text: str) -> None:
    """Print what was found; exit code 1 when a file could not be judged."""
    if as_json:
        click.echo(json.dumps(rows, indent=1, allow_nan=False))
    else:
        click.echo(text)
    if any("error" in row for row in rows):
        raise click.exceptions.Exit(1)
