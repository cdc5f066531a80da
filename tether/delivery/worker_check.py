"""Whether a worker on another machine sees the same folders and has the same programs."""

from __future__ import annotations

import secrets
import socket
from contextlib import suppress
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

from tether import __version__
from tether.errors import TetherError
from tether.text import printable

KEPT = "The raw files are untouched, and what is finished stays."


class ClusterUnusable(TetherError):
    """The scheduler or its workers cannot be used."""


@dataclass(frozen=True, slots=True)
class Place:
    """What every worker has to see: a folder with raw files, and one to write to.

    ``raw`` is a file in the first with its size (None where no file is there), ``mark`` a file in
    the second whose text is known here only.
    """

    raw_folder: Path
    raw: tuple[Path, int] | None
    mark: Path
    text: str

    def unseen(self) -> str:
        """Return the folder that this process does not see as the caller does, "" for none."""
        try:
            if self.mark.read_text("ascii") != self.text:
                return str(self.mark.parent)
            written = self.mark.with_name(f"{self.mark.name}-{secrets.token_hex(4)}")
            written.write_bytes(b"")
            written.unlink()
        except (OSError, ValueError):
            return str(self.mark.parent)
        with suppress(OSError):
            if self.raw is None and self.raw_folder.is_dir():
                return ""
            if self.raw is not None and self.raw[0].stat().st_size == self.raw[1]:
                return ""
        return str(self.raw_folder)


def programs() -> dict[str, str]:
    """Return the versions of everything that decides what the bytes of a positive are."""
    import rawpy

    known = {name: version(name) for name in ("numpy", "rawpy", "pillow", "tifffile")}
    return {"tether": __version__, "LibRaw": ".".join(map(str, rawpy.libraw_version)), **known}


def look(place: Place) -> tuple[str, str, dict[str, str]]:
    """Say from a worker: its machine, the folder that it does not see, and its programs."""
    return socket.gethostname(), place.unseen(), programs()


def check(worker: str, answer: Any) -> None:
    """Judge what `look` gave on a worker.

    Raises
    ------
    ClusterUnusable
        When it cannot do the work, or would do it differently.
    """
    if isinstance(answer, BaseException):
        raise ClusterUnusable(
            f"The worker {worker} cannot do this work: "
            f"{printable(f'{type(answer).__name__}: {answer}', 300)}.",
            kept=KEPT,
            todo="Install the same version of tether on its machine, and start it again.",
        )
    host, unseen, theirs = answer
    where = f"{worker} on {printable(str(host), 80)}"
    if unseen:
        raise blind(where, unseen)
    differing = [
        f"{name} {printable(str(theirs.get(name)), 20)} and not {here}"
        for name, here in programs().items()
        if theirs.get(name) != here
    ]
    if differing:
        raise ClusterUnusable(
            f"The worker {where} has {', '.join(differing)}: its pictures could differ.",
            kept=KEPT,
            todo="Install the same versions there, and start it again.",
        )


def blind(where: str, folder: str) -> ClusterUnusable:
    """Return the error for a worker that does not see a folder."""
    return ClusterUnusable(
        f"The worker {where} does not see the folder {printable(folder, 400)} as this machine "
        "does, or cannot write to it.",
        kept=KEPT,
        todo="Mount it there under the same path, or end that worker.",
    )
