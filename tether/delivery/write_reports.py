"""What describes a delivered roll: sidecars, contact sheet, tables and page."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from tether.archive.records import Frame, FrameState, Roll
from tether.camera.values import f_number, shutter_seconds
from tether.delivery.contact_sheet import Cell, Sheet, contact_sheet
from tether.delivery.folder import DeliveryResult, DeliveryState, printed_take, strips_of
from tether.delivery.page.page import PageFacts, page
from tether.delivery.plan import EDGES
from tether.delivery.xmp import Subject, is_as_written, raw_sidecar
from tether.disk import replace_whole
from tether.findings import Verdict
from tether.pdf import PAPERS
from tether.positive.flat_field import FlatField
from tether.text import printable

COLUMNS = (
    "roll", "film", "format", "strip", "frame", "state", "take", "choice", "verdict", "findings",
    "note", "file", "size", "sha256", "taken_at", "shutter", "aperture", "iso", "base_ev",
    "positive", "raw_positive", "shutter_s", "f_number", "caption",
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
            "caption": frame.description.caption,
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
                    "shutter_s": shutter_seconds(capture.settings.get("shutter", "")),
                    "f_number": f_number(capture.settings.get("aperture", "")),
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
            "description": roll.description.stored,
        },
        "positives": dict(print_settings),
        "frames": [
            {
                "frame": frame.number,
                "strip": roll.strip_of(frame.number),
                "state": frame.state.value,
                "note": frame.note,
                "description": frame.description.stored,
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


def sidecar_name(raw_name: str, *, whole: bool) -> str:
    """Return the name of a raw file's sidecar: beside its whole name, or that without ending."""
    return f"{raw_name if whole else Path(raw_name).stem}.xmp"


def write_sidecars(
    state: DeliveryState, raw_folder: Path, result: DeliveryResult, *, whole: bool
) -> None:
    """Write a sidecar beside each raw file, where general programs look for it.

    One of our own under the other name (``whole`` as in `sidecar_name`) is taken away.

    A sidecar that is not as this program left it belongs to somebody: it is not touched.
    """
    shots = {file.capture.file_name: file.shot for file in state.files}
    for frame in state.frames:
        for capture in frame.captures:
            path = raw_folder / sidecar_name(capture.file_name, whole=whole)
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
                other = raw_folder / sidecar_name(capture.file_name, whole=not whole)
                if other.exists() and is_as_written(other.read_bytes()):
                    other.unlink()
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
    sheets = save_sheets(sheet_of(state), folder.root, result)
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


def save_sheets(sheet: Sheet, folder: Path, result: DeliveryResult) -> list[Path]:
    """Write the sheet for each paper; return the files. Letters without a font are told of."""
    written = []
    for paper in PAPERS:
        pages = contact_sheet(sheet, paper)
        written.append(folder / f"contact-sheet-{paper}.pdf")
        replace_whole(written[-1], partial(Path.write_bytes, data=pages.as_bytes()))
    if pages.lacking:
        result.notes.append(
            f"No font on this machine has {printable(pages.lacking, 40)}: the contact sheet shows "
            "boxes for it. Install a font for that script, for example one of the Noto fonts, and "
            "deliver again."
        )
    return written


def sheet_of(state: DeliveryState) -> Sheet:
    """Return what the keeper's contact sheet shows: strips in order, as they lie in the sleeve."""
    roll = state.roll
    about = roll.description
    said = ", ".join(
        filter(None, (about.subject, about.place, about.date, about.photographer, about.rights))
    )
    days = sorted(day for f in state.frames for c in f.captures if (day := _day(c.taken_at)))
    return Sheet(
        title=roll.name,
        lines=tuple(
            filter(None, (f"{roll.process.label}, {roll.film_format.label}", said, roll.notes))
        ),
        author=roll.description.photographer,
        strips=tuple(
            tuple(_cell(state, frame) for frame in strip) for strip in strips_of(roll, state.frames)
        ),
        form=roll.film_format,
        foot=f"{roll.name}. Photographed {_period(days)}." if days else roll.name,
        made=days[-1] if days else None,
    )


def _day(taken_at: str) -> datetime | None:
    """Return the day of a stored time, None for one that cannot be read."""
    try:
        return datetime.fromisoformat(taken_at[:10]).replace(tzinfo=UTC)
    except ValueError:
        return None


def _period(days: Sequence[datetime]) -> str:
    first, last = f"{days[0]:%Y-%m-%d}", f"{days[-1]:%Y-%m-%d}"
    return first if first == last else f"{first} to {last}"


def _cell(state: DeliveryState, frame: Frame) -> Cell:
    chosen = printed_take(frame)
    shown = chosen or (frame.captures[-1] if frame.captures else None)
    picture = state.folder.thumbnail(chosen.file_name) if chosen else None
    if picture is not None and not picture.exists():
        picture = None
    words = []
    if picture is not None and frame.state is not FrameState.KEPT:
        words.append(frame.state.value)
    if shown is not None and shown.verdict is not Verdict.KEEP:
        words.append(shown.verdict.word)
    if chosen is not None and len(frame.captures) > 1:
        words.append(f"take {chosen.take} of {len(frame.captures)}")
    crops = {file.capture.file_name: file.crop for file in state.files}
    if chosen is not None and EDGES in crops.get(chosen.file_name, ""):
        words.append(EDGES)
    return Cell(
        frame=frame.number,
        words=", ".join(words),
        caption=frame.description.caption or frame.note,
        picture=picture,
        turned=state.choice(frame.number).turn,
        empty="no picture" if frame.state is FrameState.KEPT else frame.state.value,
    )
