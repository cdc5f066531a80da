"""What describes a delivered roll: sidecars, contact sheet, tables and page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from tether.archive.records import Frame
from tether.delivery.contact_sheet import Cell, Sheet, save_sheets
from tether.delivery.folder import DeliveryResult, DeliveryState, strips_of
from tether.delivery.page.page import PageFacts, page
from tether.delivery.tables import as_csv, as_json, rows
from tether.delivery.xmp import Subject, is_as_written, raw_sidecar
from tether.positive.files import replaced
from tether.positive.flat_field import FlatField
from tether.text import printable


def write_sidecars(state: DeliveryState, raw_folder: Path, result: DeliveryResult) -> None:
    """Write a sidecar beside each raw file, where general programs look for it.

    A sidecar that is not as this program left it belongs to somebody: it is not touched.
    """
    shots = {file.capture.file_name: file.shot for file in state.files}
    for frame in state.frames:
        for capture in frame.captures:
            path = raw_folder / f"{Path(capture.file_name).stem}.xmp"
            subject = Subject(state.roll, frame, capture, shots.get(capture.file_name))
            packet = raw_sidecar(subject, state.film_turn + state.choice(frame.number).turn)
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
    sheets = save_sheets(sheet_of(state), folder.root, replaced)
    positives, pictures = {}, {}
    for file in state.files:
        name = file.capture.file_name
        if folder.jpeg(name).exists() and folder.thumbnail(name).exists():
            positives[name] = f"positives/{folder.jpeg(name).name}"
            pictures[name] = folder.thumbnail(name)
    table = as_csv(rows(state.roll, state.frames, positives))
    # Spreadsheets take a file without the mark for one in an old code page.
    _put(folder.root / "roll.csv", ("\ufeff" + table).encode("utf-8"))
    _put(folder.root / "roll.json", as_json(state.roll, state.frames, settings).encode("utf-8"))
    facts = PageFacts(
        roll=state.roll,
        frames=state.frames,
        positives=positives,
        pictures=pictures,
        intact={file.capture.file_name: file.intact for file in state.files},
        log=log,
        trouble=tuple(result.trouble),
        other_files=tuple(path.name for path in sheets),
        crops={file.capture.file_name: file.crop for file in state.files if file.crop},
        flat=flat,
        base_target=base_target,
    )
    _put(folder.root / "index.html", page(facts).encode("utf-8"))


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
    chosen = frame.chosen
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


def _put(path: Path, data: bytes) -> None:
    def write(part: Path) -> None:
        part.write_bytes(data)

    replaced(path, write)
