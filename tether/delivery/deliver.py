"""Deliver a roll: positives, contact sheet, sidecars, tables and a page, from what was kept."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict

from tether.archive.archive import Archive
from tether.archive.fact_files import BesideUnusable
from tether.archive.layout import TRIALS_FOLDER
from tether.archive.records import Roll
from tether.bench.light_record import LightKeeper
from tether.delivery.folder import Delivered, DeliveredFolder, Whole, without_pictures
from tether.delivery.options import Wishes, choices_with
from tether.delivery.plan import chosen_files, prints_to_make, recipes, samples_to_take
from tether.delivery.run import Report, Step, make_prints, take_samples, without_rest
from tether.delivery.workers import Crew, LocalCrew
from tether.delivery.write_reports import write_reports, write_sidecars
from tether.errors import TetherError
from tether.measure.roll.memory import RollMemory
from tether.paths import reason, whole_path
from tether.positive.flat import FlatField, from_grid
from tether.positive.job import measure_flat
from tether.settings import Settings
from tether.text import printable


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

    Raises
    ------
    TetherError
        When the folder holds something else.
    """

    def __init__(
        self, archive: Archive, roll: Roll, settings: Settings, wishes: Wishes, report: Report
    ) -> None:
        self.archive, self.roll, self.wishes, self.report = archive, roll, wishes, report
        self.settings, self.base_target = settings.positive, settings.exposure.base_target_ev
        self.frames = archive.store.frames.of(roll)
        self.folder = DeliveredFolder(wishes.to or archive.folder(roll) / "delivered", roll.name)
        self.result = Delivered(self.folder.root, left_out=without_pictures(self.frames))

    def run(self) -> Delivered:
        """Do all of it.

        Raises
        ------
        TetherError
            When there is nothing to deliver, a wish is for no frame of the roll, the folder
            cannot be written to or is in use, or the workers cannot be had.
        """
        known = chosen_files(self.archive, self.roll, self.frames, self.result)
        if not known:
            raise TetherError(
                f"No frame of '{printable(self.roll.name)}' has been kept yet.",
                kept="Nothing was changed.",
                todo="Shoot and keep frames first: tether shoot.",
            )
        self._see_folder()
        numbers = [frame.number for frame in self.frames]
        flat = self._flat()
        with self.folder.held():
            record = self.folder.read()
            record.choices = choices_with(record.choices, self.wishes, numbers)
            whole = Whole(self.roll, self.frames, self.folder, known, record)
            try:
                self.folder.write(record)
                with self.crew(whole) as crew:
                    self._work(whole, flat, crew)
                self._describe(whole, flat)
            except (OSError, BesideUnusable) as error:
                raise TetherError(
                    f"The delivery stopped: {reason(error)}.",
                    kept="The raw files are untouched; finished positives are in "
                    f"{printable(str(self.folder.root), 400)}.",
                    todo="See to the disk and run the same command again; it goes on from there.",
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
                todo="If it was renamed or moved, put it back under this name. If its disk is not "
                "attached, attach it. Then deliver again.",
            )

    def _flat(self) -> FlatField | None:
        if self.wishes.flat is None:
            # What the last kept frame was judged against; else what lies in the folder, as after a
            # rebuilt database or a light test that came last.
            gate = RollMemory.from_bytes(self.archive.store.rolls.memory(self.roll.id)).open_gate
            kept = LightKeeper(self.archive.folder(self.roll) / TRIALS_FOLDER).kept.gate
            gate = gate or (kept.as_open_gate() if kept else None)
            return from_grid(gate.channels, gate.grid) if gate else None
        for _, result in LocalCrew(1).each_done(measure_flat, [whole_path(self.wishes.flat)], 1):
            if isinstance(result, Exception):
                raise TetherError(
                    f"The flat field {printable(str(self.wishes.flat))} cannot be used: "
                    f"{without_rest(result)}",
                    kept="Nothing was changed.",
                    todo="Name a raw file of the empty gate with the light on.",
                ) from result
            return result
        return None

    @contextmanager
    def crew(self, whole: Whole) -> Iterator[Crew]:
        """Yield who does the work, as it was wished for."""
        if self.wishes.scheduler is None:
            yield LocalCrew(self.wishes.workers)
            return
        from tether.delivery.cluster import ClusterCrew

        with ClusterCrew(self.wishes.scheduler) as crew:
            raw_files = [k.path for k in whole.known]
            crew.meet(self.archive.folder(self.roll), raw_files, self.folder.positives)
            yield crew

    def _work(self, whole: Whole, flat: FlatField | None, crew: Crew) -> None:
        take_samples(samples_to_take(whole, flat), crew, whole, self.result, self.report)
        made = recipes(whole, self.settings, flat, half=self.wishes.half)
        tasks, there = prints_to_make(whole, made, flat, tiff=self.wishes.tiff)
        self.result.unchanged = there
        make_prints(tasks, crew, whole, self.result, self.report)

    def _describe(self, whole: Whole, flat: FlatField | None) -> None:
        self.report(Step("reports", 0, 1))
        write_sidecars(whole, self.archive.folder(self.roll), self.result)
        self.folder.write(whole.record)
        settings = {"settings": asdict(self.settings), "half": self.wishes.half}
        log = self.archive.store.journal.log_lines(self.roll.id, 500)
        write_reports(whole, self.result, settings, log, flat=flat, base_target=self.base_target)
        self.report(Step("reports", 1, 1))
