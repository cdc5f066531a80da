"""Whether the camera is set for the bench: what is right, what to change, what to look at.

`check_camera` is a pure function of what the camera reports. What the camera does not report is
never guessed: such a line asks the person to look. What is wanted of each setting is one line of
`_WANTED`; how a setting is found, read and named is in `tether.camera.protocol.Role`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

from tether.camera import values
from tether.camera.errors import KEEP_CARD
from tether.camera.protocol import CameraState, Role, Setting
from tether.camera.values import CaptureTarget, ImageFormat, WhiteBalance
from tether.settings import BenchSettings
from tether.text import megabytes, plural, printable

CLOCK_VALUE = "this computer's time"
"""What is wanted of the clock; the seconds are filled in when it is set."""

_NOMINAL = 1.1
"""Times by which a shutter's name and its real time may differ: 1/125 is 1/128 of a second."""

_SMALL_RAW = re.compile(r"\b[ms]raw\d?\b|small|medium|\b[ms] raw", re.IGNORECASE)


class CheckStatus(StrEnum):
    """What one line of the check came to."""

    OK = "ok"
    CHANGE = "change"
    UNKNOWN = "cannot tell"

    @property
    def mark(self) -> str:
        """One character that says it without colour."""
        return {"ok": "✓", "change": "✗", "cannot tell": "?"}[self.value]


@dataclass(frozen=True, slots=True)
class CheckResult:
    """One thing that was looked at.

    Attributes
    ----------
    label
        What it is, in the trade's words.
    status
        What the look came to.
    now
        What the camera reports, made safe to show; "" where it reports nothing.
    advice
        Why it matters, what to do, or how to look at it on the camera.
    role, wanted
        Which setting can be set from here, and to which of the camera's own choices. ``wanted``
        is "" where nothing is to be set or it cannot be done from here.
    """

    label: str
    status: CheckStatus
    now: str
    advice: str
    role: Role | None = None
    wanted: str = ""

    def __post_init__(self) -> None:
        """Refuse to offer what the program would then not set."""
        if self.wanted and (self.role is None or not self.role.settable):
            raise ValueError(f"{self.label}: {self.wanted!r} is wanted, and nothing can set it")


@dataclass(frozen=True, slots=True)
class Job:
    """What is still to be photographed: frames, and the bytes that a raw file takes."""

    frames_left: int
    raw_bytes: float


def check_camera(
    state: CameraState,
    job: Job,
    settings: BenchSettings | None = None,
    *,
    now: float,
    strobe: bool = False,
) -> tuple[CheckResult, ...]:
    """Compare the camera's state with what the bench asks for.

    Parameters
    ----------
    state
        As the camera reports it.
    job
        What its card must have room for.
    settings
        What the bench asks for.
    now
        The computer's time in seconds since 1970.
    strobe
        The light is a strobe: then the shutter has to be open all over the frame when it fires.

    Returns
    -------
    Lines in the order in which a camera is set up.
    """
    settings = settings or BenchSettings()
    *exposure, target = check_settings(state, settings, strobe=strobe)
    return (
        *exposure,
        _battery(state, settings),
        _card(state, job),
        _clock(state, settings, now),
        target,
        CheckResult(
            "In-camera processing", CheckStatus.UNKNOWN, "", f"{_OTHER}{_STROBE * strobe}."
        ),
    )


def check_settings(
    state: CameraState, settings: BenchSettings, *, strobe: bool
) -> tuple[CheckResult, ...]:
    """Compare what is set on a camera; the last line is about where pictures are kept."""
    words = {
        "limit": _time(settings.sync_seconds),
        "aperture": f"about f/{settings.aperture:g}",
        "guess": f"the lowest listed ISO of at least {settings.lowest_iso:g}",
    }
    return (
        *(
            _line(wanted, state.settings.get(wanted.role), settings, words)
            for wanted in _WANTED
            if strobe or not wanted.strobe_only
        ),
        _target(state),
    )


