"""What the program asks of a camera, and the values that cross that line.

Every camera (the libgphoto2 driver in its own process, the in-process camera of the tests) is
used through `Camera`. Calls block and are made in turn by one thread; values are plain frozen
dataclasses that can cross a process border.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Protocol


class Role(StrEnum):
    """What a setting is for, whatever the maker calls it."""

    SHUTTER = "shutter"
    APERTURE = "aperture"
    ISO = "iso"
    WHITE_BALANCE = "white balance"
    IMAGE_FORMAT = "image format"
    FOCUS_MODE = "focus mode"
    EXPOSURE_MODE = "exposure mode"
    CAPTURE_TARGET = "capture target"
    BATTERY = "battery"
    CLOCK = "clock"


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting as the camera reports it.

    ``name`` is the driver's own name, ``value`` and ``choices`` its own wording: advice quotes
    these, so that a person finds the same words on the camera.
    """

    role: Role
    name: str
    value: str
    choices: tuple[str, ...] = ()
    readonly: bool = False


@dataclass(frozen=True, slots=True)
class CameraIdentity:
    """Which camera this is; ``serial`` is "" where the camera does not say."""

    model: str
    port: str
    serial: str = ""
    maker: str = ""


@dataclass(frozen=True, slots=True)
class CameraState:
    """The camera's settings by role, its power and its room.

    ``battery_percent`` is 0..100; it, ``free_bytes`` and ``free_images`` are None where the
    camera does not say. ``keeps_pictures`` is True where a picture stays on the card, False where
    it is only held in the camera's memory until it is fetched (and lost with the connection),
    None where the camera does not say.
    """

    settings: Mapping[Role, Setting]
    battery_percent: float | None = None
    free_bytes: int | None = None
    free_images: int | None = None
    keeps_pictures: bool | None = None

    def value(self, role: Role) -> str | None:
        """Return the camera's own wording of a setting, None where it has no such setting."""
        setting = self.settings.get(role)
        return setting.value if setting else None


@dataclass(frozen=True, slots=True)
class CardFile:
    """A file as the camera names it. All of it is untrusted text and numbers.

    ``size`` in bytes and ``modified`` in seconds since 1970 (camera clock) are None where the
    camera does not say.
    """

    folder: str
    name: str
    size: int | None = None
    modified: int | None = None


class Camera(Protocol):
    """A camera that is connected. Raises the errors of `tether.camera.errors`."""

    @property
    def identity(self) -> CameraIdentity:
        """Which camera answers, for example ``CameraIdentity("PTP/IP Camera", "ptpip:...")``."""
        ...

    def state(self) -> CameraState:
        """Read the settings, the battery and the free space afresh."""
        ...

    def set(self, role: Role, value: str) -> Setting:
        """Set one setting to one of its own choices; return it as the camera now reports it."""
        ...

    def list_files(self) -> Sequence[CardFile]:
        """List every file on the camera's stores, oldest folder first."""
        ...

    def capture(self) -> Sequence[CardFile]:
        """Fire the shutter; return every file that came of it (raw + JPEG gives two)."""
        ...

    def wait_for_files(self, seconds: float) -> Sequence[CardFile]:
        """Wait for files that the camera made by itself (its button, a cable release)."""
        ...

    def fetch(self, file: CardFile, destination: Path) -> int:
        """Copy a file off the card into the new file ``destination``; return its bytes.

        Never overwrites: ``destination`` must not exist. A part that was written before an
        error stays where it is, for the caller to deal with.
        """
        ...

    def preview(self) -> bytes:
        """Return one live-view frame as JPEG bytes."""
        ...

    def close(self) -> None:
        """Let go of the camera. Never raises; may be called twice."""
        ...
