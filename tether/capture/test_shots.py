"""Test exposures: pictures that belong to the bench and to no frame of the roll."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from tether.archive.durable import flush_folder, settle
from tether.archive.layout import TRIALS_FOLDER
from tether.bench.light_record import Trial
from tether.camera.errors import CameraError, CameraLost, CameraRefused
from tether.camera.protocol import Role
from tether.capture.transfer import Progress, SamePicture
from tether.errors import NotNow, TetherError
from tether.session.shooting import Shooting
from tether.text import printable


class Trials(Shooting):
    """A session that also takes test exposures."""

    def test_exposure(
        self, what: str = "test", report: Callable[[Progress], None] | None = None
    ) -> Trial:
        """Fire the shutter and keep what comes of it beside the roll; return what it is.

        The file is fetched, flushed and named like every other one and never deleted, and the log
        names it. No frame gets it, and no step of the checklist is taken as done by it.

        Parameters
        ----------
        what
            What is photographed, in a word that can be part of a file name.

        Raises
        ------
        NotNow
            When no camera is connected.
        CameraError
            When no picture came, or no raw file. What the camera made stays on its card.
        IntakeError, TetherError
            When it could not be stored.
        """
        if self.camera is None:
            raise NotNow("No camera is connected.", todo="Attach the camera and start again.")
        report = report or (lambda _: None)
        self.tethered.check_before_release(self.open_roll, self.settings.storage.raw_bytes)
        report(Progress("fire"))
        try:
            files = self.camera.capture()
            # Before anything can break: no later look at the card may take it for the picture of
            # a frame. What is not fetched is offered.
            self.store.know_card_files(self.camera_key, files, unfetched=True)
            arrivals = [self._delivery.fetch_one(self.camera, file, report) for file in files]
        except CameraError as error:
            if isinstance(error, CameraLost):
                self.camera_state = None
            self._log("bench", f"No test exposure ({what}): {error}")
            raise
        for file, arrival in zip(files, arrivals, strict=True):
            if arrival.may_be_raw and (where := self.store.with_digest(arrival.sha256)):
                raise SamePicture(file, where)
        report(Progress("file"))
        folder = self._trials_folder()
        stem = f"{what}_{self.archive.clock():%Y%m%dT%H%M%SZ}"
        number = 1
        while any(folder.glob(f"{stem}_{number}.*")):
            number += 1
        moves: list[tuple[Path, Path]] = []
        for arrival in arrivals:
            name = f"{stem}_{number}.{arrival.ending}"
            if any(final.name == name for _, final in moves):
                name = f"{stem}_{number}-{len(moves) + 1}.{arrival.ending}"
            moves.append((arrival.path, folder / name))
        settle(moves)
        self.store.know_card_files(self.camera_key, files)
        self.store.add_trials(
            self._roll_id,
            [(final.name, a.size, a.sha256) for a, (_, final) in zip(arrivals, moves, strict=True)],
        )
        self.archive.write_trials(self.roll)
        names = ", ".join(final.name for _, final in moves)
        self._log("bench", f"Test exposure, of no frame: {TRIALS_FOLDER}/{names}")
        for arrival, (_, final) in zip(arrivals, moves, strict=True):
            if arrival.may_be_raw:
                set_to = self.camera_state.value(Role.SHUTTER) if self.camera_state else None
                return Trial(
                    final.name,
                    arrival.sha256,
                    self.store.stamp(),
                    sum(len(frame.captures) for frame in self.frames()),
                    printable(set_to or "", 20),
                )
        raise CameraRefused(
            "The camera gave no raw file of the test exposure.",
            kept=f"What it gave is {printable(str(folder / moves[0][1].name))}." if moves else "",
            todo="Set its image format to raw, or raw and JPEG, and try again.",
        )

    def trial_file(self, trial: Trial) -> Path:
        """Return the path of a test exposure's raw file."""
        return self.archive.folder(self.roll) / TRIALS_FOLDER / trial.file

    def _trials_folder(self) -> Path:
        folder = self.archive.folder(self.roll) / TRIALS_FOLDER
        try:
            folder.mkdir(exist_ok=True)
            flush_folder(folder.parent)
        except OSError as error:
            raise TetherError(
                f"The folder {printable(str(folder))} cannot be made: {error.strerror}.",
                kept="The camera keeps its copy of the test exposure.",
                todo="Check the disk and the folder's permissions.",
            ) from error
        return folder
