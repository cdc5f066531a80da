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
from tether.errors import TetherError
from tether.film import FILM_FORMATS, FilmProcess
from tether.text import printable


@click.command()
@click.argument("files", nargs=-1, required=True, type=PATH, help="Raw files of any camera.")
@click.option("--film", type=FILM, required=True, help="Kind of film.")
@click.option("--open-gate", type=PATH, help="Raw file of the light without film: gives densities.")
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
    """Judge raw files: exposure, saturation, sharpness, density, and what to change."""
    from tether.cli.judged_files import measure_files
    from tether.cli.judged_text import measure_text

    if film_format not in FILM_FORMATS:
        raise TetherError(
            f"There is no film format '{printable(film_format, 40)}'.",
            todo=f"Use one of: {', '.join(FILM_FORMATS)}.",
        )
    rows = measure_files(files, film, open_gate, film_format, read_settings(settings))
    _print_judged(rows, as_json, "" if as_json else measure_text(rows, film))


@click.command()
@click.argument(
    "files", nargs=-1, required=True, type=PATH, help="Raw files of the light without film."
)
@click.option("--lamp-off", type=PATH, help="Raw file with the lamp off: gives the stray light.")
@json_option
@settings_option
def light(
    files: tuple[Path, ...], lamp_off: Path | None, as_json: bool, settings: Path | None
) -> None:
    """Judge the light: evenness, flicker, colour and stray light, from the open gate."""
    from tether.cli.judged_files import light_files
    from tether.cli.judged_text import light_text

    rows = light_files(files, lamp_off, read_settings(settings))
    _print_judged(rows, as_json, "" if as_json else light_text(rows))


@click.command()
@click.argument(
    "files", nargs=-1, required=True, type=PATH, help="Raw files of a step tablet in the gate."
)
@click.option("--open-gate", type=PATH, required=True, help="Raw file of the light without film.")
@click.option("--dark", type=PATH, help="Raw file with the lamp off; its light is taken off both.")
@click.option("--steps", type=Int(3, 60), default=21, help="Steps on the tablet.")
@json_option
@settings_option
def tablet(
    files: tuple[Path, ...],
    open_gate: Path,
    dark: Path | None,
    steps: int,
    as_json: bool,
    settings: Path | None,
) -> None:
    """Read a step tablet: densities, how even their steps are, and how far they are true."""
    from tether.cli.judged_files import tablet_files
    from tether.cli.judged_text import tablet_text

    strobe = read_settings(settings).light.strobe
    rows = tablet_files(files, open_gate, dark, steps, strobe=strobe)
    _print_judged(rows, as_json, "" if as_json else tablet_text(rows))


def _print_judged(rows: list[dict[str, Any]], as_json: bool, text: str) -> None:
    """Print what was found; exit code 1 when a file could not be judged."""
    if as_json:
        click.echo(json.dumps(rows, indent=1, allow_nan=False))
    else:
        click.echo(text)
    if any("error" in row for row in rows):
        raise click.exceptions.Exit(1)
