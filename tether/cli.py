"""The commands. Each imports what it needs when it runs, so that each starts at once."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from tether import __version__
from tether.cli_files import light, measure, tablet
from tether.cli_options import ArchiveOption, SettingsOption, default_archive, read_settings
from tether.errors import TetherError
from tether.film import FILM_FORMATS, FilmProcess
from tether.places import reason, whole_path
from tether.text import printable


class _Commands(typer.core.TyperGroup):
    """The commands; what is wrong with a value is said without the parser's own prefix."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except typer.BadParameter as error:
            error.message = error.message.removeprefix("Value error, ")
            raise


app = typer.Typer(
    cls=_Commands,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Photograph strips of film, frame by frame, with a tethered camera: walk through the "
    "steps, fire the camera, judge the raw file, never lose the place.",
)


@app.command()
def shoot(
    roll: Annotated[str | None, typer.Argument(help="Name of the roll, new or begun.")] = None,
    archive: ArchiveOption = None,
    camera: Annotated[
        str | None,
        typer.Option(help="Camera port: usb:001,004 or ptpip:ADDRESS:PORT. [default: USB]"),
    ] = None,
    film: Annotated[
        FilmProcess | None, typer.Option(help="Kind of film; starts a new roll without asking.")
    ] = None,
    film_format: Annotated[
        str, typer.Option("--format", help=f"One of {', '.join(FILM_FORMATS)}.")
    ] = "135",
    frames: Annotated[int, typer.Option(help="Frames on the roll.")] = 36,
    strips: Annotated[
        int, typer.Option(help="Frames a strip: 1 to 6, 8, 10, 12, or 0 for uncut.")
    ] = 6,
    notes: Annotated[str, typer.Option(help="Free notes about the roll.")] = "",
    copy: Annotated[
        Path | None,
        typer.Option(
            "--copy",
            help="A folder on another disk that gets a verified copy of every file. Remembered.",
        ),
    ] = None,
    no_copy: Annotated[
        bool, typer.Option("--no-copy", help="Forget the copy folder; its copies stay.")
    ] = False,
    settings: SettingsOption = None,
) -> None:
    """Shoot a roll: start a new one, or go on with one at the frame where it stopped."""
    from tether.session.roll import NewRoll, checked_name
    from tether.start import Start, run_screen

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
def rehearse(
    roll: Annotated[
        str | None,
        typer.Argument(
            help="Name of a rehearsal to go on with. [default: the newest unfinished, or a new one]"
        ),
    ] = None,
    archive: Annotated[
        Path | None,
        typer.Option("--archive", help="Where the rehearsal is kept. [default: a user folder]"),
    ] = None,
    film: Annotated[
        FilmProcess | None,
        typer.Option(help="Kind of film. [default: that of an unfinished roll, or bw-negative]"),
    ] = None,
    film_format: Annotated[
        str | None,
        typer.Option(
            "--format",
            help=f"One of {', '.join(FILM_FORMATS)}. [default: that of an unfinished roll, or 135]",
        ),
    ] = None,
    frames: Annotated[
        int, typer.Option(help="Frames on the roll, if it is a new one.", min=1, max=40)
    ] = 6,
    strips: Annotated[
        int, typer.Option(help="Frames a strip: 1 to 6, 8, 10, 12, or 0 for uncut.")
    ] = 6,
    unattended: Annotated[
        bool, typer.Option("--unattended", help="Run by itself, without a keyboard.")
    ] = False,
    fresh: Annotated[
        bool, typer.Option("--fresh", help="Begin a new roll even if the last is unfinished.")
    ] = False,
    seed: Annotated[int, typer.Option(help="Which invented pictures.")] = 1,
    settings: SettingsOption = None,
) -> None:
    """Rehearse the whole job with no hardware, on a simulated bench and invented film."""
    from tether.rehearsal import Rehearsal, rehearse_on_screen, rehearse_unattended
    from tether.session.roll import checked_name

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
        raise typer.Exit(rehearse_unattended(plan))
    rehearse_on_screen(plan)


