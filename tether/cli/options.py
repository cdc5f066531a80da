"""The list of commands in its groups, and the kinds of values and options that several have."""

from __future__ import annotations

import os
import re
import shlex
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import click

from tether.errors import TetherError
from tether.film import FILM_FORMATS, FilmProcess
from tether.text import printable

PATH = click.Path(path_type=Path)

_Command = TypeVar("_Command", bound=Callable[..., Any])


class _Film(click.Choice[str]):
    """A kind of film, by the word that it is stored by."""

    def __init__(self) -> None:
        super().__init__([process.value for process in FilmProcess])

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the kind of film."""
        return FilmProcess(super().convert(value, param, ctx))


class Int(click.ParamType[int]):
    """A whole number, from ``low`` on, or from there to ``high``."""

    name = "whole number"

    def __init__(self, low: int | None = None, high: int | None = None) -> None:
        self.low, self.high = low, high

    def get_metavar(self, param: click.Parameter, ctx: click.Context) -> str:  # noqa: ARG002
        """Return the word for it in the help, or its bounds."""
        if self.low is None:
            return "NUMBER"
        return f"{self.low}.." if self.high is None else f"{self.low}..{self.high}"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Return the number."""
        try:
            number = int(value)
        except ValueError:
            self.fail(f"'{printable(str(value), 40)}' is not a whole number.", param, ctx)
        high = number if self.high is None else self.high
        if self.low is not None and not self.low <= number <= high:
            self.fail(f"{number} is out of range: {self.bounds()}.", param, ctx)
        return number

    def bounds(self) -> str:
        """Return the bounds in words, "" where there are none."""
        if self.low is None:
            return ""
        return f"{self.low} or more" if self.high is None else f"{self.low} to {self.high}"


class _Number(click.ParamType[float]):
    """A number."""

    name = "number"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return the number."""
        try:
            return float(value)
        except ValueError:
            self.fail(f"'{printable(str(value), 40)}' is not a number.", param, ctx)


class PerFrame(click.ParamType[tuple[int, Any]]):
    """A value for one frame, ``7=90``, or for all frames, ``90`` (frame 0)."""

    name = "value for a frame"

    def __init__(self, read: Callable[[str], Any], values: str) -> None:
        self._read, self._values = read, values

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, Any]:
        """Return the frame and what was read of its value."""
        frame, equals, text = value.rpartition("=")
        try:
            if equals and not frame.isdecimal():
                raise ValueError
            return int(frame or 0), self._read(text)
        except (ValueError, KeyError):
            self.fail(
                f"'{printable(value, 40)}' is not understood. Write FRAME=VALUE, or a value for "
                f"all frames: {self._values}.",
                param,
                ctx,
            )


class _Mirror(click.ParamType[tuple[str, int, bool]]):
    """A frame, ``7``, a strip, ``strip:2``, or the ``roll``; with ``=no`` no longer."""

    name = "frame or strip"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, int, bool]:
        """Return what it is, its number (0 for the roll), and whether it is to be mirrored."""
        found = re.fullmatch(r"(?:(roll)|(strip:)?(\d{1,4}))(?:=(yes|no))?", str(value))
        if found is None:
            self.fail(
                f"'{printable(str(value), 40)}' is not understood. Write 7 for frame 7, strip:2 "
                "for strip 2, roll for all; with =no to undo it.",
                param,
                ctx,
            )
        roll, strip, number, word = found.groups()
        return roll or ("strip" if strip else "frame"), int(number or 0), word != "no"


def _stops(text: str) -> float:
    if not -4 <= (stops := float(text)) <= 4:
        raise ValueError
    return stops


FILM = _Film()
NUMBER = _Number()
QUARTER_TURN = PerFrame(
    {"90": 90, "180": 180, "270": 270, "-90": 270, "-180": 180, "-270": 90, "0": 0}.__getitem__,
    "90, 180, 270 or -90",
)
STOPS = PerFrame(_stops, "stops from -4 to 4")
_CONTRASTS = ("soft", "normal", "hard", "own")
CONTRAST = PerFrame(
    dict(zip(_CONTRASTS, _CONTRASTS, strict=True)).__getitem__, "soft, normal, hard or own"
)
MIRROR = _Mirror()
YES_OR_NO = PerFrame({"yes": True, "no": False}.__getitem__, "yes or no")

archive_option = click.option(
    "--archive",
    type=PATH,
    envvar="TETHER_ARCHIVE",
    show_envvar=True,
    help="Archive folder. [default: film-archive in your pictures folder]",
)
RAW_FORM = click.Choice(["auto", "camera", "computed", "demosaiced"])
FORMAT = click.Choice(list(FILM_FORMATS))
format_option = click.option(
    "--format",
    "film_format",
    type=FORMAT,
    metavar="FORMAT",
    default="135",
    help=f"One of {', '.join(FILM_FORMATS)}.",
)
strip_option = click.option(
    "--frames-per-strip",
    type=Int(),
    default=6,
    help="Frames per strip: 1 to 6, 8, 10, 12, or 0 for uncut film.",
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON.")
settings_option = click.option(
    "--settings", type=PATH, help="Settings file. [default: settings.toml in your user folder]"
)


hands_free_option = click.option(
    "--hands-free", is_flag=True, help="Shoot film that comes to rest, once the set-up is done."
)


def roll_argument(words: str, **options: Any) -> Callable[[_Command], _Command]:
    """Return the argument that names a roll; a shell completes it from the archive."""
    return click.argument("roll", help=words, shell_complete=_rolls, **options)


def _rolls(
    ctx: click.Context,
    param: click.Parameter,  # noqa: ARG001
    incomplete: str,
) -> list[str]:
    """Return the rolls whose names begin like this, for a shell's completion."""
    from tether.archive.archive import Archive

    try:
        with closing(Archive(ctx.params.get("archive") or default_archive(), create=False)) as here:
            names = [line.name for line in here.store.rolls.lines(None)]
    except (TetherError, OSError):
        return []
    found = [name for name in names if name.startswith(incomplete)]
    if os.environ.get("_TETHER_COMPLETE") == "bash_complete":  # the others quote by themselves
        found = [shlex.quote(name) for name in found]
    return found


