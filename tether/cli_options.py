"""Options that several commands have."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

ArchiveOption = Annotated[
    Path | None,
    typer.Option(
        "--archive",
        envvar="TETHER_ARCHIVE",
        help="The archive folder. [default: a folder 'film-archive' among your pictures]",
    ),
]
SettingsOption = Annotated[
    Path | None,
    typer.Option("--settings", help="Settings file. [default: settings.toml in the user folder]"),
]


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
