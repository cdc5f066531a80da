"""The camera over libgphoto2. Lives in a process of its own; see `tether.camera.process`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from tether.camera.card import Card
from tether.camera.connection import KEPT_CARD, Connection
from tether.camera.errors import CameraRefused
from tether.camera.firing import Exposures
from tether.camera.protocol import CameraIdentity, CameraState, CardFile, Role, Setting
from tether.camera.settings_access import SettingsAccess
from tether.log_file import forward_driver_messages
from tether.settings import CameraLimits

JPEG_START = b"\xff\xd8"


class GphotoDriver:
    """One connected camera. Implements `tether.camera.protocol.Camera`.

    On connecting, pictures are directed to the card and the driver's focusing before each
    exposure is switched off, where the camera allows it.

    Parameters
    ----------
    port
        Port to connect to, None for the first camera found.
    limits
        How long to wait for what.

    Raises
    ------
    NoCamera, CameraClaimed
        When no connection can be made.
    """

    def __init__(self, port: str | None, limits: CameraLimits) -> None:
        self._messages = forward_driver_messages()
        self._link = Connection(port)
        self._settings = SettingsAccess(self._link)
        self._card = Card(self._link)
        self._exposures = Exposures(self._link, self._settings, self._card, limits)
        self.identity = self._settings.identity()
        self._settings.prepare()

    def who(self) -> CameraIdentity:
        """Return `identity`, for a caller in another process."""
        return self.identity

    def state(self) -> CameraState:
        """See `Camera.state`."""
        settings = self._settings.get_all()
        battery = settings.get(Role.BATTERY)
        target = settings.get(Role.CAPTURE_TARGET)
        free_bytes, free_images = self._card.room()
        return CameraState(
            settings,
            battery_percent=battery.reading if battery else None,
            free_bytes=free_bytes,
            free_images=free_images,
            keeps_pictures=target.reading.keeps if target and target.reading else None,
        )

    def set(self, role: Role, value: str) -> Setting:
        """See `Camera.set`."""
        return self._settings.set(role, value)

    def list_files(self) -> Sequence[CardFile]:
        """See `Camera.list_files`."""
        return self._exposures.list_files()

    def ready(self) -> float:
        """See `Exposures.ready`."""
        return self._exposures.ready()

    def survey(self) -> None:
        """See `Exposures.survey`."""
        self._exposures.survey()

    def fire(self, shutter: float) -> None:
        """See `Exposures.fire`."""
        self._exposures.fire(shutter)

    def look(self) -> tuple[Sequence[CardFile] | None, bool, bool]:
        """See `Exposures.look`; then whether to `search` now, and whether the exposure is over."""
        files = self._exposures.look()
        if files is not None:
            return files, False, True
        return None, self._exposures.overdue, self._exposures.exposed

    def search(self) -> Sequence[CardFile] | None:
        """See `Exposures.search`."""
        return self._exposures.search()

    def capture(self) -> Sequence[CardFile]:
        """See `Camera.capture`."""
        shutter = self.ready()
        self.survey()
        self.fire(shutter)
        files: Sequence[CardFile] | None = None
        while files is None:
            files, overdue, _ = self.look()
            if overdue:
                files = self.search()
        return files

    def wait_for_files(self, seconds: float) -> Sequence[CardFile]:
        """See `Camera.wait_for_files`."""
        return self._exposures.wait(seconds)

    def fetch(self, file: CardFile, destination: Path) -> int:
        """See `Camera.fetch`."""
        return self._card.fetch(file, destination)

    def fetch_part(self, file: CardFile, destination: Path, offset: int, size: int) -> int:
        """See `PartwiseCamera.fetch_part`."""
        return self._card.fetch_part(file, destination, offset, size)

    def preview(self) -> bytes:
        """See `Camera.preview`."""
        link = self._link
        with link.doing("reading the live view"):
            picture = link.camera.capture_preview(None, link.context)
            frame = bytes(picture.get_data_and_size())
        if not frame.startswith(JPEG_START):
            raise CameraRefused(
                "The camera's live view sent no picture.",
                kept=KEPT_CARD,
                todo="Focus on the camera's own display instead.",
            )
        return frame

    def close(self) -> None:
        """See `Camera.close`."""
        self._link.close()
