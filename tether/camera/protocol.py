"""What the program asks of a camera, and the values that cross that line.

Every camera (the libgphoto2 driver in its own process, the in-process camera of the tests) is
used through `Camera`. Calls block and are made in turn by one thread; values are plain frozen
dataclasses that can cross a process border.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any, Protocol, runtime_checkable

from tether.camera import values


class Role(StrEnum):
    """What a setting is for, whatever the maker calls it.

    This is the one table of roles. A new role gets a line here, a line in
    `tether.bench.camera_check`, and a dial in the simulated camera (see docs/bench.md). Roles stand
    in the order in which a camera is set: it may offer an aperture only in manual exposure. A value
    is stored in archives, so it never changes.

    The names are those of libgphoto2's drivers (its ``camlibs/ptp2/config.c``, tables of the camera
    settings, and the ``canon``, ``fuji``, ``konica`` and ``sierra`` drivers). A camera has a few of
    each row; the first one that it answers for is taken.

    Attributes
    ----------
    label
        The heading of its line on a screen.
    names
        The driver's names, best first.
    read
        What the camera's wording means; None for a wording that says nothing for certain.
    settable
        Whether the program may set it.
    """

    label: str
    names: tuple[str, ...]
    read: Callable[[str], Any]
    settable: bool

    # fmt: off
    EXPOSURE_MODE = ("exposure mode", "Exposure mode",
        ("expprogram", "autoexposuremode", "expprogram2", "shootingmode"),
        values.exposure_is_manual)
    # "shutterspeed2" is the finer of two lists where a maker has both (fractions, not decimals).
    SHUTTER = ("shutter", "Shutter",
        ("shutterspeed2", "shutterspeed", "exptime", "shutter-speed"), values.shutter_seconds)
    CAPTURE_TARGET = ("capture target", "Pictures kept",
        ("capturetarget", "recordingmedia"), values.capture_target)
    IMAGE_FORMAT = ("image format", "Image format",
        ("imageformat", "imagequality", "imageformatsd", "imageformatcf"), values.image_format)
    ISO = ("iso", "ISO", ("iso", "isospeed", "iso-speed"), values.iso_speed)
    APERTURE = ("aperture", "Aperture", ("aperture", "f-number", "aperture2"), values.f_number)
    WHITE_BALANCE = ("white balance", "White balance",
        ("whitebalance", "white-balance"), values.white_balance)
    FOCUS_MODE = ("focus mode", "Focus",
        ("focusmode", "focusmode2", "focus-mode"), values.focus_is_manual)
    CLOCK = ("clock", "Clock", ("datetime", "datetimeutc"), values.clock_seconds)
    BATTERY = ("battery", "Battery", ("batterylevel",), values.battery_percent, False)
    # fmt: on

    def __new__(
        cls,
        value: str,
        label: str,
        names: tuple[str, ...],
        read: Callable[[str], Any],
        settable: bool = True,
    ) -> Role:
        """Make a member from its line of the table."""
        role = str.__new__(cls, value)
        role._value_ = value
        role.label, role.names, role.read, role.settable = label, names, read, settable
        return role

    @property
    def noun(self) -> str:
        """Its name as it is written within a sentence."""
        return "ISO" if self is Role.ISO else self.value

    @classmethod
    def named(cls, text: str) -> Role | None:
        """Return the role that was stored as ``text``, None for one of a newer program."""
        return next((role for role in cls if role.value == text), None)


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

    @property
    def reading(self) -> Any:
        """What the value means (see `Role`), None where the wording says nothing for certain."""
        return self.role.read(self.value)

    @property
    def times(self) -> tuple[tuple[str, float], ...]:
        """Its choices that are shutter times, as (label, seconds); bulb and such are not."""
        return tuple((c, s) for c in self.choices if (s := values.shutter_seconds(c)))


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

    def reading(self, role: Role) -> Any:
        """Return what a setting's value means, None where it is missing or cannot be read."""
        setting = self.settings.get(role)
        return setting.reading if setting else None


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


@runtime_checkable
class PartwiseCamera(Protocol):
    """A camera whose files can be fetched in parts, and that tells when an exposure is over.

    ``when_exposed`` is called within `Camera.capture`, at the camera's first news of the picture.
    """

    when_exposed: Callable[[], None] | None

    def fetch_part(self, file: CardFile, destination: Path, offset: int, size: int) -> int:
        """Copy up to ``size`` bytes of a file from ``offset`` on into ``destination``.

        Returns how many came, at least one. ``destination`` is made new at offset 0, after the
        first bytes have come: a camera that cannot do this leaves nothing behind.
        """
        ...
