"""The commands. Each imports what it needs when it runs, so that each starts at once."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any

import click

from tether import __version__
from tether.cli.judge import light, measure, tablet
from tether.cli.options import (
    FILM,
    NUMBER,
    PATH,
    QUARTER_TURN,
    STOPS,
    YES_OR_NO,
    Int,
    archive_option,
    default_archive,
    format_option,
    json_option,
    read_settings,
    settings_option,
)
from tether.errors import TetherError
from tether.film import FILM_FORMATS, FilmProcess
from tether.paths import reason, whole_path
from tether.text import printable

_INTERRUPTED = 130
"""Exit code after Ctrl-C, as shells have it: 128 and the signal's number."""


class _Commands(click.Group):
    """The commands, in the order in which they are needed."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command; one that Ctrl-C ends has said what is to be said."""
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            raise click.exceptions.Exit(_INTERRUPTED) from None

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """Return the names as they were added."""
        return list(self.commands)


@click.group(cls=_Commands, context_settings={"show_default": True})
@click.version_option(__version__, message="tether %(version)s", help="Print the version.")
def app() -> None:
    """Photograph strips of film, frame by frame, with a tethered camera.

    Walk through the steps, fire the camera, judge the raw file, never lose the place.
    """


@app.command()
@click.argument("roll", required=False, help="Name of the roll, new or begun.")
@archive_option
@click.option("--camera", help="Camera port: usb:001,004 or ptpip:ADDRESS:PORT. [default: USB]")
@click.option("--film", type=FILM, help="Kind of film; starts a new roll without asking.")
@format_option
@click.option("--frames", type=Int(), default=36, help="Frames on the roll.")
@click.option(
    "--strips", type=Int(), default=6, help="Frames a strip: 1 to 6, 8, 10, 12, or 0 for uncut."
)
@click.option("--notes", default="", show_default=False, help="Free notes about the roll.")
@click.option(
    "--copy",
    type=PATH,
    help="A folder on another disk that gets a verified copy of every file. Remembered.",
)
@click.option("--no-copy", is_flag=True, help="Forget the copy folder; its copies stay.")
@settings_option
def shoot(
    roll: str | None,
    archive: Path | None,
    camera: str | None,
    film: FilmProcess | None,
    film_format: str,
    frames: int,
    strips: int,
    notes: str,
    copy: Path | None,
    no_copy: bool,
    settings: Path | None,
) -> None:
    """Shoot a roll: start a new one, or go on with one at the frame where it stopped."""
    from tether.archive.records import NewRoll, checked_name
    from tether.launch import Start, run_screen

    name = checked_name(roll) if roll is not None else None
    new = None
    if film is not None:
        if name is None:
            raise TetherError("A new roll needs a name.", todo="Write: tether shoot NAME --film …")
        new = NewRoll(name, film, film_format, frames, strips, notes).checked()
    run_screen(
        Start(
            archive=archive or default_archive(),
            settings=read_settings(settings),
            port=camera,
            roll=name,
            new=new,
            copy=copy,
            no_copy=no_copy,
            again=(
                *(("--camera", camera) if camera is not None else ()),
                *(("--settings", str(whole_path(settings))) if settings is not None else ()),
            ),
        )
    )


@app.command()
@click.argument(
    "roll",
    required=False,
    help="Name of a rehearsal to go on with. [default: the newest unfinished, or a new one]",
)
@click.option("--archive", type=PATH, help="Where the rehearsal is kept. [default: a user folder]")
@click.option(
    "--film", type=FILM, help="Kind of film. [default: that of an unfinished roll, or bw-negative]"
)
@click.option(
    "--format",
    "film_format",
    help=f"One of {', '.join(FILM_FORMATS)}. [default: that of an unfinished roll, or 135]",
)
@click.option(
    "--frames", type=Int(1, 40), default=6, help="Frames on the roll, if it is a new one."
)
@click.option(
    "--strips", type=Int(), default=6, help="Frames a strip: 1 to 6, 8, 10, 12, or 0 for uncut."
)
@click.option("--unattended", is_flag=True, help="Run by itself, without a keyboard.")
@click.option("--fresh", is_flag=True, help="Begin a new roll even if the last is unfinished.")
@click.option("--seed", type=Int(), default=1, help="Which invented pictures.")
@settings_option
def rehearse(
    roll: str | None,
    archive: Path | None,
    film: FilmProcess | None,
    film_format: str | None,
    frames: int,
    strips: int,
    unattended: bool,
    fresh: bool,
    seed: int,
    settings: Path | None,
) -> None:
    """Rehearse the whole job with no hardware, on a simulated bench and invented film."""
    from tether.archive.records import checked_name
    from tether.rehearsal import Rehearsal, rehearse_on_screen, rehearse_unattended

    if roll is not None and fresh:
        raise TetherError(
            "A name goes on with a rehearsal, and --fresh begins another.",
            todo="Leave out one of them; a new rehearsal gets its name by itself.",
        )
    plan = Rehearsal(
        archive=archive,
        name=checked_name(roll) if roll is not None else None,
        film=film,
        film_format=film_format,
        frames=frames,
        strips=strips,
        seed=seed,
        fresh=fresh,
        settings=read_settings(settings),
        settings_file=settings,
    )
    if unattended:
        raise click.exceptions.Exit(rehearse_unattended(plan))
    rehearse_on_screen(plan)


