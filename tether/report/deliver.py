"""Deliver a roll: positives, contact sheet, sidecars, tables and a page, from what was kept."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

from tether.errors import TetherError
from tether.measure.roll import RollMemory
from tether.positive.exif import ShotFacts
from tether.positive.flat import FlatField, from_grid
from tether.positive.job import PrintJob, SampleJob, measure_flat, print_file, sample
from tether.positive.recipe import Recipe, outline_of
from tether.positive.roll import Brief, roll_recipes
from tether.positive.sample import base_in
from tether.report.delivered import (
    Choice,
    Delivered,
    DeliveredFolder,
    Known,
    on_disk,
    stored_sample,
)
from tether.report.describe import Whole, write_reports, write_sidecars
from tether.report.sidecar import Subject, description, positive_packet
from tether.report.workers import each_done, worker_count
from tether.session.archive import Archive
from tether.session.roll import Roll
from tether.settings import Settings
from tether.text import printable


@dataclass(frozen=True, slots=True)
class Wishes:
    """What a person asked of a delivery.

    ``turns`` and ``exposures`` are by frame, 0 for all frames; they are remembered in the
    delivered folder. ``flat`` is a raw file of the empty gate.
    """

    to: Path | None = None
    half: bool = False
    tiff: bool = True
    turns: Mapping[int, int] = field(default_factory=dict)
    exposures: Mapping[int, float] = field(default_factory=dict)
    flat: Path | None = None
    workers: int | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """A step of the work for whoever shows it: a phase, how far it is, and what was done."""

    phase: str
    done: int
    total: int
    text: str = ""


class RollDelivery:
    """Delivers one roll into one folder; finished positives are not made again.

    Parameters
    ----------
    archive, roll
        What is delivered. Raw files are read and never written.
    settings
        Of the program.
    wishes
        Of the person.
    report
        Is told each step.
    """

    def __init__(
        self,
        archive: Archive,
        roll: Roll,
        settings: Settings,
        wishes: Wishes,
        report: Callable[[Step], None],
    ) -> None:
        self.archive, self.roll, self.wishes, self.report = archive, roll, wishes, report
        self.settings = settings.positive
        self.frames = archive.store.frames(roll)
        self.folder = DeliveredFolder(wishes.to or archive.folder(roll) / "delivered", roll.name)
        self.record = self.folder.read()
        self.result = Delivered(self.folder.root)
        self._take_over_choices()

    def run(self) -> Delivered:
        """Do all of it.

        Raises
        ------
        TetherError
            When there is nothing to deliver, or the folder cannot be written to.
        """
        known = [
            Known(frame, frame.chosen, self.archive.folder(self.roll) / frame.chosen.file_name)
            for frame in self.frames
            if frame.chosen is not None
        ]
        if not known:
            raise TetherError(
                f"No frame of '{printable(self.roll.name)}' has been kept yet.",
                kept="Nothing was changed.",
                todo="Shoot and keep frames first: tether shoot.",
            )
        flat = self._flat()
        try:
            self.folder.write(self.record)
            self._sample(known, flat)
            recipes = self._recipes(known, flat)
            self._print(known, recipes, flat)
            self._describe(known)
        except OSError as error:
            raise TetherError(
                f"The delivery stopped: {error.strerror or error}.",
                kept=f"The raw files are untouched; finished positives are in {self.folder.root}.",
                todo="See to the disk and run the same command again; it goes on from there.",
            ) from error
        return self.result

    # --- choices ------------------------------------------------------------------------------

    def _take_over_choices(self) -> None:
        numbers = [f.number for f in self.frames]
        for frame, turn in self.wishes.turns.items():
            for number in numbers if frame == 0 else [frame]:
                self.record.choices[number] = replace(self.choice(number), turn=turn)
        for frame, stops in self.wishes.exposures.items():
            for number in numbers if frame == 0 else [frame]:
                self.record.choices[number] = replace(self.choice(number), exposure=stops)

    def choice(self, frame: int) -> Choice:
        """Return what a person chose for a frame."""
        return self.record.choices.get(frame, Choice())

    @property
    def film_turn(self) -> int:
        """Degrees by which the film lies turned on the sensor: formats longer across than along
        are photographed with the film running up and down the sensor."""
        form = self.roll.film_format
        return 90 if form.picture_across > form.picture_along else 0

    # --- what holds for the roll --------------------------------------------------------------

    def _flat(self) -> FlatField | None:
        if self.wishes.flat is None:
            gate = RollMemory.from_bytes(self.archive.store.memory(self.roll.id)).open_gate
            return from_grid(gate.channels, gate.grid) if gate else None
        for _, result in each_done(measure_flat, [self.wishes.flat.absolute()], 1):
            if isinstance(result, Exception):
                raise TetherError(
                    f"The flat field {printable(str(self.wishes.flat))} cannot be used: {result}",
                    kept="Nothing was changed.",
                    todo="Name a raw file of the empty gate with the light on.",
                ) from result
            return result
        return None

    def _sample(self, known: list[Known], flat: FlatField | None) -> None:
        jobs: dict[int, tuple[Known, SampleJob, str]] = {}
        for k in known:
            outline = outline_of(k.capture.facts)
            job = SampleJob(k.path, k.capture.sha256, self.roll.process, outline, flat)
            facts = (2, k.capture.sha256, self.roll.process.value, outline, _digest_of(flat))
            key = hashlib.sha256(repr(facts).encode()).hexdigest()
            if not self._known_before(k, key):
                jobs[id(job)] = (k, job, key)
        total = len(jobs)
        results = each_done(sample, [j for _, j, _ in jobs.values()], self._workers(known, total))
        for done, (job, result) in enumerate(results, 1):
            k, _, key = jobs[id(job)]
            name = printable(k.capture.file_name, 80)
            if isinstance(result, Exception):
                self.result.trouble.append(f"{name} cannot be read: {_reason(result)}")
            elif result.sample is None:
                self.result.trouble.append(
                    f"{name} is not the file that was recorded: its SHA-256 differs. "
                    "Compare it with a copy before you use it."
                )
            else:
                k.sample, k.channels, k.intact = result.sample, result.channels, True
                k.shot = result.shot or ShotFacts()
                self.record.samples[k.capture.file_name] = {
                    "key": key,
                    "disk": on_disk(k.path),
                    "sample": asdict(result.sample),
                    "channels": result.channels,
                    "shot": asdict(k.shot),
                }
            self.report(Step("check", done, total, name))
        self.folder.write(self.record)

    def _known_before(self, k: Known, key: str) -> bool:
        entry = self.record.samples.get(k.capture.file_name)
        try:
            if not entry or entry["key"] != key or entry["disk"] != on_disk(k.path):
                return False
            k.sample, k.channels, k.shot = stored_sample(entry)
        except (OSError, ValueError, TypeError, KeyError):
            return False
        k.intact = True
        return True

    def _recipes(self, known: list[Known], flat: FlatField | None) -> dict[str, Recipe]:
        """Work out what holds for the roll, and from it each frame's recipe."""
        briefs = []
        for k in known:
            if k.sample is not None:
                choice = self.choice(k.frame.number)
                briefs.append(
                    Brief(
                        k.capture.file_name,
                        k.sample,
                        # What was measured without a flat field does not fit one that is divided.
                        base_in(k.capture.facts, k.channels) if flat is None else None,
                        outline_of(k.capture.facts),
                        self.film_turn + choice.turn,
                        choice.exposure,
                    )
                )
        return roll_recipes(
            self.roll.process,
            briefs,
            self.settings,
            half=self.wishes.half,
            neutral=flat.neutral if flat else None,
        )

    # --- positives ----------------------------------------------------------------------------

    def _print(
        self, known: list[Known], recipes: Mapping[str, Recipe], flat: FlatField | None
    ) -> None:
        jobs: dict[int, tuple[Known, PrintJob, str]] = {}
        for k in known:
            name = k.capture.file_name
            if name not in recipes:
                continue
            job = self._job(k, recipes[name], flat)
            digest = recipes[name].digest(
                k.capture.sha256, _digest_of(flat), job.xmp.decode(), str(job.tiff is not None)
            )
            if self._printed_before(name, digest):
                self.result.unchanged += 1
            else:
                jobs[id(job)] = (k, job, digest)
        total = len(jobs)
        work = [job for _, job, _ in jobs.values()]
        results = each_done(print_file, work, self._workers(known, total))
        for done, (job, result) in enumerate(results, 1):
            k, _, digest = jobs[id(job)]
            name = k.capture.file_name
            if isinstance(result, Exception):
                self.result.trouble.append(
                    f"No positive of {printable(name, 80)}: {_reason(result)}"
                )
            else:
                self.result.printed += 1
                files = [job.jpeg, job.small, *([job.tiff] if job.tiff else [])]
                self.record.printed[name] = {
                    "digest": digest,
                    "width": result.width,
                    "height": result.height,
                    "files": {
                        str(p.relative_to(self.folder.root)): p.stat().st_size for p in files
                    },
                }
                self.folder.write(self.record)
            self.report(Step("print", done, total, f"frame {k.frame.number}"))

    def _job(self, k: Known, recipe: Recipe, flat: FlatField | None) -> PrintJob:
        name = k.capture.file_name
        subject = Subject(self.roll, k.frame, k.capture, k.shot)
        return PrintJob(
            path=k.path,
            recipe=recipe,
            flat=flat,
            shot=k.shot,
            description=description(subject),
            jpeg=self.folder.jpeg(name),
            tiff=self.folder.tiff(name) if self.wishes.tiff else None,
            small=self.folder.thumbnail(name),
            xmp=positive_packet(subject),
        )

    def _printed_before(self, name: str, digest: str) -> bool:
        entry = self.record.printed.get(name)
        if not isinstance(entry, dict) or entry.get("digest") != digest:
            return False
        try:
            return all(
                (self.folder.root / file).stat().st_size == size
                for file, size in entry["files"].items()
            )
        except (OSError, KeyError, AttributeError):
            return False

    def _workers(self, known: list[Known], jobs: int) -> int:
        largest = max(k.capture.size for k in known)
        return worker_count(largest, max(jobs, 1), self.wishes.workers)

    # --- what describes them ------------------------------------------------------------------

    def _describe(self, known: list[Known]) -> None:
        self.report(Step("reports", 0, 1))
        whole = Whole(self.roll, self.frames, self.folder, known, self.record)
        write_sidecars(whole, self.archive.folder(self.roll), self.film_turn, self.result)
        self.folder.write(self.record)
        settings = {"settings": asdict(self.settings), "half": self.wishes.half}
        log = self.archive.store.log_lines(self.roll.id, 500)
        write_reports(whole, self.result, settings, log)
        self.report(Step("reports", 1, 1))


