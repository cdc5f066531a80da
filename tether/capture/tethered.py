"""The tethered camera: its state, and whether the next picture can be taken."""

from __future__ import annotations

from typing import Protocol

from tether.archive.open_roll import OpenRoll
from tether.archive.records import LIGHT
from tether.camera.errors import CameraRefused
from tether.camera.protocol import Camera, CameraState, Role
from tether.camera.values import image_format
from tether.errors import NotNow, TetherError
from tether.settings import STROBE
from tether.text import megabytes, printable


class ReconnectableCamera(Camera, Protocol):
    """A camera that can be connected to again after it was lost."""

    def reconnect(self) -> None:
        """Connect to the same port again."""
        ...

    def give_up(self) -> None:
        """End a call that takes too long, from any thread; it raises `CameraLost`."""
        ...


class Tethered:
    """The camera of a session, None to go on without one, and its state as it was last read.

    ``state`` is None where it is not known: none was read yet, or the last reading failed.
    """

    def __init__(self, camera: ReconnectableCamera | None) -> None:
        self.camera = camera
        self.state: CameraState | None = None

    @property
    def key(self) -> str:
        """What tells this camera from another one, "" without a camera."""
        if self.camera is None:
            return ""
        who = self.camera.identity
        return printable(f"{who.maker}/{who.model}/{who.serial}")

    def connected(self, todo: str = "Attach the camera and start again.") -> ReconnectableCamera:
        """Return the camera.

        Raises
        ------
        NotNow
            When there is none; ``todo`` is what to do then.
        """
        if self.camera is None:
            raise NotNow("No camera is connected.", todo=todo)
        return self.camera

    def refresh(self) -> CameraState | None:
        """Read the camera's settings, battery and room afresh; None without a camera.

        Raises
        ------
        CameraError
            When it does not answer: what was read before says nothing any more.
        """
        self.state = None
        if self.camera is not None:
            self.state = self.camera.state()
        return self.state

    def reconnect(self) -> None:
        """Connect to the camera again. What it holds is not looked at yet.

        Raises
        ------
        NotNow
            When the work goes on without a camera.
        CameraError
            When it cannot be found again.
        """
        if self.camera is None:
            raise NotNow("There is no camera to connect to.", todo="Start again with a camera.")
        self.state = None
        self.camera.reconnect()

    def settings_now(self, light: str) -> dict[str, str]:
        """Return the camera's settings by role, as they are stored with a picture.

        What is made of the picture later has to know a strobe, whose light the shutter time does
        not measure, and no file says it: ``light`` is the kind that the settings name.
        """
        known = {r.value: s.value for r, s in self.state.settings.items()} if self.state else {}
        return known | light_setting(light)

    def check_before_release(self, roll: OpenRoll, expected_bytes: float) -> None:
        """See that a picture can be kept; read the camera's settings for that.

        Raises
        ------
        CameraRefused
            When the camera is set to give no raw file.
        ArchiveUnusable
            When the archive is not where it was.
        TetherError
            When the archive's disk has no room for two files of the roll's size
            (``expected_bytes`` before its first one).
        """
        roll.archive.check_in_place(roll.roll)
        state = self.refresh()
        wording = state.value(Role.IMAGE_FORMAT) if state else None
        kind = image_format(wording) if wording else None
        if kind is not None and not kind.has_raw:
            raise CameraRefused(
                f"The camera is set to {printable(wording or '')}, which gives no raw file.",
                kept="Nothing was shot.",
                todo="Set its image format to raw, or raw and JPEG.",
            )
        free = roll.archive.free_bytes()
        if free < 2 * roll.raw_bytes(expected_bytes):
            raise TetherError(
                f"The archive's disk has only {megabytes(free)} left.",
                kept="Nothing was shot; all that was filed is safe.",
                todo="Make room on the disk, then continue.",
            )


def light_setting(light: str) -> dict[str, str]:
    """Return what is stored beside a picture's settings about a kind of light."""
    return {LIGHT: STROBE} if light == STROBE else {}
