"""The log files: what went wrong, in the user's log folder, for a report of a problem.

The program's own is ``tether.log``. With ``--log debug`` the camera's driver, in its own process,
writes ``camera.log`` too. Logging never stops the work: what cannot be written is lost.
"""

from __future__ import annotations

import logging
import os
import sys
from contextlib import suppress
from logging.handlers import RotatingFileHandler
from pathlib import Path

LEVELS = ("info", "debug")
_LEVEL = "TETHER_LOG"
"""In the environment, so that programs and processes that this one starts keep to it."""

LARGEST = 1_000_000
"""Bytes of a log file; then it gets a number, and a new one is begun."""
OLDER = 3
"""Log files with a number that are kept."""

FORMAT = "%(asctime)s %(process)d %(levelname)s %(name)s: %(message)s"


def log_folder() -> Path:
    """Return the folder of the log files; it need not exist."""
    from platformdirs import user_log_path

    return user_log_path("tether")


def begin_log(level: str) -> None:
    """Write log messages to ``tether.log`` from now on; ``level`` is one of `LEVELS`."""
    os.environ[_LEVEL] = level
    logging.raiseExceptions = False  # a full disk is no reason to write over the screen
    log = logging.getLogger("tether")
    for old in list(log.handlers):
        log.removeHandler(old)
        old.close()
    log.setLevel(level.upper())
    log.propagate = False
    with suppress(OSError):
        folder = log_folder()
        folder.mkdir(parents=True, exist_ok=True)
        handler = RotatingFileHandler(
            folder / "tether.log", "a", LARGEST, OLDER, encoding="utf-8", delay=True
        )
        handler.setFormatter(logging.Formatter(FORMAT))
        log.addHandler(handler)


def driver_log() -> Path | None:
    """Return where the camera's driver is to write, None unless the log is to say all."""
    if os.environ.get(_LEVEL) != "debug":
        return None
    try:
        path = log_folder() / "camera.log"
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists() and path.stat().st_size > LARGEST:
            path.replace(path.with_name("camera.log.1"))
        path.touch()
    except OSError:
        return None
    return path


def forward_driver_messages() -> object:
    """In the driver's process, write libgphoto2's own messages to the error output.

    Returns
    -------
    What has to be kept for as long as they are wanted; None where they are not.
    """
    if os.environ.get(_LEVEL) != "debug":
        return None
    import gphoto2

    logging.basicConfig(level=logging.DEBUG, stream=sys.stderr, format=FORMAT)
    return gphoto2.use_python_logging()


def log_files() -> list[Path]:
    """Return the log files that there are, by name."""
    try:
        return sorted(path for path in log_folder().glob("*.log*") if path.is_file())
    except OSError:
        return []
