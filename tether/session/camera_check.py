"""Whether the camera is set for the bench: what is right, what to change, what to look at.

`check_camera` is a pure function of what the camera reports. What the camera does not report is
never guessed: such a line asks the person to look.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from tether.camera import values
from tether.camera.protocol import CameraState, Role, Setting
from tether.camera.values import CaptureTarget, ImageFormat, WhiteBalance
from tether.settings import Bench
from tether.text import megabytes, plural, printable

CLOCK_VALUE = "this computer's time"
"""What is wanted of the clock; the seconds are filled in when it is set."""

_SMALL_RAW = re.compile(r"\b[ms]raw\d?\b|small|medium|\b[ms] raw", re.IGNORECASE)


class Standing(StrEnum):
    """How one line of the check stands."""

    OK = "ok"
    CHANGE = "change"
    UNKNOWN = "cannot tell"

    @property
    def mark(self) -> str:
        """One character that says it without colour."""
        return {"ok": "✓", "change": "✗", "cannot tell": "?"}[self.value]


@dataclass(frozen=True, slots=True)
class Line:
    """One thing that was looked at.

    Attributes
    ----------
    label
        What it is, in the trade's words.
    standing
        How it stands.
    now
        What the camera reports, made safe to show; "" where it reports nothing.
    say
        Why it matters, what to do, or how to look at it on the camera.
    role, wanted
        Which setting can be set from here, and to which of the camera's own choices. ``wanted``
        is "" where nothing is to be set or it cannot be done from here.
    """

    label: str
    standing: Standing
    now: str
    say: str
    role: Role | None = None
    wanted: str = ""


@dataclass(frozen=True, slots=True)
class Job:
    """What is still to be photographed: frames, and the bytes that a raw file takes."""

    frames_left: int
    raw_bytes: float


def check_camera(
    state: CameraState, job: Job, settings: Bench | None = None, *, now: float
) -> tuple[Line, ...]:
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

    Returns
    -------
    Lines in the order in which a camera is set up.
    """
    settings = settings or Bench()
    return (
        _image_format(state),
        _exposure_mode(state),
        _iso(state, settings),
        _aperture(state, settings),
        _white_balance(state),
        _focus(state),
        _battery(state, settings),
        _card(state, job),
        _clock(state, settings, now),
        _target(state),
        Line(
            "Other helpers",
            Standing.UNKNOWN,
            "",
            "look at the camera: stabilisation, noise reduction at long exposures, automatic ISO "
            "and lens corrections written into the raw file are off.",
        ),
    )


def base_iso(choices: Iterable[str], least: float) -> str | None:
    """Return the lowest ISO speed on a camera's list that is not lower than ``least``.

    What lies below is taken for an extended speed, which has no less noise. Only where nothing
    else is offered the highest of those is returned; None where no choice is a number.
    """
    known = [(speed, choice) for choice in choices if (speed := values.iso_speed(choice))]
    native = [item for item in known if item[0] >= least]
    if native:
        return min(native, key=lambda item: item[0])[1]
    return max(known, key=lambda item: item[0], default=(0, None))[1]


def _line(
    setting: Setting | None,
    label: str,
    right: Callable[[Setting], bool | None],
    pick: Callable[[Setting], str | None],
    good: str,
    look: str,
    why: str,
) -> Line:
    """Judge one setting. ``good``, ``look`` and ``why`` are what to say in each of three cases."""
    if setting is None:
        return Line(label, Standing.UNKNOWN, "", f"look at the camera: {look}")
    shown = printable(setting.value, 30)
    fits = right(setting)
    if fits is None:
        return Line(label, Standing.UNKNOWN, shown, f"look at the camera: {look}")
    if fits:
        return Line(label, Standing.OK, shown, good)
    wanted = "" if setting.readonly else (pick(setting) or "")
    if not wanted:
        return Line(label, Standing.CHANGE, shown, f"{why} Set it on the camera: {look}")
    return Line(label, Standing.CHANGE, shown, why, setting.role, wanted)