def default_archive() -> Path:
    """Return the archive folder used when none is named."""
    from platformdirs import user_pictures_path

    return user_pictures_path() / "film-archive"


def read_settings(named: Path | None, *, hands_free: bool = False) -> Any:
    """Read the settings file that was named, or the user's own where there is one.

    ``hands_free`` is what the command line says beside it.
    """
    from tether.settings import Settings
    from tether.settings_file import load, usual_path

    file = named or usual_path()
    settings = load(file) if named or file.exists() else Settings()
    if hands_free:
        return replace(settings, hands_free=replace(settings.hands_free, by_itself=True))
    return settings


_INTERRUPTED = 130
"""Exit code after Ctrl-C, as shells have it: 128 and the signal's number."""


GROUPS = {
    "Shoot": ("shoot", "rehearse", "web", "view", "proof", "rolls", "day", "deliver", "hand-over"),
    "Record": ("find", "edit", "import", "adopt", "labels"),
    "Files": ("verify", "restore", "package", "rebuild"),
    "Bench": ("plan", "light", "tablet", "measure", "settings", "doctor"),
}
"""The commands by headings, each in the order in which it is needed."""


class Commands(click.Group):
    """The commands, in groups."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command; one that Ctrl-C ends has said what is to be said."""
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            raise click.exceptions.Exit(_INTERRUPTED) from None

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """Return the names, group by group."""
        return [name for names in GROUPS.values() for name in names]

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """Write a list for each group; every line is whole at 80 columns."""
        width = max(map(len, self.commands))
        for heading, names in GROUPS.items():
            with formatter.section(heading):
                formatter.write_dl(
                    [
                        (f"{name:<{width}}", self.commands[name].get_short_help_str(70))
                        for name in names
                    ]
                )