# --- settings --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What is wanted of one role.

    ``right`` says whether a setting is right, None where its wording does not tell. ``pick``
    returns the choice to set, None where no choice is known to be right. ``good``, ``look`` and
    ``why`` are what to say where it is right, where a person has to look, and why it matters.
    """

    role: Role
    right: Callable[[Setting, BenchSettings], bool | None]
    pick: Callable[[Setting, BenchSettings], str | None]
    good: str
    look: str
    why: str
    strobe_only: bool = False


def _line(
    wanted: _Wanted, setting: Setting | None, settings: BenchSettings, words: Mapping[str, str]
) -> CheckResult:
    label = wanted.role.label
    good, look, why = (text.format(**words) for text in (wanted.good, wanted.look, wanted.why))
    shown = _shown(setting)
    right = None if setting is None else wanted.right(setting, settings)
    if setting is None or right is None:
        return CheckResult(label, CheckStatus.UNKNOWN, shown, f"check on the camera: {look}")
    if right:
        # The maker's own word for it matters only where it has to be found on the camera.
        said = str(setting.reading) if wanted.role is Role.IMAGE_FORMAT else shown
        return CheckResult(label, CheckStatus.OK, said, good)
    choice = None if setting.readonly else wanted.pick(setting, settings)
    if not choice:
        advice = f"{why} Set it on the camera: {look}"
        return CheckResult(label, CheckStatus.CHANGE, shown, advice)
    return CheckResult(label, CheckStatus.CHANGE, shown, why, setting.role, choice)


def _shown(setting: Setting | None) -> str:
    return printable(setting.value, 30) if setting else ""


def _reads(test: Callable[[Any], bool]) -> Callable[[Setting, BenchSettings], bool | None]:
    """Return what is right where the value passes ``test``."""
    return lambda setting, _: None if setting.reading is None else test(setting.reading)


def _first(test: Callable[[Any], bool]) -> Callable[[Setting, BenchSettings], str | None]:
    """Return what picks the first of the choices whose value passes ``test``."""
    return lambda setting, _: _first_choice(setting, test)


def _first_choice(setting: Setting, test: Callable[[Any], bool]) -> str | None:
    read = ((choice, setting.role.read(choice)) for choice in setting.choices)
    return next((choice for choice, value in read if value is not None and test(value)), None)


def _whole_raw(setting: Setting, _: BenchSettings) -> str | None:
    whole = [choice for choice in setting.choices if not _SMALL_RAW.search(choice)]
    for kind in (ImageFormat.RAW, ImageFormat.RAW_AND_OTHER):
        for choice in whole:
            if values.image_format(choice) is kind:
                return choice
    return None


def _slow_enough(seconds: float | None, settings: BenchSettings) -> bool:
    """Compare a shutter time with the flash synchronisation speed; slower is right as well."""
    return seconds is not None and seconds >= settings.sync_seconds / _NOMINAL


def _sync_shutter(setting: Setting, settings: BenchSettings) -> str | None:
    slow = [c for c in setting.choices if _slow_enough(values.shutter_seconds(c), settings)]
    return values.nearest_shutter(slow, settings.sync_seconds)


def base_iso(choices: Iterable[str], least: float) -> str | None:
    """Return the lowest ISO speed on a camera's list that is not lower than ``least``.

    A lower one is taken for an extended speed, which has no less noise. Only where nothing else
    is offered the highest of those is returned; None where no choice is a number.
    """
    speeds = [(speed, choice) for choice in choices if (speed := values.iso_speed(choice))]
    native = [item for item in speeds if item[0] >= least]
    if native:
        return min(native, key=lambda item: item[0])[1]
    return max(speeds, key=lambda item: item[0], default=(0, None))[1]


def _is_base_iso(setting: Setting, settings: BenchSettings) -> bool | None:
    base = base_iso(setting.choices, settings.lowest_iso)
    return None if base is None else bool(setting.reading == values.iso_speed(base))


def stops_apart(first: float, second: float) -> float:
    """Return how many stops of light two f-numbers are apart: ``2 |log2(N1 / N2)|``."""
    return abs(2 * math.log2(first / second))


def _is_sharpest(setting: Setting, settings: BenchSettings) -> bool | None:
    number: float | None = setting.reading
    if number is None:
        return None
    best = values.f_number(_sharpest(setting, settings) or "")
    return number == best or stops_apart(number, settings.aperture) <= settings.aperture_ev


def _sharpest(setting: Setting, settings: BenchSettings) -> str | None:
    return values.nearest(setting.choices, settings.aperture, values.f_number)


_WANTED: tuple[_Wanted, ...] = (
    _Wanted(
        Role.IMAGE_FORMAT,
        _reads(lambda kind: kind.has_raw),
        _whole_raw,
        "gives a raw file.",
        "raw at full size, or raw and JPEG.",
        "A JPEG has lost what the positive is made of.",
    ),
    _Wanted(
        Role.EXPOSURE_MODE,
        _reads(bool),
        _first(bool),
        "stays where you set it.",
        "manual exposure (M).",
        "Anything automatic follows the picture on the film.",
    ),
    _Wanted(
        Role.SHUTTER,
        lambda s, bench: None if s.reading is None else _slow_enough(s.reading, bench),
        _sync_shutter,
        "not faster than {limit}, the strobe's synchronisation speed.",
        "{limit} or slower, so that the strobe lights the whole frame.",
        "Faster than {limit}, the shutter curtain covers part of the frame.",
        strobe_only=True,
    ),
    _Wanted(
        Role.ISO,
        _is_base_iso,
        lambda s, bench: base_iso(s.choices, bench.lowest_iso),
        "base ISO ({guess}).",
        "base ISO (see its manual), automatic ISO off.",
        "Base ISO has the least noise; taken as {guess}.",
    ),
    _Wanted(
        Role.APERTURE,
        _is_sharpest,
        _sharpest,
        "where most macro lenses are sharpest.",
        "{aperture}, on the camera or on the lens's own ring.",
        "Most macro lenses are sharpest at {aperture}, and film is never quite flat.",
    ),
    _Wanted(
        Role.WHITE_BALANCE,
        _reads(lambda kind: kind.fixed),
        _first(lambda kind: kind is WhiteBalance.DAYLIGHT),
        "fixed; check that it suits the lamp.",
        "fixed to the lamp: daylight for a daylight lamp, window or strobe, tungsten for "
        "incandescent light.",
        "Automatic balance follows each picture's colours. Daylight suits a daylight lamp, a "
        "window or a strobe; for incandescent light set tungsten on the camera.",
    ),
    _Wanted(
        Role.FOCUS_MODE,
        _reads(bool),
        _first(bool),
        "stays where you focused.",
        "manual focus, on the body and on the lens.",
        "Autofocus hunts on every frame.",
    ),
)
"""What the bench wants of each setting, in the order in which a camera is set up."""

_OTHER = (
    "check on the camera: stabilisation, long-exposure noise reduction, automatic ISO and lens "
    "corrections in the raw file are off"
)
_STROBE = "; mechanical shutter on, silent mode off, exposure simulation in live view off"


def _target(state: CameraState) -> CheckResult:
    """Judge where pictures go that are fired from the computer."""
    setting = state.settings.get(Role.CAPTURE_TARGET)
    label = Role.CAPTURE_TARGET.label
    if state.keeps_pictures is None:
        advice = "check on the camera: pictures fired from here stay on its card."
        return CheckResult(label, CheckStatus.UNKNOWN, _shown(setting), advice)
    shown = _shown(setting) if setting else "on the card"
    if state.keeps_pictures:
        advice = "the card keeps a copy of each picture."
        return CheckResult(label, CheckStatus.OK, shown, advice)
    why = "A picture in its memory is lost with the connection."
    card = None
    if setting and not setting.readonly:
        card = _first_choice(setting, lambda target: target is CaptureTarget.CARD)
    if not card:
        advice = f"{why} Set it on the camera if it can."
        return CheckResult(label, CheckStatus.CHANGE, shown, advice)
    return CheckResult(label, CheckStatus.CHANGE, shown, why, Role.CAPTURE_TARGET, card)


# --- power, room and clock -------------------------------------------------------------------


def _battery(state: CameraState, settings: BenchSettings) -> CheckResult:
    label, percent = Role.BATTERY.label, state.battery_percent
    if percent is None:
        shown = _shown(state.settings.get(Role.BATTERY))
        advice = "check on the camera: charged, or on mains power."
        return CheckResult(label, CheckStatus.UNKNOWN, shown, advice)
    shown = f"{percent:.0f} %"
    if percent < settings.battery_percent:
        advice = "Charge it or connect mains power: a camera can hang when it runs low."
        return CheckResult(label, CheckStatus.CHANGE, shown, advice)
    return CheckResult(label, CheckStatus.OK, shown, "enough to begin.")


def _card(state: CameraState, job: Job) -> CheckResult:
    left = plural(job.frames_left, "frame")
    if state.free_images:
        shown, room = f"room for {state.free_images}", float(state.free_images)
    elif state.free_bytes is not None:
        shown, room = f"{megabytes(state.free_bytes)} free", state.free_bytes / job.raw_bytes
    else:
        advice = f"check on the camera: room for {left} and second takes."
        return CheckResult("Card", CheckStatus.UNKNOWN, "", advice)
    if room < job.frames_left:
        advice = f"{left} to go. Put in an empty card. {KEEP_CARD}"
        return CheckResult("Card", CheckStatus.CHANGE, shown, advice)
    return CheckResult("Card", CheckStatus.OK, shown, f"{left} to go.")


def clock_ahead(setting: Setting | None, now: float) -> float | None:
    """Return how many seconds a camera's clock is ahead, None where it cannot be read."""
    seconds: int | None = setting.reading if setting else None
    return None if seconds is None else seconds - now


