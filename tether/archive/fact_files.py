"""The JSON facts and the text log in a roll's folder: written, and read back for a rebuild.

The database is what counts; these files are written from it, so that the folder explains itself
without the program and the database can be built again from it.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from tether.archive.layout import is_file_entry
from tether.archive.records import (
    LONGEST_ROLL,
    MOST_TAKES,
    Capture,
    Companion,
    Confirmed,
    LogLine,
    NewRoll,
    Scope,
    Sitting,
)
from tether.clock import moment
from tether.description import RollDescription
from tether.disk import open_plain, replace_whole
from tether.errors import TetherError
from tether.facts import Facts
from tether.film import FilmProcess
from tether.findings import Verdict
from tether.text import is_control, parsed_json, printable

ROLL_FILE = "roll.json"
LOG_FILE = "log.jsonl"
FRAMES_FOLDER = "frames"

#: Everything that may steer a terminal, and letters beyond ASCII, which are looked at one by one.
_SUSPECT = re.compile(r"[\x00-\x09\x0b-\x1f\x7f]|[^\x00-\x7f]")

_LONGEST_LINE = 1 << 16

LARGEST_JSON = 8 << 20
"""Bytes beyond which a facts file is not ours and is not read."""


class FactFileUnusable(TetherError):
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
    FactFileUnusable
        When the disk does not take it; the old file stays as it was.
    """
    text = safe_json(facts) + "\n"
    write_bytes(path, text.encode("utf-8", "backslashreplace"))


def write_bytes(path: Path, data: bytes) -> None:
    """Replace one of our own files as a whole, as `write_json` does; raises as that does."""
    try:
        with contextlib.suppress(OSError), os.fdopen(open_plain(path), "rb") as file:
            if file.read(len(data) + 1) == data:
                return
        replace_whole(path, lambda part: part.write_bytes(data))
    except OSError as error:
        raise FactFileUnusable(
            f"{printable(path.name)} could not be written: {error.strerror}.",
            kept="The database holds what it should say, and the raw files are untouched.",
            todo="Check the disk and the room on it; the file is written again at the next start.",
        ) from error


def read_json(path: Path) -> dict[str, Any]:
    """Read a facts file; what it says is untrusted.

    Raises
    ------
    FactFileUnusable
        When it is not there, too large, or not an object in JSON.
    """
    try:
        with os.fdopen(open_plain(path), "rb") as file:
            text = file.read(LARGEST_JSON + 1)
        if len(text) > LARGEST_JSON:
            raise ValueError("it is too large")
        found = parsed_json(text.decode("utf-8"))
        if not isinstance(found, dict):
            raise ValueError("it is not an object")
    except (OSError, ValueError) as error:
        raise FactFileUnusable(
            f"{printable(path.name)} cannot be read: {printable(str(error))}.",
            kept="It was left as it is.",
        ) from error
    return found


def last_logged(path: Path) -> int:
    """Return the number of the last whole line in a roll's log file, 0 for none.

    Raises
    ------
    FactFileUnusable
        When it is a link, a pipe or a device, or the disk does not give it.
    """
    try:
        with os.fdopen(open_plain(path), "rb") as file:
            end = file.seek(0, os.SEEK_END)
            file.seek(max(0, end - 65536))
            lines = file.read().split(b"\n")
    except FileNotFoundError:
        return 0
    except OSError as error:
        raise FactFileUnusable(
            f"{printable(path.name)} cannot be read: {error.strerror}.",
            kept="The log in the database is whole.",
            todo="Move it out of the roll's folder.",
        ) from error
    for line in reversed(lines[:-1]):  # what follows the last line feed is no whole line
        with contextlib.suppress(ValueError, KeyError, TypeError, OverflowError):
            return int(parsed_json(line)["id"])
    return 0


def append_log(path: Path, lines: Iterable[LogLine]) -> None:
    """Append lines to a roll's log file, which is never rewritten.

    Raises
    ------
    FactFileUnusable
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
        handle = open_plain(path, os.O_RDWR | os.O_APPEND | os.O_CREAT)
        with os.fdopen(handle, "a+b") as file:
            # A line that a stop cut short is closed, so that the next one stands by itself.
            end = file.seek(0, os.SEEK_END)
            if end:
                file.seek(end - 1)
                if file.read(1) != b"\n":
                    text = "\n" + text
            file.write(text.encode("utf-8", "backslashreplace"))
    except OSError as error:
        raise FactFileUnusable(
            f"{printable(path.name)} could not be written: {error.strerror}.",
            kept="The log in the database is whole.",
            todo="Check the disk and the room on it.",
        ) from error


def read_log(path: Path) -> list[LogLine]:
    """Read a roll's log file; lines that make no sense are left out."""
    found: list[LogLine] = []
    seen: set[int] = set()
    with contextlib.suppress(OSError), os.fdopen(open_plain(path), "rb") as file:
        while line := file.readline(_LONGEST_LINE):
            with contextlib.suppress(ValueError, KeyError, TypeError, OverflowError):
                x = parsed_json(line)
                frame = None if x["frame"] is None else int(x["frame"])
                moment(str(x["at"]))
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


