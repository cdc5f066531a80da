"""The doing of a delivery: gives the planned jobs to a crew, and records each as it is done."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import asdict, dataclass

from tether.errors import TetherError
from tether.positive.exif import ShotFacts
from tether.positive.job import Printed, PrintJob, Sampled, SampleJob, print_file, sample
from tether.report.deliver_plan import Job, Task
from tether.report.delivered import Delivered, Whole, on_disk
from tether.report.workers import Crew, Result
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
            trouble[number] = f"{name} cannot be read: {_reason(sampled)}"
        elif sampled.sample is None:
            trouble[number] = (
                f"{name} is not the file that was recorded: its SHA-256 differs. "
                "Compare it with a copy before you use it."
            )
        else:
            k.sample, k.channels, k.intact = sampled.sample, sampled.channels, True
            k.shot = sampled.shot or ShotFacts()
            whole.record.samples[k.capture.file_name] = {
                "key": tasks[number].digest,
                "disk": on_disk(k.path),
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
            trouble[number] = f"No positive of {printable(name, 80)}: {_reason(printed)}"
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


def _reason(error: Exception) -> str:
    text = error.what if isinstance(error, TetherError) else f"{type(error).__name__}: {error}"
    return printable(text, 300)
