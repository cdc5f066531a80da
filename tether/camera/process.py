"""The camera as the rest of the program uses it: the driver in a process of its own.

libgphoto2 can wait for ever (an empty battery, a pulled cable), so every call has a time limit
and a driver that passes it is ended. A `CameraLost` then says so; `CameraProcess.reconnect` starts
a new driver at the same port.

Following a transfer: `CameraProcess.fetch` blocks its thread, and the driver writes straight
into ``destination`` as blocks arrive. Another thread may therefore look at
``destination.stat().st_size`` against ``CardFile.size`` while the transfer goes on; nothing needs
to cross the process border for it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from tether.camera.connection import KEPT_CARD, RESUMES
from tether.camera.discovery import check_port, choose, find_cameras, not_allowed, with_holder
from tether.camera.driver import GphotoDriver
from tether.camera.errors import CameraClaimed, CameraError, CameraLost, NoCamera
from tether.camera.firing import LONGEST_WAIT
from tether.camera.protocol import CameraIdentity, CameraState, CardFile, Role, Setting
from tether.settings import CameraLimits
from tether.worker_process import WorkerDied, WorkerError, WorkerHung, WorkerProcess

UNKNOWN_SIZE_MB = 200.0
"""Taken for the time limit of a file whose size the camera does not state."""

UNKNOWN_SECONDS = 15.0
"""Taken for an exposure that the shutter's setting does not tell; twice is 30 s."""

RECONNECT = f"Switch the camera off and on, check battery and cable, then connect again. {RESUMES}"