# --- facts read back, for a rebuild: untrusted, and checked value by value -----------------

_MOST_STEPS = 20_000
_DECISIONS = (None, "chosen", "other")


def read_roll_facts(folder: Path) -> tuple[NewRoll, str]:
    """Read a roll's facts and when it was begun. A number of frames out of range is put right.

    Raises
    ------
    FactFileUnusable
        When the file cannot be read or does not say what film it is.
    """
    facts = read_json(folder / ROLL_FILE)
    try:
        frames = int(facts["frames_expected"])
        new = NewRoll(
            str(facts["name"]),
            FilmProcess(facts["film"]),
            str(facts["format"]),
            min(max(frames, 1), LONGEST_ROLL),
            int(facts["strip_length"]),
            printable(str(facts.get("notes", "")), 5000),
            RollDescription.read(facts.get("description")),
        ).checked()
        return new, printable(str(facts.get("created_at", "")), 40)
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        raise FactFileUnusable(
            f"Its {ROLL_FILE} does not say what film it is ({printable(str(error), 60)}).",
            kept="The folder was left alone.",
            todo=f"Mend the {ROLL_FILE} after one of another roll, and rebuild again.",
        ) from error


def read_capture(number: int, entry: object) -> Capture | None:
    """Read a capture of frame ``number``, None where it makes no sense."""
    if not isinstance(entry, dict):
        return None
    name, size, digest = entry.get("file_name"), entry.get("size"), entry.get("sha256")
    take, decision = entry.get("take"), entry.get("decision")
    facts, settings = entry.get("facts", {}), entry.get("settings")
    if not (is_file_entry(name, size, digest) and isinstance(take, int) and 0 < take <= MOST_TAKES):
        return None
    return Capture(
        0,
        number,
        take,
        str(name),
        int(str(size)),
        str(digest),
        printable(str(entry.get("taken_at", "")), 40),
        printable(str(entry.get("origin", "rebuilt")), 40),
        decision if decision in _DECISIONS else None,
        Verdict(printable(str(entry.get("verdict", "unjudged")), 20)),
        Facts.read(facts),
        {
            printable(str(k), 40): printable(str(v), 80)
            for k, v in (settings if isinstance(settings, dict) else {}).items()
        },
    )


def read_companion(number: int, entry: object) -> Companion | None:
    """Read a companion of frame ``number``, None where it makes no sense."""
    if not isinstance(entry, dict):
        return None
    name, size, digest = entry.get("file_name"), entry.get("size"), entry.get("sha256")
    take = entry.get("take")
    if not is_file_entry(name, size, digest):
        return None
    beside = take if isinstance(take, int) and 0 < take <= MOST_TAKES else None
    return Companion(str(name), int(str(size)), str(digest), number, beside)


def read_sitting(entry: object) -> Sitting | None:
    """Read a sitting, None where it makes no sense."""
    if not isinstance(entry, dict):
        return None
    number, camera = entry.get("id"), entry.get("camera")
    begun, active = entry.get("started_at"), entry.get("active_at")
    if (
        isinstance(number, int)
        and 0 < number < 1 << 40
        and isinstance(camera, str)
        and isinstance(begun, str)
        and isinstance(active, str)
        and _is_time(begun)
        and _is_time(active)
    ):
        return Sitting(number, begun, active, printable(camera, 400), entry.get("short") is True)
    return None


def _is_time(text: str) -> bool:
    with contextlib.suppress(ValueError):
        return datetime.fromisoformat(text).tzinfo is not None
    return False


def read_steps(entries: object) -> Iterator[Confirmed]:
    """Read the steps of a sitting; those that make no sense are left out."""
    for entry in (entries if isinstance(entries, list) else [])[:_MOST_STEPS]:
        if not isinstance(entry, dict):
            continue
        key, place = entry.get("key"), entry.get("place")
        if not isinstance(key, str) or not isinstance(place, int) or not 0 <= place < 100_000:
            continue
        with contextlib.suppress(ValueError):  # a scope that a newer program has
            yield Confirmed(Scope(str(entry.get("scope"))), place, printable(key, 60))


def json_list(found: object) -> list[object]:
    """Return a list that was read from JSON, empty where it is something else."""
    return found if isinstance(found, list) else []