@app.command(
    context_settings={
        "allow_extra_args": True,
        "ignore_unknown_options": True,
        "allow_interspersed_args": False,
    }
)
@click.pass_context
@click.argument("command", help="shoot or rehearse; its own arguments and options follow.")
@click.option(
    "--port", type=Int(0, 65535), default=0, help="Port on 127.0.0.1; 0 for one that is free."
)
def web(context: click.Context, command: str, port: int) -> None:
    """Show the terminal program in a browser on this machine: tether web shoot, and its options."""
    if command not in ("shoot", "rehearse") or "--unattended" in context.args:
        raise click.BadParameter(
            "The browser shows 'tether shoot' or 'tether rehearse', which need a person."
        )
    # What is wrong with the options is said here, and not by a page that stays empty.
    given = app.commands[command].make_context(command, list(context.args)).params
    if command == "shoot":
        from tether.archive.archive import refuse_rehearsals

        refuse_rehearsals(given["archive"] or default_archive())
    try:
        from tether.web.serve import serve
    except ModuleNotFoundError as error:
        raise TetherError(
            f"The browser needs the package '{error.name}', which is not installed.",
            kept="The terminal program works without it.",
            todo="In the folder of this program: .venv/bin/pip install '.[web]'",
        ) from error
    serve([command, *context.args], port)


@app.command()
@archive_option
@json_option
@click.option(
    "--newest", type=Int(1), help="Only the newest so many. [default: 200; all with --json]"
)
@click.option("--unfinished", is_flag=True, help="Only rolls with an open frame.")
def rolls(archive: Path | None, as_json: bool, newest: int | None, unfinished: bool) -> None:
    """List the rolls of the archive, how far each is, and how to go on."""
    from tether.archive.archive import Archive
    from tether.reports.rolls import NEWEST, listing, listing_json, listing_text

    opened = Archive(archive or default_archive(), create=False)
    try:
        if as_json:
            for part in listing_json(listing(opened, newest, unfinished=unfinished)):
                click.echo(part, nl=False)
            click.echo()
        else:
            click.echo(listing_text(opened, newest or NEWEST, unfinished=unfinished))
    finally:
        opened.close()


@app.command()
@click.argument("roll", required=False, help="Only this roll. [default: all]")
@archive_option
@click.option("--afresh", is_flag=True, help="Begin anew instead of going on with a check.")
def verify(roll: str | None, archive: Path | None, afresh: bool) -> None:
    """Check that every file is still what it was; name what is missing, changed or unknown."""
    from tether.cli.archive import run_verify

    raise click.exceptions.Exit(run_verify(archive or default_archive(), roll, afresh=afresh))


@app.command()
@click.argument("roll", help="Name of the roll.")
@click.argument("destination", type=PATH, help="A folder that does not exist yet.")
@archive_option
def package(roll: str, destination: Path, archive: Path | None) -> None:
    """Copy a roll into a package with its checksums (BagIt, RFC 8493), to hand it on."""
    from tether.cli.archive import run_package

    run_package(archive or default_archive(), roll, destination)


@app.command()
@archive_option
def rebuild(archive: Path | None) -> None:
    """Build the archive's database from its folders, or record what it lacks."""
    from tether.cli.archive import run_rebuild

    run_rebuild(archive or default_archive())