class CameraProcess:
    """A connected camera in a process of its own. Implements `tether.camera.protocol.Camera`.

    Made by `connect`. Calls from several threads are made in turn.
    """

    def __init__(self, port: str | None, limits: CameraLimits, log: Path | None = None) -> None:
        self._port = port
        self._limits = limits
        self._log = log
        self.when_exposed: Callable[[], None] | None = None
        self._child: WorkerProcess
        self._start()
        self.identity: CameraIdentity = self._who()

    def _who(self) -> CameraIdentity:
        try:
            identity: CameraIdentity = self._ask("who", seconds=self._limits.call_seconds)
        except BaseException:
            self._child.close()
            raise
        return identity

    def _start(self) -> None:
        self._surveyed = self._given_up = False
        self._child = WorkerProcess(
            GphotoDriver, self._port, self._limits, name="The camera's driver", log=self._log
        )
        try:
            self._child.start(timeout=self._limits.connect_seconds)
        except CameraClaimed as error:
            raise with_holder(error, self._port) from error
        except NoCamera as error:
            raise not_allowed(error, self._port) from error
        except (WorkerDied, WorkerHung) as error:
            raise self._lost(error) from error
        except WorkerError as error:
            raise CameraError(
                f"The camera's driver could not be started: {error.what}.",
                kept="Nothing was changed.",
                todo="Install this program again, with everything it depends on.",
            ) from error

    @property
    def alive(self) -> bool:
        """Whether the driver's process runs. False after a `CameraLost` that ended it."""
        return self._child.alive

    def reconnect(self) -> None:
        """Let go of the camera and connect to the same port again.

        Raises
        ------
        NoCamera, CameraClaimed, CameraLost
            When no connection can be made. Calling again tries again.
        """
        self._child.close()
        self._start()
        self.identity = self._who()

    def _ask(self, method: str, *args: Any, seconds: float) -> Any:
        try:
            return self._child.call(method, *args, timeout=seconds)
        except (WorkerDied, WorkerHung) as error:
            raise self._lost(error) from error
        except WorkerError as error:
            raise CameraError(
                f"The camera's driver failed: {error.what}.",
                kept=KEPT_CARD,
                todo="Try again. If it fails again, connect the camera again.",
            ) from error

    def state(self) -> CameraState:
        """See `Camera.state`. Limit: ``call_seconds``."""
        state: CameraState = self._ask("state", seconds=self._limits.call_seconds)
        return state

    def set(self, role: Role, value: str) -> Setting:
        """See `Camera.set`. Limit: ``call_seconds``."""
        setting: Setting = self._ask("set", role, value, seconds=self._limits.call_seconds)
        return setting

    def list_files(self) -> Sequence[CardFile]:
        """See `Camera.list_files`. Limit: ``listing_seconds``."""
        files: Sequence[CardFile] = self._ask("list_files", seconds=self._limits.listing_seconds)
        return files

    def capture(self) -> Sequence[CardFile]:
        """See `Camera.capture`.

        A driver that is silent for ``hang_seconds`` beyond the exposure, which noise reduction
        may double, is ended. One that answers waits ``capture_seconds`` for the picture.
        """
        limits = self._limits
        shutter: float = self._ask("ready", seconds=limits.call_seconds)
        listing = limits.call_seconds + limits.listing_seconds
        self._ask("survey", seconds=limits.hang_seconds if self._surveyed else listing)
        self._surveyed = True
        silence = 2 * (shutter or UNKNOWN_SECONDS) + limits.hang_seconds
        self._ask("fire", shutter, seconds=silence)
        files: Sequence[CardFile] | None = None
        told = False
        while files is None:
            files, overdue, exposed = self._ask("look", seconds=LONGEST_WAIT + silence)
            if exposed and not told and self.when_exposed is not None:
                told = True
                self.when_exposed()
            if overdue:
                files = self._ask("search", seconds=listing)
        return files

    def give_up(self) -> None:
        """End the driver under a call that takes too long; safe from any thread.

        The call raises `CameraLost`; `reconnect` starts another driver.
        """
        self._given_up = True
        self._child.kill()

    def _lost(self, error: WorkerDied | WorkerHung) -> CameraLost:
        what = "You gave up waiting, so the driver was ended." if self._given_up else error.what
        return CameraLost(what, kept=KEPT_CARD, todo=RECONNECT)

    def wait_for_files(self, seconds: float) -> Sequence[CardFile]:
        """See `Camera.wait_for_files`. Limit: ``seconds`` and ``call_seconds``.

        Other threads' calls wait for this one: ask for a second or less at a time.
        """
        files: Sequence[CardFile] = self._ask(
            "wait_for_files", seconds, seconds=seconds + self._limits.call_seconds
        )
        return files

    def fetch(self, file: CardFile, destination: Path) -> int:
        """See `Camera.fetch`. Limit: ``transfer_seconds_per_mb`` and ``call_seconds``."""
        megabytes = UNKNOWN_SIZE_MB if file.size is None else file.size / 1e6
        seconds = self._limits.call_seconds + megabytes * self._limits.transfer_seconds_per_mb
        try:
            written: int = self._ask("fetch", file, destination, seconds=seconds)
        except CameraLost as error:
            error.kept = f"The part that was copied is in {destination}. {KEPT_CARD}"
            raise
        return written

    def fetch_part(self, file: CardFile, destination: Path, offset: int, size: int) -> int:
        """See `PartwiseCamera.fetch_part`. Limits: those of `fetch`, for ``size``."""
        seconds = self._limits.call_seconds + size / 1e6 * self._limits.transfer_seconds_per_mb
        written: int = self._ask("fetch_part", file, destination, offset, size, seconds=seconds)
        return written

    def preview(self) -> bytes:
        """See `Camera.preview`. Limit: ``call_seconds``."""
        frame: bytes = self._ask("preview", seconds=self._limits.call_seconds)
        return frame

    def close(self) -> None:
        """See `Camera.close`."""
        self._child.close()


def connect(
    port: str | None, limits: CameraLimits | None = None, log: Path | None = None
) -> CameraProcess:
    """Connect to a camera.

    Parameters
    ----------
    port
        A port as `tether.camera.discovery.check_port` takes it; None for the only camera attached.
    limits
        How long to wait for what; None for the built-in values.
    log
        File for what the driver's library prints; None discards it.

    Raises
    ------
    NoCamera
        When none answers, or ``port`` is not a port.
    SeveralCameras
        When ``port`` is None and more than one camera is attached.
    CameraClaimed
        When another program holds the camera; names it where it can be found.
    CameraLost
        When the driver did not come up within ``connect_seconds``.
    """
    limits = limits or CameraLimits()
    if port is None:
        port = choose(find_cameras(limits)).port
    return CameraProcess(check_port(port), limits, log)