def _digest_of(flat: FlatField | None) -> str:
    return hashlib.sha256(flat.grid.tobytes()).hexdigest() if flat is not None else ""


def _reason(error: Exception) -> str:
    text = error.what if isinstance(error, TetherError) else f"{type(error).__name__}: {error}"
    return printable(text, 300)


def by_frame(texts: Iterable[str], low: float, high: float) -> dict[int, float]:
    """Read ``7=90`` (for frame 7) or ``90`` (for all, frame 0) from the command line.

    Raises
    ------
    TetherError
        When it is neither, or out of range.
    """
    found: dict[int, float] = {}
    for text in texts:
        frame, equals, value = text.rpartition("=")
        try:
            number, amount = int(frame) if equals else 0, float(value)
        except ValueError:
            number, amount = -1, 0.0
        if number < 0 or not low <= amount <= high:
            raise TetherError(
                f"'{printable(text, 40)}' is not understood.",
                todo=f"Write FRAME=VALUE, or a value for all frames, from {low:g} to {high:g}.",
            )
        found[number] = amount
    return found


def quarter_turns(texts: Iterable[str]) -> dict[int, int]:
    """Read turns like `by_frame`; only whole quarter turns are taken, -90 counts as 270.

    Raises
    ------
    TetherError
        When a turn is no quarter turn.
    """
    found = by_frame(texts, -270, 270)
    if any(value % 90 for value in found.values()):
        raise TetherError("A picture is turned by 90, 180 or 270 degrees.")
    return {frame: int(value) % 360 for frame, value in found.items()}