@app.command(
    context_settings={
        "allow_extra_args": True,
        "ignore_unknown_options": True,
        "allow_interspersed_args": False,
    }
)
def web(
    context: typer.Context,
    command: Annotated[
        str, typer.Argument(help="shoot or rehearse; its own arguments and options follow.")
    ],
    port: Annotated[
        int, typer.Option(help="Port on 127.0.0.1; 0 for one that is free.", min=0, max=65535)
    ] = 0,
) -> None:
    """Show the terminal program in a browser on this machine: tether web shoot, and its options."""
    if command not in ("shoot", "rehearse") or "--unattended" in context.args:
        raise typer.BadParameter(
            "The browser shows 'tether shoot' or 'tether rehearse', which need a person."
        )
    # What is wrong with the options is said here, and not by a page that stays empty.
    whole = typer.main.get_command(app)
    if isinstance(whole, typer.core.TyperGroup):
        whole.commands[command].make_context(command, list(context.args))
    try:
        from tether.web.serve import serve
    except ModuleNotFoundError as error:
        raise TetherError(
            f"The browser needs the package '{error.name}', which is not installed.",
            kept="The terminal program works without it.",
            todo="Install it: pip install 'tether[web]'.",
        ) from error
    serve([command, *context.args], port)


@app.command()
def rolls(
    archive: ArchiveOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    newest: Annotated[
        int | None,
        typer.Option(help="Only the newest so many. [default: 200; all with --json]", min=1),
    ] = None,
    unfinished: Annotated[
        bool, typer.Option("--unfinished", help="Only rolls with an open frame.")
    ] = False,
) -> None:
    """List the rolls of the archive, how far each is, and how to go on."""
    from tether.report.rolls import NEWEST, listing, listing_json, listing_text
    from tether.session.archive import Archive

    opened = Archive(archive or default_archive(), create=False)
    try:
        if as_json:
            for part in listing_json(listing(opened, newest, unfinished=unfinished)):
                typer.echo(part, nl=False)
            typer.echo()
        else:
            typer.echo(listing_text(opened, newest or NEWEST, unfinished=unfinished))
    finally:
        opened.close()


@app.command()
def verify(
    roll: Annotated[str | None, typer.Argument(help="Only this roll. [default: all]")] = None,
    archive: ArchiveOption = None,
    afresh: Annotated[
        bool, typer.Option("--afresh", help="Begin anew instead of going on with a check.")
    ] = False,
) -> None:
    """Check that every file is still what it was; name what is missing, changed or unknown."""
    from tether.keeping import run_verify

    raise typer.Exit(run_verify(archive or default_archive(), roll, afresh=afresh))


@app.command()
def package(
    roll: Annotated[str, typer.Argument(help="Name of the roll.")],
    destination: Annotated[Path, typer.Argument(help="A folder that does not exist yet.")],
    archive: ArchiveOption = None,
) -> None:
    """Copy a roll into a package with its checksums (BagIt, RFC 8493), to hand it on."""
    from tether.keeping import run_package

    run_package(archive or default_archive(), roll, destination)


@app.command()
def rebuild(archive: ArchiveOption = None) -> None:
    """Build the archive's database from its folders, or record what it lacks."""
    from tether.keeping import run_rebuild

    run_rebuild(archive or default_archive())


