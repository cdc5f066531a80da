"""The doing of a delivery: gives the planned jobs to a crew, and records each as it is done."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass

from tether.errors import TetherError
from tether.positive.exif import ShotFacts
from tether.positive.job import PrintJob, SampleJob, print_file, sample
from tether.report.deliver_plan import Job, Task
from tether.report.delivered import Delivered, Whole, on_disk
from tether.report.workers import Crew
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
    """Check and sample raw files; what came of it goes into ``whole`` and its record."""
    by_job = {id(task.job): number for number, task in enumerate(tasks)}
    trouble: dict[int, str] = {}
    found = crew.each_done(sample, [task.job for task in tasks], _largest(tasks))
    for done, (job, sampled) in enumerate(found, 1):
        number = by_job[id(job)]
        task = tasks[number]
        k = task.known
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
                "key": task.digest,
                "disk": on_disk(k.path),
                "sample": asdict(sampled.sample),
                "channels": sampled.channels,
                "shot": asdict(k.shot),
            }
        report(Step("check", done, len(tasks), name))
    result.trouble += _in_order(trouble)
    whole.folder.write(whole.record)


def make_prints(
    tasks: Sequence[Task[PrintJob]], crew: Crew, whole: Whole, result: Delivered, report: Report
) -> None:
    """Print positives; each is recorded as soon as it is whole, so that a stop costs no other."""
    by_job = {id(task.job): number for number, task in enumerate(tasks)}
    trouble: dict[int, str] = {}
    found = crew.each_done(print_file, [task.job for task in tasks], _largest(tasks))
    for done, (job, printed) in enumerate(found, 1):
        number = by_job[id(job)]
        task = tasks[number]
        name = task.known.capture.file_name
        if isinstance(printed, Exception):
            trouble[number] = f"No positive of {printable(name, 80)}: {_reason(printed)}"
        else:
            result.printed += 1
            files = [job.jpeg, job.small, *([job.tiff] if job.tiff else [])]
            whole.record.printed[name] = {
                "digest": task.digest,
                "width": printed.width,
                "height": printed.height,
                "files": {str(p.relative_to(whole.folder.root)): p.stat().st_size for p in files},
            }
            whole.folder.write(whole.record)
        report(Step("print", done, len(tasks), f"frame {task.known.frame.number}"))
    result.trouble += _in_order(trouble)


def _in_order(trouble: dict[int, str]) -> list[str]:
    """Jobs end in any order; what is said of them keeps the roll's."""
    return [trouble[number] for number in sorted(trouble)]


def _largest(tasks: Sequence[Task[Job]]) -> int:
    return max((task.known.capture.size for task in tasks), default=0)


def _reason(error: Exception) -> str:
    text = error.what if isinstance(error, TetherError) else f"{type(error).__name__}: {error}"
    return printable(text, 300)
