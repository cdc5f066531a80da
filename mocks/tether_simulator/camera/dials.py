"""The settings of the simulated camera: which there are, what they can be set to.

Values are those of PTP's device properties (ISO 15740): apertures in hundredths, ISO speeds as
they are, everything else by the standard's own numbers. A shutter time is a fraction,
``numerator << 16 | denominator``, as the vendor's extension writes it; the standard's tenths of
a millisecond cannot tell 1/8000 s from 1/6400 s.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.ptp import Property

_SHUTTER = (
    "30 25 20 15 13 10 8 6 5 4 32/10 25/10 2 16/10 13/10 1 10/13 10/16 1/2 10/25 1/3 1/4 1/5 1/6 "
    "1/8 1/10 1/13 1/15 1/20 1/25 1/30 1/40 1/50 1/60 1/80 1/100 1/125 1/160 1/200 1/250 1/320 "
    "1/400 1/500 1/640 1/800 1/1000 1/1250 1/1600 1/2000 1/2500 1/3200 1/4000 1/5000 1/6400 1/8000"
)
_APERTURES = "2.8 3.2 3.5 4 4.5 5 5.6 6.3 7.1 8 9 10 11 13 14 16 18 20 22"
_SPEEDS = "100 125 160 200 250 320 400 500 640 800 1000 1250 1600 2000 2500 3200 4000 5000 6400"

AUTOMATIC_BALANCE = 2
DAYLIGHT = 4
TUNGSTEN = 6
WHITE_BALANCES = {AUTOMATIC_BALANCE: "Auto", DAYLIGHT: "Daylight", 5: "Fluorescent"} | {
    TUNGSTEN: "Tungsten",
    7: "Flash",
}
"""White balances by the standard's number, with the names that `CameraExposure` takes."""

MANUAL_FOCUS, AUTOFOCUS = 1, 2
MANUAL_EXPOSURE = 1


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
    """One setting: its property, its choices in the camera's order, where it stands at first."""

    code: Property
    choices: tuple[int, ...]
    default: int


DIALS: dict[Property, Dial] = {
    dial.code: dial
    for dial in (
        Dial(
            Property.EXPOSURE_TIME_FRACTION,
            tuple(fraction(text) for text in _SHUTTER.split()),
            fraction("1/15"),
        ),
        Dial(
            Property.F_NUMBER,
            tuple(round(100 * float(text)) for text in _APERTURES.split()),
            800,
        ),
        Dial(Property.EXPOSURE_INDEX, tuple(int(text) for text in _SPEEDS.split()), 100),
        Dial(Property.WHITE_BALANCE, tuple(WHITE_BALANCES), DAYLIGHT),
        Dial(Property.FOCUS_MODE, (MANUAL_FOCUS, AUTOFOCUS), MANUAL_FOCUS),
        Dial(Property.EXPOSURE_PROGRAM_MODE, (MANUAL_EXPOSURE, 2, 3, 4), MANUAL_EXPOSURE),
        Dial(
            Property.COMPRESSION_SETTING,
            tuple(quality.value for quality in Quality),
            Quality.RAW.value,
        ),
    )
}
"""Every dial by its property. The body has no meter: it exposes as its dials stand."""


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
            WHITE_BALANCES[self[Property.WHITE_BALANCE]],
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
