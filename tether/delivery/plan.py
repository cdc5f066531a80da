"""The plan of a delivery: what has to be done, from what is kept and what was done before."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from tether.archive.archive import Archive, ArchiveUnusable
from tether.archive.durable import matches
from tether.archive.records import Frame, Roll
from tether.delivery.folder import (
    ChosenFile,
    DeliveredFolder,
    DeliveryResult,
    DeliveryState,
    on_disk,
    printed_take,
    stored_sample,
)
from tether.delivery.labels import positive_labels
from tether.delivery.xmp import without_version
from tether.facts import Corners
from tether.positive.flat_field import FlatField
from tether.positive.job import PrintJob, SampleJob
from tether.positive.raw_positive.make import RawPositiveJob
from tether.positive.rendering import Brief, Rendering, common_outline, outline_of, roll_renderings
from tether.positive.sample import base_in
from tether.settings import STROBE, PositiveSettings

#: Goes up when the same raw file begins to give another sample.
_SAMPLING = 3


EDGES = "edges not found"
"""Said of a frame that is not cropped at its own edges."""

Job = TypeVar("Job", SampleJob, PrintJob, RawPositiveJob)


@dataclass(frozen=True)
class Task(Generic[Job]):
    """A job on a chosen raw file; ``digest`` is of everything that its result depends on."""

    file: ChosenFile
    job: Job
    digest: str


def chosen_files(
    archive: Archive, roll: Roll, frames: Sequence[Frame], result: DeliveryResult
) -> list[ChosenFile]:
    """Return the chosen raw files of a roll; one whose recorded name is no name goes to trouble."""
    found = []
    for frame in frames:
        take = printed_take(frame)
        if take is None:
            continue
        try:
            found.append(ChosenFile(frame, take, archive.file(roll, take.file_name)))
        except ArchiveUnusable as error:
            result.trouble.append(f"Frame {frame.number}: {error.what}")
    return found


def samples_to_take(state: DeliveryState) -> list[Task[SampleJob]]:
    """Return the sampling that is to be done; what is known already is filled in."""
    tasks = []
    for file in state.files:
        outline = outline_of(file.capture.facts.framing)
        strobe = file.capture.strobe
        facts = (
            _SAMPLING, file.capture.sha256, state.roll.process.value, outline, digest_of(file.flat),
            *([STROBE] if strobe else []),
        )  # fmt: skip
        digest = hashlib.sha256(repr(facts).encode()).hexdigest()
        if not _sampled_before(file, state.record.samples.get(file.capture.file_name), digest):
            job = SampleJob(
                file.path, file.capture.sha256, state.roll.process, outline, file.flat, strobe
            )
            tasks.append(Task(file, job, digest))
    return tasks


def renderings(
    state: DeliveryState,
    settings: PositiveSettings,
    flat: FlatField | None,
    *,
    half: bool,
    contrast: str | None = None,
) -> dict[str, Rendering]:
    """Work out what holds for the roll, and from it each sampled frame's rendering, by name.

    ``contrast`` counts for all frames; None takes the one that was chosen for each.
    """
    briefs = []
    outlines = _outlines(state)
    for file in state.files:
        if file.sample is None:
            continue
        choice = state.choice(file.frame.number)
        briefs.append(
            Brief(
                file.capture.file_name,
                file.sample,
                # What was measured without a flat field does not fit one that is divided.
                base_in(file.capture.facts, file.channels) if flat is None else None,
                outlines.get(file.capture.file_name),
                state.turn(file.capture),
                choice.exposure,
                contrast or choice.contrast,
                file.capture.strobe,
                state.mirrored(file.capture),
            )
        )
    neutral = flat.neutral if flat else None
    return roll_renderings(state.roll.process, briefs, settings, half=half, neutral=neutral)


def _outlines(state: DeliveryState) -> dict[str, Corners]:
    """Return where each frame is cropped, by file name, and say so in ``ChosenFile.crop``."""
    measured = {
        file.capture.file_name: outline_of(file.capture.facts.framing) for file in state.files
    }
    common = common_outline([outline for outline in measured.values() if outline])
    chosen = {}
    for file in state.files:
        name = file.capture.file_name
        outline, file.crop = measured[name], "at the frame's edges"
        if not state.choice(file.frame.number).crop:
            outline, file.crop = None, "none, as you chose"
        elif outline is None and common is None:
            file.crop = f"none ({EDGES})"
        elif outline is None and file.capture.facts.framing is not None:
            # Something of it was seen, and it does not lie as it should.
            file.crop = f"none ({EDGES} where they should be)"
        elif outline is None:
            outline, file.crop = common, f"like the other frames ({EDGES})"
        if outline is not None:
            chosen[name] = outline
    return chosen


def uncropped_frames(state: DeliveryState) -> str:
    """Return a sentence that names the frames whose edges were not found, "" for none."""
    numbers = [
        str(file.frame.number)
        for file in state.files
        if EDGES in file.crop and file.crop.startswith("none")
    ]
    if not numbers:
        return ""
    several = len(numbers) > 1
    which = f"frame{'s' * several} {', '.join(numbers)}"
    if several and len(numbers) == len(state.files):
        which = "all frames"
    return (
        f"The edges of {which} were not found: {'their' if several else 'its'} "
        f"positive{'s show' if several else ' shows'} the whole view, with the film's borders."
    )


def prints_to_make(
    state: DeliveryState, by_name: dict[str, Rendering], *, tiff: bool
) -> tuple[list[Task[PrintJob]], int]:
    """Return the printing that is to be done, and how many positives are there already."""
    tasks, there = [], 0
    for file in state.files:
        name = file.capture.file_name
        if name not in by_name:
            continue
        job = _print_job(state, file, by_name[name], tiff)
        digest = by_name[name].digest(
            file.capture.sha256,
            digest_of(file.flat),
            without_version(job.labels.xmp),
            repr(job.labels.per_inch),
            str(job.tiff is not None),
        )
        if made_before(state.folder, state.record.printed.get(name), digest):
            there += 1
        else:
            tasks.append(Task(file, job, digest))
    return tasks, there


def digest_of(flat: FlatField | None) -> str:
    """Return what tells one flat field from another, "" for none."""
    return hashlib.sha256(flat.grid.tobytes()).hexdigest() if flat is not None else ""


def _print_job(
    state: DeliveryState, file: ChosenFile, rendering: Rendering, tiff: bool
) -> PrintJob:
    name = file.capture.file_name
    return PrintJob(
        path=file.path,
        rendering=rendering,
        flat=file.flat,
        labels=positive_labels(state, file, rendering),
        jpeg=state.folder.jpeg(name),
        tiff=state.folder.tiff(name) if tiff else None,
        small=state.folder.thumbnail(name),
    )


def _sampled_before(file: ChosenFile, entry: object, digest: str) -> bool:
    try:
        if not isinstance(entry, dict) or entry["key"] != digest:
            return False
        if entry["disk"] != on_disk(file.path):
            return False
        # Size and time say nothing of a disk that loses bits: what is delivered was read.
        if not matches(file.path, file.capture.size, file.capture.sha256):
            return False
        file.sample, file.channels, file.shot = stored_sample(entry)
    except (OSError, ValueError, TypeError, KeyError):
        return False
    file.intact = True
    return True


def made_before(folder: DeliveredFolder, entry: object, digest: str) -> bool:
    """Tell whether an entry of the record has that digest, and its files are still there."""
    if not isinstance(entry, dict) or entry.get("digest") != digest:
        return False
    try:
        return all(
            (folder.root / file).stat().st_size == size for file, size in entry["files"].items()
        )
    except (OSError, KeyError, AttributeError):
        return False
