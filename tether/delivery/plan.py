"""The plan of a delivery: what has to be done, from what is kept and what was done before."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from tether.archive.archive import Archive, ArchiveUnusable
from tether.archive.records import Frame, Roll
from tether.delivery.folder import (
    Delivered,
    DeliveredFolder,
    Known,
    Whole,
    on_disk,
    stored_sample,
)
from tether.delivery.xmp import Subject, description, positive_packet
from tether.facts import Corners
from tether.positive.crop import common_outline
from tether.positive.flat import FlatField
from tether.positive.job import PrintJob, SampleJob
from tether.positive.recipe import Recipe, outline_of
from tether.positive.roll import Brief, roll_recipes
from tether.positive.sample import base_in
from tether.settings import STROBE, PositiveSettings

#: Goes up when the same raw file begins to give another sample.
_SAMPLING = 2


Job = TypeVar("Job", SampleJob, PrintJob)


@dataclass(frozen=True)
class Task(Generic[Job]):
    """A job on a chosen raw file; ``digest`` is of everything that its result depends on."""

    known: Known
    job: Job
    digest: str


def chosen_files(
    archive: Archive, roll: Roll, frames: Sequence[Frame], result: Delivered
) -> list[Known]:
    """Return the chosen raw files of a roll; one whose recorded name is no name goes to trouble."""
    found = []
    for frame in frames:
        if frame.chosen is None:
            continue
        try:
            found.append(Known(frame, frame.chosen, archive.file(roll, frame.chosen.file_name)))
        except ArchiveUnusable as error:
            result.trouble.append(f"Frame {frame.number}: {error.what}")
    return found


def samples_to_take(whole: Whole, flat: FlatField | None) -> list[Task[SampleJob]]:
    """Return the sampling that is to be done; what is known already is filled in."""
    tasks = []
    for k in whole.known:
        outline = outline_of(k.capture.facts.framing)
        strobe = k.capture.strobe
        facts = (
            _SAMPLING, k.capture.sha256, whole.roll.process.value, outline, digest_of(flat),
            *([STROBE] if strobe else []),
        )  # fmt: skip
        digest = hashlib.sha256(repr(facts).encode()).hexdigest()
        if not _sampled_before(k, whole.record.samples.get(k.capture.file_name), digest):
            job = SampleJob(k.path, k.capture.sha256, whole.roll.process, outline, flat, strobe)
            tasks.append(Task(k, job, digest))
    return tasks


def recipes(
    whole: Whole, settings: PositiveSettings, flat: FlatField | None, *, half: bool
) -> dict[str, Recipe]:
    """Work out what holds for the roll, and from it each sampled frame's recipe, by file name."""
    briefs = []
    outlines = _outlines(whole)
    for k in whole.known:
        if k.sample is None:
            continue
        choice = whole.choice(k.frame.number)
        briefs.append(
            Brief(
                k.capture.file_name,
                k.sample,
                # What was measured without a flat field does not fit one that is divided.
                base_in(k.capture.facts, k.channels) if flat is None else None,
                outlines.get(k.capture.file_name),
                whole.film_turn + choice.turn,
                choice.exposure,
                k.capture.strobe,
            )
        )
    neutral = flat.neutral if flat else None
    return roll_recipes(whole.roll.process, briefs, settings, half=half, neutral=neutral)


def _outlines(whole: Whole) -> dict[str, Corners]:
    """Return where each frame is cropped, by file name, and say so in ``Known.crop``."""
    measured = {k.capture.file_name: outline_of(k.capture.facts.framing) for k in whole.known}
    common = common_outline([outline for outline in measured.values() if outline])
    chosen = {}
    for k in whole.known:
        name = k.capture.file_name
        outline, k.crop = measured[name], "to its own edges"
        if not whole.choice(k.frame.number).crop:
            outline, k.crop = None, "none, as was asked for"
        elif outline is None and common is None:
            k.crop = "none: its edges were not seen"
        elif outline is None and k.capture.facts.framing is not None:
            # Something of it was seen, and it does not lie as it should.
            k.crop = "none: its edges are not sure"
        elif outline is None:
            outline, k.crop = common, "as the roll's other frames lie: its own edges were not seen"
        if outline is not None:
            chosen[name] = outline
    return chosen


def prints_to_make(
    whole: Whole, by_name: dict[str, Recipe], flat: FlatField | None, *, tiff: bool
) -> tuple[list[Task[PrintJob]], int]:
    """Return the printing that is to be done, and how many positives are there already."""
    tasks, there = [], 0
    for k in whole.known:
        name = k.capture.file_name
        if name not in by_name:
            continue
        job = _print_job(whole, k, by_name[name], flat, tiff)
        digest = by_name[name].digest(
            k.capture.sha256, digest_of(flat), job.xmp.decode(), str(job.tiff is not None)
        )
        if _printed_before(whole.folder, whole.record.printed.get(name), digest):
            there += 1
        else:
            tasks.append(Task(k, job, digest))
    return tasks, there


def digest_of(flat: FlatField | None) -> str:
    """Return what tells one flat field from another, "" for none."""
    return hashlib.sha256(flat.grid.tobytes()).hexdigest() if flat is not None else ""


def _print_job(
    whole: Whole, k: Known, recipe: Recipe, flat: FlatField | None, tiff: bool
) -> PrintJob:
    name = k.capture.file_name
    subject = Subject(whole.roll, k.frame, k.capture, k.shot)
    return PrintJob(
        path=k.path,
        recipe=recipe,
        flat=flat,
        shot=k.shot,
        description=description(subject),
        jpeg=whole.folder.jpeg(name),
        tiff=whole.folder.tiff(name) if tiff else None,
        small=whole.folder.thumbnail(name),
        xmp=positive_packet(subject),
    )


def _sampled_before(k: Known, entry: object, digest: str) -> bool:
    try:
        if not isinstance(entry, dict) or entry["key"] != digest:
            return False
        if entry["disk"] != on_disk(k.path):
            return False
        k.sample, k.channels, k.shot = stored_sample(entry)
    except (OSError, ValueError, TypeError, KeyError):
        return False
    k.intact = True
    return True


def _printed_before(folder: DeliveredFolder, entry: object, digest: str) -> bool:
    if not isinstance(entry, dict) or entry.get("digest") != digest:
        return False
    try:
        return all(
            (folder.root / file).stat().st_size == size for file, size in entry["files"].items()
        )
    except (OSError, KeyError, AttributeError):
        return False
