"""The doing of a delivery: gives the planned jobs to a crew, and records each as it is done."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import asdict, dataclass
from pathlib import Path

from tether.delivery.folder import Delivered, Whole, on_disk
from tether.delivery.plan import Job, Task
from tether.delivery.workers import Crew, Result
from tether.errors import TetherError
from tether.paths import reason
from tether.positive.exif import ShotFacts
from tether.positive.job import Printed, PrintJob, Sampled, SampleJob, print_file, sample
from tether.text import printable


@dataclass(frozen=True, slots=True)
class Step:
    """A step of the work for whoever shows it: a phase, how far it is, and what was done."""

    phase: str
    done: int
    total: int
    text: str = ""


Report = Callable[[Step], None]


def take_samples(
    tasks: Sequence[Task[SampleJob]], crew: Crew, whole: Whole, result: Delivered, report: Report
) -> None:
    """Check and sample raw files; each is recorded at once, so that a stop costs no other."""
    trouble: dict[int, str] = {}

    def take(done: int, number: int, sampled: Sampled | Exception) -> None:
        k = tasks[number].known
        name = printable(k.capture.file_name, 80)
        if isinstance(sampled, Exception):
            trouble[number] = _not_read(name, k.path, sampled)
        elif sampled.sample is None:
            trouble[number] = (
                f"{name} is not the file that was recorded: its SHA-256 differs. "
                "Compare it with a copy before you use it."
            )
        else:
            try:
                disk = on_disk(k.path)
            except OSError as gone:  # between the sampling and now
                trouble[number] = _not_read(name, k.path, gone)
                report(Step("check", done, len(tasks), name))
                return
            k.sample, k.channels, k.intact = sampled.sample, sampled.channels, True
            k.shot = sampled.shot or ShotFacts()
            whole.record.samples[k.capture.file_name] = {
                "key": tasks[number].digest,
                "disk": disk,
                "sample": asdict(sampled.sample),
                "channels": sampled.channels,
                "shot": asdict(k.shot),
            }
            whole.folder.write(whole.record)
        report(Step("check", done, len(tasks), name))

    if tasks:
        report(Step("check", 0, len(tasks)))
    _each(crew, sample, tasks, take)
    result.trouble += _in_order(trouble)


def make_prints(
    tasks: Sequence[Task[PrintJob]], crew: Crew, whole: Whole, result: Delivered, report: Report
) -> None:
    """Print positives; each is recorded as soon as it is whole, so that a stop costs no other."""
    trouble: dict[int, str] = {}

    def take(done: int, number: int, printed: Printed | Exception) -> None:
        k, job = tasks[number].known, tasks[number].job
        name = k.capture.file_name
        if isinstance(printed, Exception):
            trouble[number] = _not_printed(printable(name, 80), k.path, printed)
        elif gone := _missing((job.jpeg, job.small, *([job.tiff] if job.tiff else []))):
            trouble[number] = (
                f"The positive of {printable(name, 80)} was printed and is gone again "
                f"({gone.name}). Deliver again, with nothing else at work in that folder."
            )
        else:
            files = [job.jpeg, job.small, *([job.tiff] if job.tiff else [])]
            whole.record.printed[name] = {
                "digest": tasks[number].digest,
                "width": printed.width,
                "height": printed.height,
                "files": {str(p.relative_to(whole.folder.root)): p.stat().st_size for p in files},
            }
            whole.folder.write(whole.record)
            result.printed += 1
        report(Step("print", done, len(tasks), f"frame {k.frame.number}"))

    if tasks:
        report(Step("print", 0, len(tasks)))
    _each(crew, print_file, tasks, take)
    result.trouble += _in_order(trouble)


def _each(
    crew: Crew,
    work: Callable[[Job], Result],
    tasks: Sequence[Task[Job]],
    take: Callable[[int, int, Result | Exception], None],
) -> None:
    """Have the tasks done; ``take`` is given how many are, a task's number, and its outcome."""
    numbers = {id(task.job): number for number, task in enumerate(tasks)}
    largest = max((task.known.capture.size for task in tasks), default=0)
    # Closed when it is left, however that is: what is under way is then called off at once.
    with closing(crew.each_done(work, [task.job for task in tasks], largest)) as found:
        for done, (job, outcome) in enumerate(found, 1):
            take(done, numbers[id(job)], outcome)


def _in_order(trouble: dict[int, str]) -> list[str]:
    """Jobs end in any order; what is said of them keeps the roll's."""
    return [trouble[number] for number in sorted(trouble)]


def _missing(files: Sequence[Path]) -> Path | None:
    """Return the first file that is not there."""
    return next((path for path in files if not path.is_file()), None)


def _not_read(name: str, path: Path, error: Exception) -> str:
    """Say that a raw file could not be read, and what next."""
    if isinstance(error, OSError) and not path.exists():
        return (
            f"{name} is not in the roll's folder any more. Put it back there, from the second "
            "folder or the camera's card; 'tether verify' names all that is missing."
        )
    if isinstance(error, OSError):
        return f"{name} cannot be read: {reason(error)}. See to the disk, then deliver again."
    return f"{name} cannot be read: {without_rest(error)}"


def _not_printed(name: str, path: Path, error: Exception) -> str:
    """Say that a positive could not be made, and what next."""
    if not path.exists():
        return _not_read(name, path, FileNotFoundError())
    if isinstance(error, OSError):
        return (
            f"No positive of {name}: {reason(error)}. Finished ones stay; see to the disk, then "
            "deliver again."
        )
    return f"No positive of {name}: {without_rest(error)}"


def without_rest(error: Exception) -> str:
    """Return what happened, in words where the error has any: for a line among others."""
    if isinstance(error, TetherError):
        return printable(error.what, 300)
    if isinstance(error, OSError):
        return f"{reason(error)}."
    return printable(f"{type(error).__name__}: {error}", 300)
