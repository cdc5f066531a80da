"""The commands. Each imports what it needs when it runs, so that each starts at once."""

from __future__ import annotations

import json
import logging
import os
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from threading import Event

import click

from tether import __version__
from tether.cli.about import doctor, show_settings
from tether.cli.adopt import adopt
from tether.cli.browser import view, web, window_option
from tether.cli.files import hand_over, package, rebuild, restore, verify
from tether.cli.find import day, find, rolls
from tether.cli.judge import light, measure, tablet
from tether.cli.labels import labels
from tether.cli.options import (
    CONTRAST,
    FILM,
    FORMAT,
    MIRROR,
    NUMBER,
    PATH,
    QUARTER_TURN,
    RAW_FORM,
    STOPS,
    YES_OR_NO,
    Commands,
    Int,
    archive_option,
    default_archive,
    format_option,
    hands_free_option,
    json_option,
    read_settings,
    roll_argument,
    settings_option,
    strip_option,
)
from tether.cli.proof import proof
from tether.cli.record import described, edit, fact_option, import_list
from tether.errors import TetherError
from tether.film import FILM_FORMATS, FilmProcess
from tether.log_file import LEVELS, begin_log, log_folder
from tether.paths import reason, whole_path

_LOG = logging.getLogger("tether")


@click.group(cls=Commands, context_settings={"show_default": True})
@click.version_option(__version__, message="tether %(version)s", help="Print the version.")
@click.option(
    "--log",
    type=click.Choice(LEVELS),
    default="info",
    help="Detail of the log file. debug adds the messages of the camera's driver.",
)
@click.pass_context
def app(context: click.Context, log: str) -> None:
    """Photograph film frame by frame with a tethered camera.

    tether checks each raw file at once, and always resumes where you stopped.
    """
    begin_log(log)
    _LOG.info("tether %s %s", __version__, context.invoked_subcommand)


@app.command()
@roll_argument("Name of the roll, new or begun.", required=False)
@archive_option
@click.option("--camera", help="Camera port: usb:001,004 or ptpip:ADDRESS:PORT. [default: USB]")
@click.option("--film", type=FILM, help="Kind of film of a new roll. Without it a form asks.")
@format_option
@click.option("--frames", type=Int(), default=36, help="Frames on the roll.")
@strip_option
@click.option("--notes", default="", show_default=False, help="Notes about the roll.")
@fact_option
@click.option(
    "--copy",
    type=PATH,
    help="Copy folder, on another disk: gets a verified copy of every file. Remembered.",
)
@click.option("--no-copy", is_flag=True, help="Forget the copy folder. Its copies stay.")
@window_option
@hands_free_option
@settings_option
def shoot(
    roll: str | None,
    archive: Path | None,
    camera: str | None,
    film: FilmProcess | None,
    film_format: str,
    frames: int,
    frames_per_strip: int,
    notes: str,
    fact: tuple[str, ...],
    copy: Path | None,
    no_copy: bool,
    window: bool,
    hands_free: bool,
    settings: Path | None,
) -> None:
    """Start or resume a roll.

    A form asks for the details of a new roll. Options fill it in; a name and --film skip it.
    """
    from tether.archive.records import NewRoll, checked_name
    from tether.launch import Start, run_screen

    name = checked_name(roll) if roll is not None else None
    details = NewRoll(
        name or "a new roll",
        film or FilmProcess.BW_NEGATIVE,
        film_format,
        frames,
        frames_per_strip,
        notes,
        described(fact),
    ).checked()
    run_screen(
        Start(
            archive=archive or default_archive(),
            settings=read_settings(settings, hands_free=hands_free),
            settings_file=settings,
            port=camera,
            roll=name,
            new=details if name and film else None,
            form=replace(details, name=name or ""),
            copy=copy,
            no_copy=no_copy,
            window=window,
            again=(
                *(("--camera", camera) if camera is not None else ()),
                *(("--hands-free",) if hands_free else ()),
                *(("--settings", str(whole_path(settings))) if settings is not None else ()),
            ),
        )
    )


