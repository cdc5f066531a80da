"""The two pieces of work on one raw file, as a worker process does them."""

from __future__ import annotations

import hashlib
import os
import signal
from dataclasses import dataclass, replace
from multiprocessing import parent_process
from multiprocessing.connection import wait
from pathlib import Path
from threading import Thread

from PIL import Image

from tether.disk import replace_whole
from tether.facts import Corners
from tether.film import FilmProcess
from tether.measure.levels import with_observed_saturation
from tether.positive.exif import Labels, ShotFacts, shot_facts
from tether.positive.files import eight_bit, write_jpeg, write_tiff
from tether.positive.flat_field import FlatField, flat_field
from tether.positive.linear import camera_matrix, open_linear, tile_weights
from tether.positive.printing import is_grey, print_frame
from tether.positive.rendering import Rendering
from tether.positive.sample import Sample, take_sample
from tether.raw import open_mosaic

SMALL = 640
"""Longest side of the small picture for contact sheet and page, in pixels."""


@dataclass(frozen=True, slots=True)
class SampleJob:
    """Check a raw file against its recorded SHA-256, and sample it; ``strobe``: one lit it."""

    path: Path
    sha256: str
    process: FilmProcess
    outline: Corners | None
    flat: FlatField | None
    strobe: bool = False


@dataclass(frozen=True, slots=True)
class Sampled:
    """What came of it; ``sample`` is None where the file is not what was recorded."""

    sample: Sample | None
    channels: tuple[str, ...] = ()
    shot: ShotFacts | None = None


@dataclass(frozen=True, slots=True)
class PrintJob:
    """Print a raw file. ``tiff`` None writes no TIFF."""

    path: Path
    rendering: Rendering
    flat: FlatField | None
    labels: Labels
    jpeg: Path
    tiff: Path | None
    small: Path


@dataclass(frozen=True, slots=True)
class Printed:
    """Size of the positive in pixels."""

    width: int
    height: int


def begin_worker() -> None:
    """Make a process ready for jobs: it heeds no interrupt, and ends when its parent does."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    one_thread_each()
    # A parent that is killed cannot say so, and its workers would wait for work for ever.
    if parent := parent_process():
        Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(parent: int) -> None:
    wait([parent])
    os._exit(1)


def one_thread_each() -> None:
    """Keep LibRaw, which is loaded with the first job, from a thread a core in every worker."""
    os.environ["OMP_NUM_THREADS"] = "1"


def sample(job: SampleJob) -> Sampled:
    """Do a `SampleJob`.

    Raises
    ------
    RawUnreadable, OSError
        When the file cannot be read.
    """
    with job.path.open("rb") as file:
        if hashlib.file_digest(file, "sha256").hexdigest() != job.sha256:
            return Sampled(None)
    mosaic = with_observed_saturation(open_mosaic(job.path))
    taken = take_sample(mosaic, job.process, job.outline, job.flat, strobe=job.strobe)
    if job.process is FilmProcess.TRANSPARENCY:
        taken = replace(taken, matrix=camera_matrix(job.path))
    return Sampled(taken, mosaic.channels, shot_facts(job.path))


def measure_flat(path: Path) -> FlatField:
    """Measure the flat field of a raw file of the empty gate.

    Raises
    ------
    RawUnreadable
        When it is no raw file.
    """
    return flat_field(with_observed_saturation(open_mosaic(path)))


def print_file(job: PrintJob) -> Printed:
    """Do a `PrintJob`; each file appears whole or not at all.

    Raises
    ------
    RawUnreadable, OSError
        When the raw file cannot be read or a positive not be written.
    """
    mosaic = with_observed_saturation(open_mosaic(job.path))
    rendering = job.rendering
    linear = open_linear(job.path, mosaic, half=rendering.half, grey=is_grey(rendering))
    picture = print_frame(linear, rendering, tile_weights(mosaic), job.flat)
    write_jpeg(
        picture,
        job.jpeg,
        quality=round(rendering.settings.jpeg_quality),
        labels=job.labels,
    )
    if job.tiff is not None:
        write_tiff(picture, job.tiff, labels=job.labels)
    every = max(1, max(picture.shape[:2]) // (2 * SMALL))
    small = Image.fromarray(eight_bit(picture[::every, ::every]))
    small.thumbnail((SMALL, SMALL), Image.Resampling.BOX, reducing_gap=None)
    replace_whole(job.small, lambda part: small.save(part, "JPEG", quality=85))
    return Printed(int(picture.shape[1]), int(picture.shape[0]))
