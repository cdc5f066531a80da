"""Deliver a roll: have its raw files sampled and printed, record each, and describe the result."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from tether.archive.archive import Archive
from tether.archive.fact_files import FactFileUnusable
from tether.archive.layout import BENCH_FOLDER
from tether.archive.records import Roll
from tether.bench.light_record import LightRecord
from tether.delivery.cluster import ClusterCrew
from tether.delivery.crew import Crew, LocalCrew, Result
from tether.delivery.folder import (
    ChosenFile,
    DeliveredFolder,
    DeliveryOptions,
    DeliveryResult,
    DeliveryState,
    choices_with,
    on_disk,
    without_pictures,
)
from tether.delivery.labels import clocks_that_differ
from tether.delivery.plan import (
    Job,
    Task,
    chosen_files,
    prints_to_make,
    renderings,
    samples_to_take,
    uncropped_frames,
)
from tether.delivery.raw_positives import (
    note_clipped,
    raw_positives_to_make,
    raw_renderings,
)
from tether.delivery.write_reports import write_reports, write_sidecars
from tether.errors import TetherError
from tether.measure.roll.memory import RollMemory
from tether.paths import reason, whole_path
from tether.positive.exif import ShotFacts
from tether.positive.flat_field import FlatField, from_grid
from tether.positive.job import (
    Printed,
    PrintJob,
    Sampled,
    SampleJob,
    measure_flat,
    print_file,
    sample,
)
from tether.positive.raw_positive.make import RawPositive, RawPositiveJob, make_raw_positive
from tether.settings import Settings
from tether.text import printable


@dataclass(frozen=True, slots=True)
class DeliveryStep:
    """A step of the work for whoever shows it: a phase, how far it is, and what was done."""

    phase: str
    done: int
    total: int
    text: str = ""


Report = Callable[[DeliveryStep], None]


def take_samples(
    tasks: Sequence[Task[SampleJob]],
    crew: Crew,
    state: DeliveryState,
    result: DeliveryResult,
    report: Report,
) -> None:
    """Check and sample raw files; each is recorded at once, so that a stop costs no other."""

    def take(task: Task[SampleJob], sampled: Sampled | Exception) -> str:
        file, name = task.file, _name_of(task)
        if isinstance(sampled, Exception):
            return _not_read(name, file.path, sampled)
        if sampled.sample is None:
            return (
                f"{name} is not the file that was recorded: its SHA-256 differs. "
                "Compare it with a copy before you use it."
            )
        try:
            disk = on_disk(file.path)
        except OSError as gone:  # between the sampling and now
            return _not_read(name, file.path, gone)
        file.sample, file.channels, file.intact = sampled.sample, sampled.channels, True
        file.shot = sampled.shot or ShotFacts()
        state.record.samples[file.capture.file_name] = {
            "key": task.digest,
            "disk": disk,
            "sample": asdict(sampled.sample),
            "channels": sampled.channels,
            "shot": asdict(file.shot),
        }
        state.folder.write(state.record)
        return ""

    steps = _Steps("check", report, _name_of)
    result.trouble += _each(crew, sample, tasks, take, steps)


def make_prints(
    tasks: Sequence[Task[PrintJob]],
    crew: Crew,
    state: DeliveryState,
    result: DeliveryResult,
    report: Report,
) -> None:
    """Print positives; each is recorded as soon as it is whole, so that a stop costs no other."""

    def take(task: Task[PrintJob], printed: Printed | Exception) -> str:
        job, name = task.job, _name_of(task)
        files = [job.jpeg, job.small, *([job.tiff] if job.tiff else [])]
        if isinstance(printed, Exception):
            return _not_printed(name, task.file.path, printed)
        if gone := _missing(files):
            return (
                f"The positive of {name} was made, but has gone ({gone.name}). "
                "Deliver again while no other program uses that folder."
            )
        state.record.printed[task.file.capture.file_name] = {
            "digest": task.digest,
            "width": printed.width,
            "height": printed.height,
            "files": {str(p.relative_to(state.folder.root)): p.stat().st_size for p in files},
        }
        state.folder.write(state.record)
        result.printed += 1
        return ""

    steps = _Steps("print", report, _frame_of)
    result.trouble += _each(crew, print_file, tasks, take, steps)


def make_raw_positives(
    tasks: Sequence[Task[RawPositiveJob]],
    crew: Crew,
    state: DeliveryState,
    result: DeliveryResult,
    report: Report,
) -> None:
    """Make raw positives; each is recorded at once, so that a stop costs no other."""

    def take(task: Task[RawPositiveJob], made: RawPositive | Exception) -> str:
        output, name = task.job.output, _name_of(task)
        if isinstance(made, Exception):
            return _not_printed(name, task.file.path, made, "raw positive")
        if _missing((output,)):
            return (
                f"The raw positive of {name} was made and is gone again. "
                "Deliver again, with nothing else at work in that folder."
            )
        inside = str(output.relative_to(state.folder.root))
        state.record.raw_positives[output.name] = {
            "digest": task.digest,
            "words": made.words,
            "files": {inside: output.stat().st_size},
        }
        state.folder.write(state.record)
        result.raw_made += 1
        return ""

    if tasks:
        state.folder.raw_positives.mkdir(exist_ok=True)
    steps = _Steps("raw", report, _frame_of)
    result.trouble += _each(crew, make_raw_positive, tasks, take, steps)


@dataclass(frozen=True, slots=True)
class _Steps:
    """How a phase of the work is reported; ``text`` says what was done of a task."""

    phase: str
    report: Report
    text: Callable[[Task[Any]], str]


def _name_of(task: Task[Any]) -> str:
    return printable(task.file.capture.file_name, 80)


def _frame_of(task: Task[Any]) -> str:
    return f"frame {task.file.frame.number}"


def _each(
    crew: Crew,
    work: Callable[[Job], Result],
    tasks: Sequence[Task[Job]],
    take: Callable[[Task[Job], Result | Exception], str],
    steps: _Steps,
) -> list[str]:
    """Have the tasks done; return what went wrong, in the roll's order.

    ``take`` is given a task and its outcome, in whatever order they end, and returns what went
    wrong with it, "" for nothing.
    """
    numbers = {id(task.job): number for number, task in enumerate(tasks)}
    largest = max((task.file.capture.size for task in tasks), default=0)
    trouble: dict[int, str] = {}
    if tasks:
        steps.report(DeliveryStep(steps.phase, 0, len(tasks)))
    # Closed when it is left, however that is: what is under way is then called off at once.
    with closing(crew.each_done(work, [task.job for task in tasks], largest)) as found:
        for done, (job, outcome) in enumerate(found, 1):
            number = numbers[id(job)]
            if wrong := take(tasks[number], outcome):
                trouble[number] = wrong
            steps.report(DeliveryStep(steps.phase, done, len(tasks), steps.text(tasks[number])))
    return [trouble[number] for number in sorted(trouble)]


def _missing(files: Sequence[Path]) -> Path | None:
    """Return the first file that is not there."""
    return next((path for path in files if not path.is_file()), None)


def _not_read(name: str, path: Path, error: Exception) -> str:
    """Say that a raw file could not be read, and what next."""
    if isinstance(error, OSError) and not path.exists():
        return (
            f"{name} is missing from the roll's folder. Put it back from the copy folder or the "
            "camera's card. 'tether verify' lists all missing files."
        )
    if isinstance(error, OSError):
        return f"{name} cannot be read: {reason(error)}. Check the disk, then deliver again."
    return f"{name} cannot be read: {without_rest(error)}"


def _not_printed(name: str, path: Path, error: Exception, what: str = "positive") -> str:
    """Say that a positive could not be made, and what next."""
    if not path.exists():
        return _not_read(name, path, FileNotFoundError())
    if isinstance(error, OSError):
        return (
            f"No {what} of {name}: {reason(error)}. Finished positives are kept. Check the "
            "disk, then deliver again."
        )
    return f"No {what} of {name}: {without_rest(error)}"


def without_rest(error: Exception) -> str:
    """Return what happened, in words where the error has any: for a line among others."""
    if isinstance(error, TetherError):
        return printable(error.what, 300)
    if isinstance(error, OSError):
        return f"{reason(error)}."
    return printable(f"{type(error).__name__}: {error}", 300)


class RollDelivery:
    """Delivers one roll into one folder; finished positives are not made again.

    Parameters
    ----------
    archive, roll
        What is delivered. Raw files are read and never written.
    settings
        Of the program.
    options
        Of the person.
    report
        Is told each step.
    local
        Processes of this machine that do the work; None has the delivery start its own.

    Raises
    ------
    TetherError
        When the folder holds something else.
    """

    def __init__(
        self,
        archive: Archive,
        roll: Roll,
        settings: Settings,
        options: DeliveryOptions,
        report: Report,
        local: LocalCrew | None = None,
    ) -> None:
        self.local = local
        self.archive, self.roll, self.options, self.report = archive, roll, options, report
        self.house = settings
        self.settings, self.base_target = settings.positive, settings.exposure.base_target_ev
        raw = settings.raw_positive
        make = raw.make or options.raw_positive or options.raw_form is not None
        self.raw = replace(raw, make=make, form=options.raw_form or raw.form)
        self.frames = archive.store.frames.of(roll)
        self.folder = DeliveredFolder(
            options.to or archive.folder(roll) / "delivered",
            roll.name,
            roll.description.former_names,
        )
        self.result = DeliveryResult(self.folder.root, left_out=without_pictures(self.frames))

    def run(self) -> DeliveryResult:
        """Do all of it.

        Raises
        ------
        TetherError
            When there is nothing to deliver, a wish is for no frame of the roll, the folder
            cannot be written to or is in use, or the workers cannot be had.
        """
        if self.options.contrasts and not self.roll.process.is_negative:
            raise TetherError(
                "A contrast can be chosen for positives of negatives only.",
                kept="Nothing was changed.",
                todo="Leave --contrast away: a transparency is a positive already.",
            )
        files = chosen_files(self.archive, self.roll, self.frames, self.result)
        if not files:
            raise TetherError(
                f"No frame of '{printable(self.roll.name)}' has been kept yet.",
                kept="Nothing was changed.",
                todo="Shoot and keep frames first: tether shoot.",
            )
        self._see_folder()
        numbers = [frame.number for frame in self.frames]
        flat = self._flat()
        self._give_flats(files, flat)
        with self.folder.held():
            record = self.folder.read()
            record.choices = choices_with(record.choices, self.options, self.roll, numbers)
            state = DeliveryState(self.roll, self.frames, self.folder, files, record)
            try:
                self.folder.write(record)
                with self.crew(state) as crew:
                    self._work(state, flat, crew)
                self._describe(state, flat)
            except (OSError, FactFileUnusable) as error:
                raise TetherError(
                    f"The delivery was interrupted: {reason(error)}.",
                    kept="The raw files are unchanged. Finished positives are in "
                    f"{printable(str(self.folder.root), 400)}.",
                    todo="Check the disk and run the same command again to resume.",
                ) from error
        return self.result

    def _see_folder(self) -> None:
        """Refuse a roll whose folder is gone: delivering into it would make an empty one anew."""
        folder = self.archive.folder(self.roll)
        if not folder.is_dir():
            raise TetherError(
                f"The folder of '{printable(self.roll.name)}' is not there: "
                f"{printable(str(folder), 400)}.",
                kept="Nothing was changed.",
                todo="Attach its disk, or put the folder back under this name. Then deliver again.",
            )

    def _give_flats(self, files: Sequence[ChosenFile], flat: FlatField | None) -> None:
        """Give each file the flat field that was in force; ``flat`` is the newest, or as asked."""
        record = LightRecord(self.archive.folder(self.roll) / BENCH_FOLDER)
        of_roll = self.archive.store.frames.of(self.roll)
        taken = sorted(capture.id for frame in of_roll for capture in frame.captures)
        fields: dict[str, FlatField] = {}
        for file in files:
            file.flat = flat
            gate = record.gate_for(bisect_right(taken, file.capture.id))
            if gate is not None and record.earlier and self.options.flat is None:
                if gate.shot.file not in fields:
                    light = gate.as_open_gate()
                    fields[gate.shot.file] = from_grid(light.channels, light.grid)
                file.flat = fields[gate.shot.file]

    def _flat(self) -> FlatField | None:
        if self.options.flat is None:
            # What the last kept frame was judged against; else what lies in the folder, as after a
            # rebuilt database or a light test that came last.
            gate = RollMemory.from_bytes(self.archive.store.rolls.memory(self.roll.id)).open_gate
            kept = LightRecord(self.archive.folder(self.roll) / BENCH_FOLDER).kept.gate
            gate = gate or (kept.as_open_gate() if kept else None)
            if gate is None:
                self.result.notes.append(
                    "No light test was made for this roll: its positives are as uneven as the "
                    "light. If you have a picture of the open gate, name it with --open-gate."
                )
            return from_grid(gate.channels, gate.grid) if gate else None
        with LocalCrew(1) as alone:
            ((_, result),) = alone.each_done(measure_flat, [whole_path(self.options.flat)], 1)
            if isinstance(result, Exception):
                raise TetherError(
                    f"The open gate {printable(str(self.options.flat))} cannot be used: "
                    f"{without_rest(result)}",
                    kept="Nothing was changed.",
                    todo="Name a raw file of the open gate, lamp on and film out.",
                ) from result
            return result
        return None

    @contextmanager
    def crew(self, state: DeliveryState) -> Iterator[Crew]:
        """Yield who does the work, as it was wished for."""
        if self.local is not None:
            yield self.local
            return
        if self.options.scheduler is None:
            with LocalCrew(self.options.workers) as local:
                yield local
            return
        with ClusterCrew(self.options.scheduler) as crew:
            raw_files = [file.path for file in state.files]
            crew.meet(self.archive.folder(self.roll), raw_files, self.folder.positives)
            try:
                yield crew
            finally:
                self.result.notes += crew.left_out

    def _work(self, state: DeliveryState, flat: FlatField | None, crew: Crew) -> None:
        take_samples(samples_to_take(state), crew, state, self.result, self.report)
        made = renderings(state, self.settings, flat, half=self.options.half)
        tasks, there = prints_to_make(state, made, tiff=self.options.tiff)
        self.result.unchanged = there
        make_prints(tasks, crew, state, self.result, self.report)
        if self.raw.make:
            by_contrast = raw_renderings(state, made, flat, self.settings, self.raw)
            raw_tasks, there = raw_positives_to_make(state, by_contrast, self.raw)
            self.result.raw_unchanged = there
            make_raw_positives(raw_tasks, crew, state, self.result, self.report)
            note_clipped(state, made, self.raw, self.result)

    def _describe(self, state: DeliveryState, flat: FlatField | None) -> None:
        self.report(DeliveryStep("reports", 0, 1))
        whole = self.house.delivery.sidecar == "whole"
        write_sidecars(state, self.archive.folder(self.roll), self.result, whole=whole)
        if differs := clocks_that_differ(state, self.house.bench.clock_seconds):
            self.result.notes.append(differs)
        self.folder.write(state.record)
        if uncropped := uncropped_frames(state):
            self.result.notes.append(uncropped)
        settings = {"settings": asdict(self.settings), "half": self.options.half}
        log = self.archive.store.journal.log_lines(self.roll.id, 500)
        write_reports(state, self.result, settings, log, flat=flat, base_target=self.base_target)
        self.report(DeliveryStep("reports", 1, 1))