@app.command()
@click.argument(
    "roll",
    required=False,
    help="Name of a rehearsal to resume. [default: the newest unfinished one, or a new one]",
)
@click.option("--archive", type=PATH, help="Folder of rehearsals. [default: a user folder]")
@click.option(
    "--film", type=FILM, help="Kind of film. [default: that of an unfinished roll, or bw-negative]"
)
@click.option(
    "--format",
    "film_format",
    type=FORMAT,
    metavar="FORMAT",
    help=f"One of {', '.join(FILM_FORMATS)}. [default: that of an unfinished roll, or 135]",
)
@click.option("--frames", type=Int(1, 40), default=6, help="Frames on a new roll.")
@strip_option
@click.option("--unattended", is_flag=True, help="Run without a keyboard.")
@click.option("--fresh", is_flag=True, help="Start a new roll even if the last is unfinished.")
@click.option("--seed", type=Int(), default=1, help="Number that picks another set of pictures.")
@window_option
@hands_free_option
@settings_option
def rehearse(
    roll: str | None,
    archive: Path | None,
    film: FilmProcess | None,
    film_format: str | None,
    frames: int,
    frames_per_strip: int,
    unattended: bool,
    fresh: bool,
    seed: int,
    window: bool,
    hands_free: bool,
    settings: Path | None,
) -> None:
    """Practise with a simulated camera and film.

    Nothing has to be connected. The film is invented; the camera's driver is the real one.
    """
    from tether.archive.records import checked_name
    from tether.rehearsal import Rehearsal, rehearse_on_screen, rehearse_unattended

    if roll is not None and fresh:
        raise TetherError(
            "A name resumes a rehearsal, and --fresh starts another one.",
            todo="Give only one of them. A new rehearsal gets its name from the program.",
        )
    plan = Rehearsal(
        archive=archive,
        name=checked_name(roll) if roll is not None else None,
        film=film,
        film_format=film_format,
        frames=frames,
        strips=frames_per_strip,
        seed=seed,
        fresh=fresh,
        hands_free=hands_free,
        settings=read_settings(settings, hands_free=hands_free),
        settings_file=settings,
        window=window,
    )
    if unattended:
        raise click.exceptions.Exit(rehearse_unattended(plan))
    rehearse_on_screen(plan)


app.add_command(rolls)
app.add_command(day)
app.add_command(find)
app.add_command(edit)
app.add_command(import_list)
app.add_command(adopt)
app.add_command(labels)


for command in (hand_over, verify, restore, package, rebuild):
    app.add_command(command)


