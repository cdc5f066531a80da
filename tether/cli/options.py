"""Kinds of values and options that several commands have."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from tether.film import FILM_FORMATS, FilmProcess
from tether.text import printable

PATH = click.Path(path_type=Path)


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
YES_OR_NO = PerFrame({"yes": True, "no": False}.__getitem__, "yes or no")

archive_option = click.option(
    "--archive",
    type=PATH,
    envvar="TETHER_ARCHIVE",
    show_envvar=True,
    help="The archive folder. [default: a folder 'film-archive' among your pictures]",
)
format_option = click.option(
    "--format", "film_format", default="135", help=f"One of {', '.join(FILM_FORMATS)}."
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON.")
settings_option = click.option(
    "--settings", type=PATH, help="Settings file. [default: settings.toml in the user folder]"
)


def default_archive() -> Path:
    """Return the archive folder used when none is named."""
    from platformdirs import user_pictures_path

    return user_pictures_path() / "film-archive"


def read_settings(path: Path | None) -> Any:
    """Read the settings file that was named, or the user's own where there is one."""
    from platformdirs import user_config_path

    from tether.settings import Settings
    from tether.settings_file import load

    own = user_config_path("tether") / "settings.toml"
    if path is not None:
        return load(path)
    return load(own) if own.exists() else Settings()