def _image_format(state: CameraState) -> Line:
    def right(setting: Setting) -> bool | None:
        kind = values.image_format(setting.value)
        return None if kind is None else kind.has_raw

    def pick(setting: Setting) -> str | None:
        for wanted in (ImageFormat.RAW, ImageFormat.RAW_AND_OTHER):
            found = [c for c in setting.choices if values.image_format(c) is wanted]
            whole = [c for c in found if not _SMALL_RAW.search(c)]
            if whole:
                return whole[0]
        return None

    return _line(
        state.settings.get(Role.IMAGE_FORMAT),
        "Image format",
        right,
        pick,
        "gives a raw file.",
        "raw at full size, or raw and JPEG.",
        "A JPEG has lost what the positive is made of.",
    )


def _exposure_mode(state: CameraState) -> Line:
    return _line(
        state.settings.get(Role.EXPOSURE_MODE),
        "Exposure mode",
        lambda s: values.exposure_is_manual(s.value),
        lambda s: _first(s, lambda c: values.exposure_is_manual(c) is True),
        "stays as it is set.",
        "manual exposure (M).",
        "Anything automatic follows the picture on the film.",
    )


def _iso(state: CameraState, settings: Bench) -> Line:
    def right(setting: Setting) -> bool | None:
        base = base_iso(setting.choices, settings.lowest_iso)
        return None if base is None else values.iso_speed(setting.value) == values.iso_speed(base)

    guess = f"taken as the lowest on its list that is not under {settings.lowest_iso:g}"
    return _line(
        state.settings.get(Role.ISO),
        "ISO",
        right,
        lambda s: base_iso(s.choices, settings.lowest_iso),
        f"base ISO, {guess}.",
        "base ISO (its manual names it), automatic ISO off.",
        f"Base ISO has the least noise; it is {guess}.",
    )


def _aperture(state: CameraState, settings: Bench) -> Line:
    def right(setting: Setting) -> bool | None:
        number = values.f_number(setting.value)
        if number is None:
            return None
        best = values.f_number(_nearest_aperture(setting, settings) or "")
        return number == best or stops_apart(number, settings.aperture) <= settings.aperture_ev

    about = f"about f/{settings.aperture:g}"
    return _line(
        state.settings.get(Role.APERTURE),
        "Aperture",
        right,
        lambda s: _nearest_aperture(s, settings),
        "where most macro lenses are sharpest.",
        f"{about}, on the camera or on the lens's own ring.",
        f"Most macro lenses are sharpest at {about}, and the film is never quite flat.",
    )


def stops_apart(first: float, second: float) -> float:
    """Return how many stops of light two f-numbers are apart: ``2 |log2(N1 / N2)|``."""
    return abs(2 * math.log2(first / second))


def _nearest_aperture(setting: Setting, settings: Bench) -> str | None:
    return values.nearest(setting.choices, settings.aperture, values.f_number)


def _white_balance(state: CameraState) -> Line:
    def right(setting: Setting) -> bool | None:
        kind = values.white_balance(setting.value)
        return None if kind is None else kind.fixed

    return _line(
        state.settings.get(Role.WHITE_BALANCE),
        "White balance",
        right,
        lambda s: _first(s, lambda c: values.white_balance(c) is WhiteBalance.DAYLIGHT),
        "fixed; see that it fits the lamp.",
        "fixed to the lamp: daylight for a daylight lamp, window or strobe, tungsten for "
        "incandescent light.",
        "Automatic balance follows each picture's colours. Daylight suits a daylight lamp, a "
        "window or a strobe; for incandescent light set tungsten on the camera.",
    )


def _focus(state: CameraState) -> Line:
    return _line(
        state.settings.get(Role.FOCUS_MODE),
        "Focus",
        lambda s: values.focus_is_manual(s.value),
        lambda s: _first(s, lambda c: values.focus_is_manual(c) is True),
        "stays where the hand has put it.",
        "manual focus, on the body and on the lens.",
        "Autofocus hunts on every frame.",
    )


