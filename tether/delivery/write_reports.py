"""What describes a delivered roll: sidecars, contact sheet, tables and page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from tether.archive.records import Frame
from tether.delivery.contact_sheet import Cell, Sheet, save_sheets
from tether.delivery.folder import Delivered, Whole
from tether.delivery.page.facts import PageFacts
from tether.delivery.page.page import page
from tether.delivery.tables import as_csv, as_json, rows
from tether.delivery.xmp import Subject, is_as_written, raw_sidecar
from tether.positive.files import replaced
from tether.positive.flat import FlatField
from tether.text import printable


def write_sidecars(whole: Whole, raw_folder: Path, result: Delivered) -> None:
    """Write a sidecar beside each raw file, where general programs look for it.

    A sidecar that is not as this program left it belongs to somebody: it is not touched.
    """
    shots = {k.capture.file_name: k.shot for k in whole.known}
    for frame in whole.frames:
        for capture in frame.captures:
            path = raw_folder / f"{Path(capture.file_name).stem}.xmp"
            subject = Subject(whole.roll, frame, capture, shots.get(capture.file_name))
            packet = raw_sidecar(subject, whole.film_turn + whole.choice(frame.number).turn)
            try:
                if path.exists() and not is_as_written(path.read_bytes()):
                    result.trouble.append(
                        f"{printable(path.name, 80)} is not as this program left it, so another "
                        "one changed it; it is not touched."
                    )
                    continue
                if not path.exists() or path.read_bytes() != packet:
                    _put(path, packet)
            except OSError as error:
                result.trouble.append(
                    f"No sidecar {printable(path.name, 80)}: {error.strerror or error}."
                )
                continue
            result.sidecars += 1


def write_reports(
    whole: Whole,
    result: Delivered,
    settings: Mapping[str, Any],
    log: Sequence[tuple[str, int | None, str, str]],
    *,
    flat: FlatField | None,
    base_target: float,
) -> None:
    """Write contact sheet, tables and page into the delivered folder; `PageFacts` says of what."""
    folder = whole.folder
    sheets = save_sheets(sheet_of(whole), folder.root, replaced)
    positives, pictures = {}, {}
    for k in whole.known:
        name = k.capture.file_name
        if folder.jpeg(name).exists() and folder.thumbnail(name).exists():
            positives[name] = f"positives/{folder.jpeg(name).name}"
            pictures[name] = folder.thumbnail(name)
    table = as_csv(rows(whole.roll, whole.frames, positives))
    # Spreadsheets take a file without the mark for one in an old code page.
    _put(folder.root / "roll.csv", ("\ufeff" + table).encode("utf-8"))
    _put(folder.root / "roll.json", as_json(whole.roll, whole.frames, settings).encode("utf-8"))
    facts = PageFacts(
        roll=whole.roll,
        frames=whole.frames,
        positives=positives,
        pictures=pictures,
        intact={k.capture.file_name: k.intact for k in whole.known},
        log=log,
        trouble=tuple(result.trouble),
        other_files=tuple(path.name for path in sheets),
        crops={k.capture.file_name: k.crop for k in whole.known if k.crop},
        flat=flat,
        base_target=base_target,
    )
    _put(folder.root / "index.html", page(facts).encode("utf-8"))


def sheet_of(whole: Whole) -> Sheet:
    """Return what the contact sheet shows: strips in order, as they lie in the sleeve."""
    roll = whole.roll
    by_number = {f.number: f for f in whole.frames}
    numbers = [list(roll.frames_of(strip)) for strip in range(1, roll.strips + 1)]
    # Frames beyond the expected end of the roll lie behind it.
    numbers.append(list(range(roll.frames_expected + 1, max(by_number) + 1)))
    strips = [tuple(_cell(whole, by_number[n]) for n in strip) for strip in numbers if strip]
    return Sheet(
        title=roll.name,
        subtitle=f"{roll.process.label}, {roll.film_format.label}. {roll.notes}",
        strips=tuple(strips),
        form=roll.film_format,
    )


def _cell(whole: Whole, frame: Frame) -> Cell:
    chosen = frame.chosen
    shown = chosen or (frame.captures[-1] if frame.captures else None)
    picture = whole.folder.thumbnail(chosen.file_name) if chosen else None
    return Cell(
        frame=frame.number,
        state=frame.state,
        verdict=shown.verdict if shown else "",
        take=chosen.take if chosen else None,
        takes=len(frame.captures),
        picture=picture if picture is not None and picture.exists() else None,
        turned=whole.choice(frame.number).turn,
    )


def _put(path: Path, data: bytes) -> None:
    def write(part: Path) -> None:
        part.write_bytes(data)

    replaced(path, write)