@app.command()
@format_option
@click.option("--sensor", default="36x24", help="Width x height of the sensor in mm.")
@click.option("--pixels", help="Its pixels: 8192x5464, or 45 for megapixels.")
@click.option("--focal", type=NUMBER, help="Focal length of the lens in mm.")
@click.option("--aperture", type=NUMBER, help="f-number marked on the lens. [default: 8]")
@click.option("--pupil-ratio", type=NUMBER, default=1.0, help="Exit over entrance pupil.")
@click.option("--closest", help="Largest magnification of the lens alone: 0.5 or 1:2.")
@click.option("--archive", type=PATH, help="Measure the pace of this archive.")
@click.option("--rolls", type=Int(), help="Rolls in the whole collection.")
@click.option(
    "--frames-per-roll", type=Int(), help="Frames a roll. [default: as in the archive, or 36]"
)
@click.option(
    "--seconds-per-frame", type=NUMBER, help="Seconds a frame. [default: as in the archive]"
)
@json_option
@settings_option
def plan(
    film_format: str,
    sensor: str,
    pixels: str | None,
    focal: float | None,
    aperture: float | None,
    pupil_ratio: float,
    closest: str | None,
    archive: Path | None,
    rolls: int | None,
    frames_per_roll: int | None,
    seconds_per_frame: float | None,
    as_json: bool,
    settings: Path | None,
) -> None:
    """Plan a bench: magnification, spacer, aperture, resolution; hours and disk space to go."""
    from tether.cli.bench_plan import Asked, bench_plan
    from tether.cli.plan import plan_text

    asked = Asked(
        film_format, sensor, pixels, focal, aperture, pupil_ratio, closest,
        rolls, frames_per_roll, seconds_per_frame,
    )  # fmt: skip
    found = bench_plan(asked, read_settings(settings), archive)
    click.echo(json.dumps(found, indent=1, ensure_ascii=False) if as_json else plan_text(found))


app.add_command(measure)
app.add_command(light)
app.add_command(tablet)


@app.command()
@click.argument("roll", help="Name of the roll.")
@archive_option
@click.option("--to", type=PATH, help="Folder. [default: 'delivered' in the roll's own folder]")
@click.option("--half", is_flag=True, help="Positives at half the sensor's size; much quicker.")
@click.option("--tiff/--no-tiff", default=True, help="Write 16-bit TIFF files beside the JPEGs.")
@click.option(
    "--turn",
    type=QUARTER_TURN,
    multiple=True,
    help="Turn clockwise: 7=90 for frame 7, 90 for all. Remembered.",
)
@click.option(
    "--exposure",
    type=STOPS,
    multiple=True,
    help="Print lighter by stops: 7=0.5 for frame 7. Remembered.",
)
@click.option(
    "--crop",
    type=YES_OR_NO,
    multiple=True,
    help="Print all of the raw file: 7=no for frame 7, yes to undo. Remembered.",
)
@click.option("--flat", type=PATH, help="Raw file of the empty gate with the light on.")
@click.option("--workers", type=Int(1), help="Processes at once. [default: cores and memory]")
@click.option(
    "--scheduler", metavar="ADDRESS", help="Have it done by the workers of a Dask scheduler."
)
@settings_option
def deliver(
    roll: str,
    archive: Path | None,
    to: Path | None,
    half: bool,
    tiff: bool,
    turn: tuple[tuple[int, int], ...],
    exposure: tuple[tuple[int, float], ...],
    crop: tuple[tuple[int, bool], ...],
    flat: Path | None,
    workers: int | None,
    scheduler: str | None,
    settings: Path | None,
) -> None:
    """Deliver a roll: positives, contact sheet, sidecars, tables and a page to read."""
    from tether.archive.archive import Archive
    from tether.cli.deliver import deliver_roll
    from tether.delivery.folder import DeliveryOptions

    options = DeliveryOptions(
        to=to,
        half=half,
        tiff=tiff,
        turns=dict(turn),
        exposures=dict(exposure),
        crops=dict(crop),
        flat=flat,
        workers=workers,
        scheduler=scheduler,
    )
    opened = Archive(archive or default_archive(), create=False)
    try:
        code = deliver_roll(opened, roll, read_settings(settings), options)
    finally:
        opened.close()
    raise click.exceptions.Exit(code)


@app.command("settings")
@settings_option
@click.option("--write", type=PATH, help="Write them into this new file.")
def show_settings(settings: Path | None, write: Path | None) -> None:
    """Print every target, tolerance and limit with its unit, range and source."""
    from tether.settings_file import render

    text = render(read_settings(settings))
    if write is None:
        click.echo(text)
        return
    try:
        with write.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise TetherError(
            f"The settings were not written to {printable(str(write))}: {error.strerror}.",
            kept="Nothing was changed.",
            todo="Name a file that does not exist yet, in a folder you may write to.",
        ) from error
    click.echo(f"Written to {write}.")


def main() -> None:
    """Run a command; an error that is meant for a person is printed as such, exit code 1."""
    try:
        app()
    except TetherError as error:
        for part in (error.what, error.kept, error.todo):
            if part:
                print(part, file=sys.stderr)
        raise SystemExit(1) from None
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise SystemExit(0) from None
    except OSError as error:
        print(f"The disk got in the way: {reason(error)}.", file=sys.stderr)
        print("What was stored before is untouched.", file=sys.stderr)
        print(
            "See that the disk is attached, has room and may be written to, and that you stand in "
            "a folder that exists; then run the command again.",
            file=sys.stderr,
        )
        raise SystemExit(1) from error


if __name__ == "__main__":
    main()
