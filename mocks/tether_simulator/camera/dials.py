"""The dials of the simulated camera: one table of what there is and what it can be set to.

The PTP properties (`tether_simulator.ptpip.properties`) and the settings of the camera without a
cable (`tether_simulator.camera.inprocess`) are made from it.

Values are those of PTP's device properties (ISO 15740): apertures in hundredths, ISO speeds as
they are, everything else by the standard's own numbers. A shutter time is a fraction,
``numerator << 16 | denominator``, as the vendor's extension writes it; the standard's tenths of
a millisecond cannot tell 1/8000 s from 1/6400 s.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

from tether.camera.protocol import Role
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.ptp import DataType, Property

_SHUTTER = (
    "30 25 20 15 13 10 8 6 5 4 32/10 25/10 2 16/10 13/10 1 10/13 10/16 1/2 10/25 1/3 1/4 1/5 1/6 "
    "1/8 1/10 1/13 1/15 1/20 1/25 1/30 1/40 1/50 1/60 1/80 1/100 1/125 1/160 1/200 1/250 1/320 "
    "1/400 1/500 1/640 1/800 1/1000 1/1250 1/1600 1/2000 1/2500 1/3200 1/4000 1/5000 1/6400 1/8000"
)
_APERTURES = "2.8 3.2 3.5 4 4.5 5 5.6 6.3 7.1 8 9 10 11 13 14 16 18 20 22"
_SPEEDS = "100 125 160 200 250 320 400 500 640 800 1000 1250 1600 2000 2500 3200 4000 5000 6400"


class Quality(Enum):
    """Which files one exposure makes; the numbers are those of the vendor's extension."""

    JPEG_BASIC = 0
    JPEG_FINE = 2
    RAW = 4
    RAW_AND_JPEG = 7

    @property
    def has_raw(self) -> bool:
        """Whether a raw file is written."""
        return self in {Quality.RAW, Quality.RAW_AND_JPEG}

    @property
    def has_jpeg(self) -> bool:
        """Whether a JPEG is written."""
        return self is not Quality.RAW


def fraction(seconds: str) -> int:
    """Return a shutter time as the camera holds it: ``fraction("1/60")``."""
    above, _, below = seconds.partition("/")
    return int(above) << 16 | int(below or 1)


def seconds(shutter: int) -> float:
    """Return the seconds of a shutter time as the camera holds it."""
    return (shutter >> 16) / (shutter & 0xFFFF)


def ten_thousandths(shutter: int) -> int:
    """Return a shutter time in the standard's unit, 1/10000 s, at least 1."""
    return max(1, round(seconds(shutter) * 10_000))


@dataclass(frozen=True, slots=True)
class Dial:
    """One setting of the simulated camera.

    Attributes
    ----------
    role
        What it is for, to the program.
    code, type
        Its PTP property, and the property's data type.
    words
        Its positions in the camera's order, each with the words that `InProcessCamera` has for it.
        libgphoto2 has words of its own: a test holds both against `Role.read`.
    default
        Where it is at first: right for the bench.
    holiday
        Where it is after a holiday (see `tether_simulator.mishaps`), None for a dial that then is
        where it was.
    span
        Lowest and highest position and step where the property is stated as a range. libgphoto2
        shows some settings only where they are (read in its ``camlibs/ptp2/config.c``).
    """

    role: Role
    code: Property
    type: DataType
    words: Mapping[int, str]
    default: int
    holiday: int | None = None
    span: tuple[int, int, int] | None = None

    @property
    def choices(self) -> tuple[int, ...]:
        """Its positions."""
        return tuple(self.words)


