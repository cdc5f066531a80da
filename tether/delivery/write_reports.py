"""What describes a delivered roll: sidecars, contact sheet, tables and page."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from tether.archive.records import Frame, Roll
from tether.delivery.contact_sheet import Cell, Sheet, save_sheets
from tether.delivery.folder import DeliveryResult, DeliveryState, printed_take, strips_of
from tether.delivery.page.page import PageFacts, page
from tether.delivery.xmp import Subject, is_as_written, raw_sidecar
from tether.disk import replace_whole
from tether.positive.flat_field import FlatField
from tether.text import printable

COLUMNS = (
    "roll", "film", "format", "strip", "frame", "state", "take", "choice", "verdict", "findings",
    "note", "file", "size", "sha256", "taken_at", "shutter", "aperture", "iso", "base_ev",
    "positive", "raw_positive",
)  # fmt: skip

#: A spreadsheet takes a cell that begins with one of these for a formula.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def rows(
    roll: Roll,
    frames: Sequence[Frame],
    positives: Mapping[str, str],
    raw_positives: Mapping[str, str],
) -> list[dict[str, Any]]:
    """Return one mapping a raw file, and one for each frame without any; keys as in `COLUMNS`.

    ``positives`` maps a raw file's name to its positive's name within the delivered folder, and
    ``raw_positives`` to its raw positive's.
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
                    "base_ev": capture.facts.seen_base_ev,
                    "positive": positives.get(capture.file_name, ""),
                    "raw_positive": raw_positives.get(capture.file_name, ""),
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
        writer.writerow({key: _plain(value) for key, value in row.items()})
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


def _plain(value: object) -> object:
    if not isinstance(value, str):
        return value
    text = printable(value, 5000)
    return f"'{text}" if text.startswith(_FORMULA) else text


def write_sidecars(state: DeliveryState, raw_folder: Path, result: DeliveryResult) -> None:
    """Write a sidecar beside each raw file, where general programs look for it.

    A sidecar that is not as this program left it belongs to somebody: it is not touched.
    """
    shots = {file.capture.file_name: file.shot for file in state.files}
    for frame in state.frames:
        for capture in frame.captures:
            path = raw_folder / f"{Path(capture.file_name).stem}.xmp"
            subject = Subject(state.roll, frame, capture, shots.get(capture.file_name))
            packet = raw_sidecar(subject, state.turn(capture), mirrored=state.mirrored(capture))
            try:
                if path.exists() and not is_as_written(path.read_bytes()):
                    result.trouble.append(
                        f"Another program changed the sidecar {printable(path.name, 80)}. It "
                        "was left as it is."
                    )
                    continue
                if not path.exists() or path.read_bytes() != packet:
                    replace_whole(path, partial(Path.write_bytes, data=packet))
            except OSError as error:
                result.trouble.append(
                    f"No sidecar {printable(path.name, 80)}: {error.strerror or error}."
                )
                continue
            result.sidecars += 1


def write_reports(
    state: DeliveryState,
    result: DeliveryResult,
    settings: Mapping[str, Any],
    log: Sequence[tuple[str, int | None, str, str]],
    *,
    flat: FlatField | None,
    base_target: float,
) -> None:
    """Write contact sheet, tables and page into the delivered folder; `PageFacts` says of what."""
    folder = state.folder
    sheets = save_sheets(sheet_of(state), folder.root)
    positives, raw_positives, pictures = {}, {}, {}
    for file in state.files:
        name = file.capture.file_name
        if folder.jpeg(name).exists() and folder.thumbnail(name).exists():
            positives[name] = f"positives/{folder.jpeg(name).name}"
            pictures[name] = folder.thumbnail(name)
        if (made := folder.raw_positive(name)).exists():
            raw_positives[name] = made.relative_to(folder.root).as_posix()
    facts = PageFacts(
        roll=state.roll,
        frames=state.frames,
        positives=positives,
        raw_positives=raw_positives,
        pictures=pictures,
        intact={file.capture.file_name: file.intact for file in state.files},
        log=log,
        trouble=tuple(result.trouble),
        other_files=tuple(path.name for path in sheets),
        contrasts={
            file.capture.file_name: word
            for file in state.files
            if (word := state.choice(file.frame.number).contrast) != "normal"
        },
        crops={file.capture.file_name: file.crop for file in state.files if file.crop},
        flat=flat,
        base_target=base_target,
    )
    texts = {
        # Spreadsheets take a file without the mark for one in an old code page.
        "roll.csv": "\ufeff" + as_csv(rows(state.roll, state.frames, positives, raw_positives)),
        "roll.json": as_json(state.roll, state.frames, settings),
        "index.html": page(facts),
    }
    for name, text in texts.items():
        replace_whole(folder.root / name, partial(Path.write_bytes, data=text.encode()))


def sheet_of(state: DeliveryState) -> Sheet:
    """Return what the contact sheet shows: strips in order, as they lie in the sleeve."""
    roll = state.roll
    return Sheet(
        title=roll.name,
        subtitle=f"{roll.process.label}, {roll.film_format.label}. {roll.notes}",
        strips=tuple(
            tuple(_cell(state, frame) for frame in strip) for strip in strips_of(roll, state.frames)
        ),
        form=roll.film_format,
    )


def _cell(state: DeliveryState, frame: Frame) -> Cell:
    chosen = printed_take(frame)
    shown = chosen or (frame.captures[-1] if frame.captures else None)
    picture = state.folder.thumbnail(chosen.file_name) if chosen else None
    return Cell(
        frame=frame.number,
        state=frame.state,
        verdict=shown.verdict if shown else "",
        take=chosen.take if chosen else None,
        takes=len(frame.captures),
        picture=picture if picture is not None and picture.exists() else None,
        turned=state.choice(frame.number).turn,
    )
