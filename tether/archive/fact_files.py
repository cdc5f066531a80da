"""What lies in a roll's folder beside its raw files: facts as JSON, and the log as text.

The database is what counts; these files are written from it, so that the folder explains itself
without the program and the database can be built again from it.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from tether.archive.records import LogLine
from tether.disk import put_in_place
from tether.errors import TetherError
from tether.text import is_control, printable

ROLL_FILE = "roll.json"
LOG_FILE = "log.jsonl"
FRAMES_FOLDER = "frames"

#: Everything that may steer a terminal, and letters beyond ASCII, which are looked at one by one.
_SUSPECT = re.compile(r"[\x00-\x09\x0b-\x1f\x7f]|[^\x00-\x7f]")

LARGEST_JSON = 8 << 20
"""Bytes beyond which a facts file is not ours and is not read."""


class BesideUnusable(TetherError):
    """A file beside the raw files could not be written or read."""


def safe_json(facts: object, *, indent: int | None = 1) -> str:
    """Return JSON in readable letters in which nothing can steer a terminal that shows it."""
    text = json.dumps(facts, indent=indent, ensure_ascii=False, sort_keys=True)
    return _SUSPECT.sub(_escaped, text)


def _escaped(found: re.Match[str]) -> str:
    """Write a character that steers as JSON does, in one or two units of UTF-16."""
    if not is_control(found[0]):
        return found[0]
    units = found[0].encode("utf-16-be", "surrogatepass")
    return "".join(f"\\u{units[i : i + 2].hex()}" for i in range(0, len(units), 2))


def write_json(path: Path, facts: Mapping[str, object]) -> None:
    """Replace one of our own files as a whole: a reader sees the old one or the new one.

    A file that says the same already is left alone.

    Raises
    ------
    BesideUnusable
        When the disk does not take it; the old file stays as it was.
    """
    text = safe_json(facts) + "\n"
    write_bytes(path, text.encode("utf-8", "backslashreplace"))


def write_bytes(path: Path, data: bytes) -> None:
    """Replace one of our own files as a whole, as `write_json` does; raises as that does."""
    try:
        with contextlib.suppress(OSError):
            if path.stat().st_size == len(data) and path.read_bytes() == data:
                return
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=".new-")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
            Path(name).chmod(0o644)
            put_in_place(Path(name), path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise BesideUnusable(
            f"{printable(path.name)} could not be written: {error.strerror}.",
            kept="The database holds what it should say, and the raw files are untouched.",
            todo="Check the disk and the room on it; the file is written again at the next start.",
        ) from error


def read_json(path: Path) -> dict[str, Any]:
    """Read a facts file; what it says is untrusted.

    Raises
    ------
    BesideUnusable
        When it is not there, too large, or not an object in JSON.
    """
    try:
        if path.stat().st_size > LARGEST_JSON:
            raise ValueError("it is too large")
        found = json.loads(path.read_text(encoding="utf-8"))
        if not isinstance(found, dict):
            raise ValueError("it is not an object")
    except (OSError, ValueError, RecursionError) as error:
        raise BesideUnusable(
            f"{printable(path.name)} cannot be read: {printable(str(error))}.",
            kept="It was left as it is.",
        ) from error
    return found


def last_logged(path: Path) -> int:
    """Return the number of the last whole line in a roll's log file, 0 for none."""
    try:
        with path.open("rb") as file:
            end = file.seek(0, os.SEEK_END)
            file.seek(max(0, end - 65536))
            lines = file.read().split(b"\n")
    except FileNotFoundError:
        return 0
    for line in reversed(lines[:-1]):  # what follows the last line feed is no whole line
        with contextlib.suppress(ValueError, KeyError, TypeError):
            return int(json.loads(line)["id"])
    return 0


def append_log(path: Path, lines: Iterable[LogLine]) -> None:
    """Append lines to a roll's log file, which is never rewritten.

    Raises
    ------
    BesideUnusable
        When the disk does not take them; they are appended at the next occasion.
    """
    text = "".join(
        safe_json(
            {"id": x.id, "at": x.at, "frame": x.frame, "kind": x.kind, "text": x.text}, indent=None
        )
        + "\n"
        for x in lines
    )
    if not text:
        return
    try:
        handle = os.open(
            path, os.O_RDWR | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o644
        )
        with os.fdopen(handle, "a+b") as file:
            # A line that a stop cut short is closed, so that the next one stands by itself.
            end = file.seek(0, os.SEEK_END)
            if end:
                file.seek(end - 1)
                if file.read(1) != b"\n":
                    text = "\n" + text
            file.write(text.encode("utf-8", "backslashreplace"))
    except OSError as error:
        raise BesideUnusable(
            f"{printable(path.name)} could not be written: {error.strerror}.",
            kept="The log in the database is whole.",
            todo="Check the disk and the room on it.",
        ) from error


def read_log(path: Path) -> list[LogLine]:
    """Read a roll's log file; lines that make no sense are left out."""
    found: list[LogLine] = []
    seen: set[int] = set()
    with contextlib.suppress(OSError), path.open("rb") as file:
        for line in file:
            with contextlib.suppress(ValueError, KeyError, TypeError, RecursionError):
                x = json.loads(line)
                frame = None if x["frame"] is None else int(x["frame"])
                number = int(x["id"])
                if number not in seen:
                    seen.add(number)
                    found.append(
                        LogLine(
                            number,
                            printable(str(x["at"]), 40),
                            frame,
                            printable(str(x["kind"]), 40),
                            printable(str(x["text"]), 5000),
                        )
                    )
    return found
