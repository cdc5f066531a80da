"""The roll as a table and as JSON, one row a raw file."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from typing import Any

from tether.archive.records import Frame, Roll
from tether.text import printable

COLUMNS = (
    "roll", "film", "format", "strip", "frame", "state", "take", "choice", "verdict", "findings",
    "note", "file", "size", "sha256", "taken_at", "shutter", "aperture", "iso", "base_ev",
    "positive",
)  # fmt: skip

#: A spreadsheet takes a cell that begins with one of these for a formula.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def rows(roll: Roll, frames: Sequence[Frame], positives: Mapping[str, str]) -> list[dict[str, Any]]:
    """Return one mapping a raw file, and one for each frame without any; keys as in `COLUMNS`.

    ``positives`` maps a raw file's name to its positive's name within the delivered folder.
    """
    found: list[dict[str, Any]] = []
    for frame in frames:
        common = {
            "roll": roll.name,
            "film": roll.process.value,
            "format": roll.format_key,
            "strip": roll.strip_of(frame.number),
            "frame": frame.number,
            "state": frame.state.value,
            "note": frame.note,
        }
        for capture in frame.captures:
            found.append(
                common
                | {
                    "take": capture.take,
                    "choice": capture.decision or "undecided",
                    "verdict": capture.verdict.value,
                    "findings": " ".join(capture.facts.texts),
                    "file": capture.file_name,
                    "size": capture.size,
                    "sha256": capture.sha256,
                    "taken_at": capture.taken_at,
                    "shutter": capture.settings.get("shutter", ""),
                    "aperture": capture.settings.get("aperture", ""),
                    "iso": capture.settings.get("iso", ""),
                    "base_ev": capture.facts.base_ev,
                    "positive": positives.get(capture.file_name, ""),
                }
            )
        if not frame.captures:
            found.append(common)
    return found


def as_csv(table: Sequence[Mapping[str, Any]]) -> str:
    """Return the table as CSV (RFC 4180), UTF-8 text with a header line.

    Text that a spreadsheet would take for a formula gets an apostrophe before it.
    """
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, restval="", lineterminator="\r\n")
    writer.writeheader()
    for row in table:
        writer.writerow({key: _cell(value) for key, value in row.items()})
    return out.getvalue()


def as_json(roll: Roll, frames: Sequence[Frame], print_settings: Mapping[str, Any]) -> str:
    """Return all that is known of the roll as JSON; keys in docs/archive-files.md."""
    facts = {
        "roll": {
            "name": roll.name,
            "film": roll.process.value,
            "format": roll.format_key,
            "frames_expected": roll.frames_expected,
            "strip_length": roll.strip_length,
            "notes": roll.notes,
        },
        "positives": dict(print_settings),
        "frames": [
            {
                "frame": frame.number,
                "strip": roll.strip_of(frame.number),
                "state": frame.state.value,
                "note": frame.note,
                "captures": [
                    {
                        "file": c.file_name,
                        "take": c.take,
                        "choice": c.decision or "undecided",
                        "verdict": c.verdict.value,
                        "facts": c.facts.stored,
                        "settings": c.settings,
                        "size": c.size,
                        "sha256": c.sha256,
                        "taken_at": c.taken_at,
                        "origin": c.origin,
                        "companions": list(c.companions),
                    }
                    for c in frame.captures
                ],
            }
            for frame in frames
        ],
    }
    return json.dumps(facts, indent=1, ensure_ascii=False) + "\n"


def _cell(value: object) -> object:
    if not isinstance(value, str):
        return value
    text = printable(value, 5000)
    return f"'{text}" if text.startswith(_FORMULA) else text
