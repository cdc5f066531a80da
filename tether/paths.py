"""Paths as a person gives them, made whole; and what the disk says against one, in words."""

from __future__ import annotations

import errno
from pathlib import Path

from tether.errors import TetherError
from tether.text import printable


def whole_path(path: Path) -> Path:
    """Return a path from the root of the disk, with ``~`` as the home it stands for.

    Raises
    ------
    TetherError
        When there is no such home, or the folder that the shell stands in is gone.
    """
    try:
        return path.expanduser().absolute()
    except RuntimeError as error:
        raise TetherError(
            f"There is no home for '~' in {printable(str(path))}.",
            kept="Nothing was changed.",
            todo="Write the whole path, from its first '/'.",
        ) from error
    except OSError as error:
        raise TetherError(
            f"The folder that you stand in is gone, so {printable(str(path))} is nowhere.",
            kept="Nothing was changed.",
            todo="Go to another folder (cd), or write the whole path; then run the command again.",
        ) from error


def reason(error: OSError | TetherError) -> str:
    """Return what the disk says, with the path that it says it of: for the end of a sentence.

    An error that has words of its own keeps them.
    """
    if isinstance(error, TetherError):
        return error.what.rstrip(".")
    said = {
        errno.ENOENT: "it is not there",
        errno.ENOSPC: "the disk is full",
        errno.EROFS: "the disk is write-protected",
        errno.EACCES: "this account may not",
    }.get(error.errno or 0, error.strerror or str(error))
    where = printable(str(error.filename), 300) if isinstance(error.filename, str | Path) else ""
    return f"{printable(said, 200)} ({where})" if where else printable(said, 200)
