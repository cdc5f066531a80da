"""The commands that judge raw files which are there already."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from tether.cli_options import SettingsOption, read_settings
from tether.errors import TetherError
from tether.film import FILM_FORMATS, FilmProcess
from tether.text import printable


def measure(
    files: Annotated[list[Path], typer.Argument(help="Raw files of any camera.")],
    film: Annotated[FilmProcess, typer.Option(help="Kind of film.")],
    open_gate: Annotated[
        Path | None,
        typer.Option("--open-gate", help="Raw file of the light without film: gives densities."),
    ] = None,
    film_format: Annotated[
        str, typer.Option("--format", help=f"One of {', '.join(FILM_FORMATS)}.")
    ] = "135",
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    settings: SettingsOption = None,
) -> None:
    """Judge raw files: exposure, saturation, sharpness, density, and what to change."""
    from tether.report.measure_json import measure_files, measure_text

    if film_format not in FILM_FORMATS:
        raise TetherError(
            f"There is no film format '{printable(film_format, 40)}'.",
            todo=f"Use one of: {', '.join(FILM_FORMATS)}.",
        )
    rows = measure_files(files, film, open_gate, film_format, read_settings(settings))
    _print_judged(rows, as_json, "" if as_json else measure_text(rows, film))


def light(
    files: Annotated[list[Path], typer.Argument(help="Raw files of the light without film.")],
    lamp_off: Annotated[
        Path | None,
        typer.Option("--lamp-off", help="Raw file with the lamp off: gives the stray light."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    settings: SettingsOption = None,
) -> None:
    """Judge the light: evenness, flicker, colour and stray light, from the open gate."""
    from tether.report.light_json import light_files, light_text

    rows = light_files(files, lamp_off, read_settings(settings))
    _print_judged(rows, as_json, "" if as_json else light_text(rows))


def tablet(
    files: Annotated[list[Path], typer.Argument(help="Raw files of a step tablet in the gate.")],
    open_gate: Annotated[
        Path, typer.Option("--open-gate", help="Raw file of the light without film.")
    ],
    dark: Annotated[
        Path | None,
        typer.Option("--dark", help="Raw file with the lamp off; its light is taken off both."),
    ] = None,
    steps: Annotated[int, typer.Option(help="Steps on the tablet.", min=3, max=60)] = 21,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    settings: SettingsOption = None,
) -> None:
    """Read a step tablet: densities, how even their steps are, and how far they are true."""
    from tether.report.tablet_json import tablet_files, tablet_text

    strobe = read_settings(settings).light.strobe
    rows = tablet_files(files, open_gate, dark, steps, strobe=strobe)
    _print_judged(rows, as_json, "" if as_json else tablet_text(rows))


def _print_judged(rows: list[dict[str, Any]], as_json: bool, text: str) -> None:
    """Print what was found; exit code 1 when a file could not be judged."""
    if as_json:
        typer.echo(json.dumps(rows, indent=1, allow_nan=False))
    else:
        typer.echo(text)
    if any("error" in row for row in rows):
        raise typer.Exit(1)