# fmt: off
DIALS: dict[Property, Dial] = {dial.code: dial for dial in (
    Dial(
        Role.SHUTTER, Property.EXPOSURE_TIME_FRACTION, DataType.UINT32,
        {fraction(text): text for text in _SHUTTER.split()}, default=fraction("1/15"),
    ),
    Dial(
        Role.APERTURE, Property.F_NUMBER, DataType.UINT16,
        {round(100 * float(text)): f"f/{text}" for text in _APERTURES.split()},
        default=800, holiday=400,
    ),
    Dial(
        Role.ISO, Property.EXPOSURE_INDEX, DataType.UINT16,
        {int(text): text for text in _SPEEDS.split()}, default=100, holiday=800,
    ),
    Dial(
        Role.WHITE_BALANCE, Property.WHITE_BALANCE, DataType.UINT16,
        {2: "Automatic", 4: "Daylight", 5: "Fluorescent", 6: "Tungsten", 7: "Flash"},
        default=4, holiday=2,
    ),
    Dial(
        Role.FOCUS_MODE, Property.FOCUS_MODE, DataType.UINT16,
        {1: "Manual", 2: "Automatic"}, default=1, holiday=2,
    ),
    Dial(
        Role.EXPOSURE_MODE, Property.EXPOSURE_PROGRAM_MODE, DataType.UINT16,
        {1: "M", 2: "P", 3: "A", 4: "S"}, default=1, holiday=2,
    ),
    Dial(
        Role.IMAGE_FORMAT, Property.COMPRESSION_SETTING, DataType.UINT8,
        {
            Quality.JPEG_BASIC.value: "JPEG Basic", Quality.JPEG_FINE.value: "JPEG Fine",
            Quality.RAW.value: "RAW", Quality.RAW_AND_JPEG.value: "RAW + JPEG Fine",
        },
        default=Quality.RAW.value, holiday=Quality.JPEG_FINE.value,
    ),
)}
# fmt: on
"""Every dial by its property. The body has no meter: it exposes as its dials are set."""


class Dials:
    """Where each dial stands."""

    def __init__(self) -> None:
        self._stands = {code: dial.default for code, dial in DIALS.items()}

    def __getitem__(self, code: Property) -> int:
        """Return where a dial stands."""
        return self._stands[code]

    def turn(self, code: Property, value: int) -> Sequence[Property]:
        """Set a dial; return the properties that changed with it.

        Raises
        ------
        KeyError
            When there is no such dial.
        ValueError
            When the dial has no such position.
        """
        if code is Property.EXPOSURE_TIME:
            return self.turn(Property.EXPOSURE_TIME_FRACTION, _nearest_shutter(value))
        if value not in DIALS[code].choices:
            raise ValueError(f"{code.name} has no position {value}")
        if self._stands[code] == value:
            return ()
        self._stands[code] = value
        if code is Property.EXPOSURE_TIME_FRACTION:
            return (code, Property.EXPOSURE_TIME)
        return (code,)

    @property
    def quality(self) -> Quality:
        """Which files one exposure makes."""
        return Quality(self[Property.COMPRESSION_SETTING])

    @property
    def exposure(self) -> CameraExposure:
        """What the picture is exposed with."""
        return CameraExposure(
            seconds(self[Property.EXPOSURE_TIME_FRACTION]),
            self[Property.F_NUMBER] / 100,
            float(self[Property.EXPOSURE_INDEX]),
            DIALS[Property.WHITE_BALANCE].words[self[Property.WHITE_BALANCE]],
        )


def standard_shutters() -> tuple[int, ...]:
    """Return the choices of the standard's shutter property, in 1/10000 s, without doubles."""
    shutters = DIALS[Property.EXPOSURE_TIME_FRACTION].choices
    return tuple(dict.fromkeys(ten_thousandths(shutter) for shutter in shutters))


def _nearest_shutter(value: int) -> int:
    """Return the first shutter time that the standard's unit writes as ``value``."""
    for shutter in DIALS[Property.EXPOSURE_TIME_FRACTION].choices:
        if ten_thousandths(shutter) == value:
            return shutter
    raise ValueError(f"no shutter time of {value}/10000 s")