@app.command()
def plan(
    film_format: Annotated[
        str, typer.Option("--format", help=f"One of {', '.join(FILM_FORMATS)}.")
    ] = "135",
    sensor: Annotated[str, typer.Option(help="Width x height of the sensor in mm.")] = "36x24",
    pixels: Annotated[
        str | None, typer.Option(help="Its pixels: 8192x5464, or 45 for megapixels.")
    ] = None,
    focal: Annotated[float | None, typer.Option(help="Focal length of the lens in mm.")] = None,
    aperture: Annotated[
        float | None, typer.Option(help="f-number marked on the lens. [default: 8]")
    ] = None,
    pupil_ratio: Annotated[float, typer.Option(help="Exit over entrance pupil.")] = 1.0,
    closest: Annotated[
        str | None, typer.Option(help="Largest magnification of the lens alone: 0.5 or 1:2.")
    ] = None,
    archive: Annotated[
        Path | None, typer.Option("--archive", help="Measure the pace of this archive.")
    ] = None,
    rolls: Annotated[int | None, typer.Option(help="Rolls in the whole collection.")] = None,
    frames_per_roll: Annotated[
        int | None, typer.Option(help="Frames a roll. [default: as in the archive, or 36]")
    ] = None,
    seconds_per_frame: Annotated[
        float | None, typer.Option(help="Seconds a frame. [default: as in the archive]")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    settings: SettingsOption = None,
) -> None:
    """Plan a bench: magnification, spacer, aperture, resolution; hours and disk space to go."""
    from tether.report import plan as planning
    from tether.report.bench_numbers import Asked
    from tether.report.plan_words import plan_text

    asked = Asked(
        film_format, sensor, pixels, focal, aperture, pupil_ratio, closest,
        rolls, frames_per_roll, seconds_per_frame,
    )  # fmt: skip
    found = planning.plan(asked, read_settings(settings), archive)
    typer.echo(json.dumps(found, indent=1, ensure_ascii=False) if as_json else plan_text(found))


app.command()(measure)
app.command()(light)
app.command()(tablet)


@app.command()
def deliver(
    roll: Annotated[str, typer.Argument(help="Name of the roll.")],
    archive: ArchiveOption = None,
    to: Annotated[
        Path | None,
        typer.Option("--to", help="Folder. [default: 'delivered' in the roll's own folder]"),
    ] = None,
    half: Annotated[
        bool, typer.Option("--half", help="Positives at half the sensor's size; much quicker.")
    ] = False,
    tiff: Annotated[
        bool, typer.Option("--tiff/--no-tiff", help="Write 16-bit TIFF files beside the JPEGs.")
    ] = True,
    turn: Annotated[
        list[str] | None,
        typer.Option(help="Turn clockwise: 7=90 for frame 7, 90 for all. Remembered."),
    ] = None,
    exposure: Annotated[
        list[str] | None,
        typer.Option(help="Print lighter by stops: 7=0.5 for frame 7. Remembered."),
    ] = None,
    crop: Annotated[
        list[str] | None,
        typer.Option(help="Print all of the raw file: 7=no for frame 7, yes to undo. Remembered."),
    ] = None,
    flat: Annotated[
        Path | None, typer.Option(help="Raw file of the empty gate with the light on.")
    ] = None,
    workers: Annotated[
        int | None, typer.Option(help="Processes at once. [default: cores and memory]", min=1)
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(metavar="ADDRESS", help="Have it done by the workers of a Dask scheduler."),
    ] = None,
    settings: SettingsOption = None,
) -> None:
    """Deliver a roll: positives, contact sheet, sidecars, tables and a page to read."""
    from tether.report.deliver_command import deliver_roll
    from tether.report.deliver_wishes import Wishes, by_frame, quarter_turns, yes_or_no
    from tether.session.archive import Archive

    wishes = Wishes(
        to=to,
        half=half,
        tiff=tiff,
        turns=quarter_turns(turn or ()),
        exposures=by_frame(exposure or (), -4, 4),
        crops=yes_or_no(crop or ()),
        flat=flat,
        workers=workers,
        scheduler=scheduler,
    )
    opened = Archive(archive or default_archive(), create=False)
    try:
        code = deliver_roll(opened, roll, read_settings(settings), wishes)
    finally:
        opened.close()
    raise typer.Exit(code)


@app.command("settings")
def show_settings(
    settings: SettingsOption = None,
    write: Annotated[
        Path | None, typer.Option("--write", help="Write them into this new file.")
    ] = None,
) -> None:
    """Print every target, tolerance and limit with its unit, range and source."""
    from tether.settings_file import render

    text = render(read_settings(settings))
    if write is None:
        typer.echo(text)
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
    typer.echo(f"Written to {write}.")


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"tether {__version__}")
        raise typer.Exit


@app.callback()
def options(
    _version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Print the version."),
    ] = False,
) -> None:
    """Take the options that stand before a command."""


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