def _clock(state: CameraState, settings: BenchSettings, now: float) -> CheckResult:
    setting = state.settings.get(Role.CLOCK)
    label, ahead = Role.CLOCK.label, clock_ahead(setting, now)
    if setting is None or ahead is None:
        advice = f"check the camera's date and time: it should read {_date(now)}."
        return CheckResult(label, CheckStatus.UNKNOWN, _shown(setting), advice)
    shown = _date(now + ahead)
    if abs(ahead) <= settings.clock_seconds:
        return CheckResult(label, CheckStatus.OK, shown, "same as this computer.")
    off = f"It is {_span(abs(ahead))} {'ahead of' if ahead > 0 else 'behind'} this computer."
    if setting.readonly:
        return CheckResult(label, CheckStatus.CHANGE, shown, f"{off} Set it on the camera.")
    return CheckResult(label, CheckStatus.CHANGE, shown, off, Role.CLOCK, CLOCK_VALUE)


def _date(seconds: float) -> str:
    try:
        return datetime.fromtimestamp(seconds).strftime("%Y-%m-%d %H:%M")
    except (OSError, OverflowError, ValueError):
        return "no date"


def _span(seconds: float) -> str:
    for unit, size in (("day", 86_400), ("hour", 3600), ("minute", 60)):
        if seconds >= size:
            return plural(int(seconds // size), unit)
    return plural(int(seconds), "second")


def _time(seconds: float) -> str:
    return f"1/{1 / seconds:.0f} s" if seconds < 0.5 else f"{seconds:g} s"