@app.command()
@format_option
@click.option("--sensor", default="36x24", help="Sensor, width x height in mm.")
@click.option("--pixels", help="Pixels of the sensor: 8192x5464, or 45 for megapixels.")
@click.option("--focal", type=NUMBER, help="Focal length of the lens in mm.")
@click.option("--aperture", type=NUMBER, help="f-number marked on the lens. [default: 8]")
@click.option(
    "--pupil-ratio", type=NUMBER, default=1.0, help="Exit pupil divided by entrance pupil."
)
@click.option("--closest", help="Largest magnification of the lens without spacers: 0.5 or 1:2.")
@click.option("--archive", type=PATH, help="Archive whose pace and size are used.")
@click.option("--rolls", type=Int(), help="Rolls in the whole collection.")
@click.option(
    "--frames-per-roll", type=Int(), help="Frames per roll. [default: as in the archive, or 36]"
)
@click.option(
    "--seconds-per-frame", type=NUMBER, help="Seconds per frame. [default: as in the archive]"
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
    """Plan lens, aperture, hours and disk space."""
    from tether.cli.bench_plan import Asked, bench_plan
    from tether.cli.plan import plan_text

    asked = Asked(
        film_format, sensor, pixels, focal, aperture, pupil_ratio, closest,
        rolls, frames_per_roll, seconds_per_frame,
    )  # fmt: skip
    found = bench_plan(asked, read_settings(settings), archive)
    click.echo(json.dumps(found, indent=1, ensure_ascii=False) if as_json else plan_text(found))


app.add_command(web)
app.add_command(view)
app.add_command(proof)
app.add_command(measure)
app.add_command(light)
app.add_command(tablet)


@app.command()
@roll_argument("Name of the roll.", required=False)
@archive_option
@click.option(
    "--roll",
    "patterns",
    metavar="PATTERN",
    multiple=True,
    help="Deliver the rolls with names like this: 'Harbour*'. More than once for more.",
)
@click.option("--all-new", is_flag=True, help="Deliver complete rolls that lack a positive.")
@click.option("--watch", is_flag=True, help="Stay, and deliver each roll when it is complete.")
@json_option
@click.option(
    "--to",
    type=PATH,
    help="Delivery folder; with several rolls, a folder for each of them goes in there. "
    "[default: 'delivered' in the roll's folder]",
)
@click.option("--raw-positive", is_flag=True, help="Make raw positives too.")
@click.option(
    "--raw-form", type=RAW_FORM, help="Form of the raw positives. [default: as in the settings]"
)
@click.option("--half", is_flag=True, help="Make positives at half size; much quicker.")
@click.option("--tiff/--no-tiff", default=True, help="Write 16-bit TIFF files too.")
@click.option(
    "--turn",
    type=QUARTER_TURN,
    metavar="FRAME=DEGREES",
    multiple=True,
    help="Turn clockwise: 7=90 for frame 7, 90 for all. Remembered.",
)
@click.option(
    "--mirror",
    type=MIRROR,
    metavar="FRAME",
    multiple=True,
    help="Mirror left to right: 7 for frame 7, strip:2, or roll; 7=no undoes it. Remembered.",
)
@click.option(
    "--brighter",
    type=STOPS,
    metavar="FRAME=STOPS",
    multiple=True,
    help="Brighten by stops: 7=0.5 for frame 7, -0.5 to darken all. Remembered.",
)
@click.option(
    "--contrast",
    type=CONTRAST,
    metavar="FRAME=CONTRAST",
    multiple=True,
    help="soft (ISO R 130), normal (R 105), hard (R 80) or own (fitted to the frame). 7=hard for "
    "frame 7, hard for all. Remembered.",
)
@click.option(
    "--crop",
    type=YES_OR_NO,
    metavar="FRAME=no",
    multiple=True,
    help="Crop: 7=no keeps the whole view of frame 7, 7=yes crops it again. Remembered.",
)
@click.option(
    "--open-gate",
    type=PATH,
    help="Raw file of the open gate. [default: the roll's own light test]",
)
@click.option("--workers", type=Int(1), help="How many processes. [default: by cores and memory]")
@click.option("--scheduler", metavar="ADDRESS", help="Use the workers of this Dask scheduler.")
@settings_option
def deliver(
    roll: str | None,
    archive: Path | None,
    patterns: tuple[str, ...],
    all_new: bool,
    watch: bool,
    as_json: bool,
    to: Path | None,
    raw_positive: bool,
    raw_form: str | None,
    half: bool,
    tiff: bool,
    turn: tuple[tuple[int, int], ...],
    mirror: tuple[tuple[str, int, bool], ...],
    brighter: tuple[tuple[int, float], ...],
    contrast: tuple[tuple[int, str], ...],
    crop: tuple[tuple[int, bool], ...],
    open_gate: Path | None,
    workers: int | None,
    scheduler: str | None,
    settings: Path | None,
) -> None:
    """Make positives, contact sheet and reports.

    Raw files are read and never changed. A second run makes only what has changed.
    """
    from tether.archive.archive import Archive
    from tether.cli.deliver import deliver_many, deliver_roll
    from tether.cli.deliver import watch as watch_rolls
    from tether.delivery.folder import DeliveryOptions, Mirror

    options = DeliveryOptions(
        to=to, raw_positive=raw_positive, raw_form=raw_form, half=half, tiff=tiff, turns=dict(turn),
        mirrors=[Mirror(*wish) for wish in mirror], exposures=dict(brighter), crops=dict(crop),
        contrasts=dict(contrast), flat=open_gate, workers=workers, scheduler=scheduler,
    )  # fmt: skip
    root, chosen = archive or default_archive(), read_settings(settings)
    ways = [bool(roll), bool(patterns), all_new, watch]
    if sum(ways) != 1:
        raise click.UsageError("Name one roll, or give one of --roll, --all-new and --watch.")
    if watch:
        code = watch_rolls(root, chosen, options, Event().wait)
    elif roll is None or as_json:
        code = deliver_many(
            root, chosen, options,
            names=(roll,) if roll else (), patterns=patterns, all_new=all_new, as_json=as_json,
        )  # fmt: skip
    else:
        with closing(Archive(root, create=False)) as opened:
            code = deliver_roll(opened, roll, chosen, options)
    raise click.exceptions.Exit(code)


app.add_command(show_settings)
app.add_command(doctor)


def main() -> None:
    """Run a command; an error that is meant for a person is printed as such, exit code 1.

    A fault of the program itself goes to the log file, and a sentence says so.
    """
    try:
        app(prog_name="tether")
    except TetherError as error:
        _LOG.info("%s: %s", type(error).__name__, error.what)
        for part in (error.what, error.kept, error.todo):
            if part:
                print(part, file=sys.stderr)
        raise SystemExit(1) from None
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise SystemExit(0) from None
    except OSError as error:
        _LOG.exception("the disk")
        print(f"The disk reports: {reason(error)}.", file=sys.stderr)
        print("Everything stored before is unchanged.", file=sys.stderr)
        print(
            "Check that the disk is attached, has room and may be written to. Check that the "
            "folder you are in exists. Then run the command again.",
            file=sys.stderr,
        )
        raise SystemExit(1) from error
    except Exception:  # the last handler: no traceback reaches a person
        _LOG.exception("a fault of the program")
        print("The program met a fault of its own and ended.", file=sys.stderr)
        print("Everything stored before is unchanged.", file=sys.stderr)
        print(
            f"The fault is written to {log_folder() / 'tether.log'}. Run the command again. To "
            "report the fault: tether doctor --report FILE",
            file=sys.stderr,
        )
        raise SystemExit(1) from None


if __name__ == "__main__":
    main()
