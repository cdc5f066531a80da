"""Test shots: pictures that belong to the bench and to no frame of the roll."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from tether.archive.durable import Arrival, link_into_place
from tether.archive.layout import BENCH_FOLDER
from tether.archive.open_roll import OpenRoll
from tether.camera.errors import CameraError, CameraLost, CameraRefused
from tether.camera.protocol import CardFile, Role
from tether.capture.tethered import ReconnectableCamera, Tethered
from tether.capture.transfer import CardTransfer, Progress, SamePicture
from tether.disk import flush_folder
from tether.errors import TetherError
from tether.facts import ExposureValues
from tether.text import printable


@dataclass(frozen=True, slots=True)
class BenchShot:
    """A test shot that is kept.

    Attributes
    ----------
    file
        Its name in the roll's ``bench`` folder.
    sha256
        Of its bytes.
    taken_at
        ISO 8601 in UTC, by the computer's clock.
    after
        How many captures the roll had by then.
    shutter
        The camera's wording of the shutter time, "" where it has none.
    exposure
        As the raw file says it.
    """

    file: str
    sha256: str
    taken_at: str
    after: int = 0
    shutter: str = ""
    exposure: ExposureValues = (None, None, None)


class BenchShots:
    """Takes test shots for one roll.

    ``expected_bytes`` is the size of a raw file where the roll has none yet.
    """

    def __init__(
        self, roll: OpenRoll, camera: Tethered, transfer: CardTransfer, expected_bytes: float
    ) -> None:
        self._roll = roll
        self._camera = camera
        self._transfer = transfer
        self._expected_bytes = expected_bytes

    def file(self, shot: BenchShot) -> Path:
        """Return the path of a test shot's raw file."""
        return self._roll.test_folder / shot.file

    def take(
        self, what: str = "test", report: Callable[[Progress], None] = lambda _: None
    ) -> BenchShot:
        """Fire the shutter and keep what comes of it beside the roll; return what it is.

        The file is fetched, flushed and named like every other one and never deleted, and the log
        names it. No frame gets it, and no step of the checklist is taken as done by it.

        Parameters
        ----------
        what
            What is photographed, in a word that can be part of a file name.
        report
            Called with what is going on.

        Raises
        ------
        NotNow
            When no camera is connected.
        CameraError
            When no picture came, or no raw file. What the camera made stays on its card.
        FilingError, TetherError
            When it could not be stored.
        """
        camera = self._camera.connected()
        self._camera.check_before_release(self._roll, self._expected_bytes)
        report(Progress("fire"))
        try:
            files, arrivals = self._fetched(camera, report)
        except CameraError as error:
            if isinstance(error, CameraLost):
                self._camera.state = None
            self._roll.log("bench", f"No test shot ({what}): {error}")
            raise
        report(Progress("file"))
        names = self._file(what, arrivals)
        self._roll.store.journal.know_card_files(self._camera.key, files)
        for name, arrival in zip(names, arrivals, strict=True):
            if arrival.may_be_raw:
                return self._bench_shot(name, arrival)
        raise CameraRefused(
            "The camera gave no raw file of the test shot.",
            kept=f"What it gave is {printable(str(self._roll.test_folder / names[0]))}."
            if names
            else "",
            todo="Set its image format to raw, or raw and JPEG, and try again.",
        )

    def _fetched(
        self, camera: ReconnectableCamera, report: Callable[[Progress], None]
    ) -> tuple[Sequence[CardFile], list[Arrival]]:
        """Fire the shutter and fetch what came of it."""
        store = self._roll.store
        files = camera.capture()
        # Before anything can break: no later look at the card may take it for the picture of
        # a frame. What is not fetched is offered.
        store.journal.know_card_files(self._camera.key, files, unfetched=True)
        arrivals = [self._transfer.fetch_one(camera, file, report) for file in files]
        for file, arrival in zip(files, arrivals, strict=True):
            if arrival.may_be_raw and (where := store.frames.with_digest(arrival.sha256)):
                raise SamePicture(file, where)
        return files, arrivals

    def _file(self, what: str, arrivals: Sequence[Arrival]) -> list[str]:
        """Give the files of one test shot their names and record them; return the names."""
        folder = self._made_folder()
        stem = f"{what}_{self._roll.archive.clock():%Y%m%dT%H%M%SZ}"
        number = 1
        while any(folder.glob(f"{stem}_{number}.*")):
            number += 1
        names: list[str] = []
        for arrival in arrivals:
            name = f"{stem}_{number}.{arrival.ending}"
            if name in names:
                name = f"{stem}_{number}-{len(names) + 1}.{arrival.ending}"
            names.append(name)
        link_into_place([(a.path, folder / name) for a, name in zip(arrivals, names, strict=True)])
        self._roll.store.frames.add_bench_shots(
            self._roll.id,
            [(name, a.size, a.sha256) for a, name in zip(arrivals, names, strict=True)],
        )
        self._roll.archive.write_bench_shots(self._roll.roll)
        self._roll.log("bench", f"Test shot: {BENCH_FOLDER}/{', '.join(names)}")
        return names

    def _bench_shot(self, name: str, arrival: Arrival) -> BenchShot:
        state = self._camera.state
        wording = state.value(Role.SHUTTER) if state else None
        return BenchShot(
            name,
            arrival.sha256,
            self._roll.store.stamp(),
            sum(len(frame.captures) for frame in self._roll.frames()),
            printable(wording or "", 20),
        )

    def _made_folder(self) -> Path:
        folder = self._roll.test_folder
        try:
            folder.mkdir(exist_ok=True)
            flush_folder(folder.parent)
        except OSError as error:
            raise TetherError(
                f"The folder {printable(str(folder))} cannot be made: {error.strerror}.",
                kept="The camera keeps its copy of the test shot.",
                todo="Check the disk and the folder's permissions.",
            ) from error
        return folder