def _battery(state: CameraState, settings: Bench) -> Line:
    percent = state.battery_percent
    if percent is None:
        said = printable(state.value(Role.BATTERY) or "", 30)
        return Line("Battery", Standing.UNKNOWN, said, "look at the camera: charged, or on mains.")
    shown = f"{percent:.0f} %"
    if percent < settings.battery_percent:
        say = "Charge it or connect mains power: a capture can hang when it runs low."
        return Line("Battery", Standing.CHANGE, shown, say)
    return Line("Battery", Standing.OK, shown, "enough to begin with.")


def _card(state: CameraState, job: Job) -> Line:
    left = plural(job.frames_left, "frame")
    if state.free_images:
        shown, room = f"room for {state.free_images}", float(state.free_images)
    elif state.free_bytes is not None:
        shown, room = f"{megabytes(state.free_bytes)} free", state.free_bytes / job.raw_bytes
    else:
        say = f"look at the camera: a card with room for {left} and for second takes."
        return Line("Card", Standing.UNKNOWN, "", say)
    if room < job.frames_left:
        say = f"{left} to go. Put in an empty card; erase none whose pictures are not delivered."
        return Line("Card", Standing.CHANGE, shown, say)
    return Line("Card", Standing.OK, shown, f"{left} to go.")


def clock_ahead(setting: Setting | None, now: float) -> float | None:
    """Return how many seconds a camera's clock is ahead, None where it cannot be read."""
    if setting is None or not re.fullmatch(r"\d{1,12}", setting.value.strip()):
        return None
    return int(setting.value) - now


def _clock(state: CameraState, settings: Bench, now: float) -> Line:
    setting = state.settings.get(Role.CLOCK)
    ahead = clock_ahead(setting, now)
    if setting is None or ahead is None:
        shown = printable(setting.value, 30) if setting else ""
        say = f"look at the camera: its date and time; it is {_time(now)} here."
        return Line("Clock", Standing.UNKNOWN, shown, say)
    shown = _time(now + ahead)
    if abs(ahead) <= settings.clock_seconds:
        return Line("Clock", Standing.OK, shown, "as on this computer.")
    off = f"{_span(abs(ahead))} {'ahead of' if ahead > 0 else 'behind'} this computer."
    if setting.readonly:
        return Line("Clock", Standing.CHANGE, shown, f"It is {off} Set it on the camera.")
    return Line("Clock", Standing.CHANGE, shown, f"It is {off}", Role.CLOCK, CLOCK_VALUE)


def _time(seconds: float) -> str:
    try:
        return datetime.fromtimestamp(seconds).strftime("%Y-%m-%d %H:%M")
    except (OSError, OverflowError, ValueError):
        return "no date"


def _span(seconds: float) -> str:
    for unit, size in (("day", 86_400), ("hour", 3600), ("minute", 60)):
        if seconds >= size:
            return plural(int(seconds // size), unit)
    return plural(int(seconds), "second")


def _target(state: CameraState) -> Line:
    setting = state.settings.get(Role.CAPTURE_TARGET)
    label = "Pictures kept"
    if state.keeps_pictures is None:
        said = printable(setting.value, 30) if setting else ""
        say = "look at the camera: a picture that is fired from here stays on its card."
        return Line(label, Standing.UNKNOWN, said, say)
    shown = printable(setting.value, 30) if setting else "on the card"
    if state.keeps_pictures:
        return Line(label, Standing.OK, shown, "a second copy until they are delivered.")
    why = "In its memory a picture is gone with the connection."
    wanted = (
        _first(setting, lambda c: values.capture_target(c) is CaptureTarget.CARD)
        if setting and not setting.readonly
        else None
    )
    if not wanted:
        return Line(label, Standing.CHANGE, shown, f"{why} Set it on the camera if it can.")
    return Line(label, Standing.CHANGE, shown, why, Role.CAPTURE_TARGET, wanted)


def _first(setting: Setting, fits: Callable[[str], bool]) -> str | None:
    return next((choice for choice in setting.choices if fits(choice)), None)
