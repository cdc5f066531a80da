"""The part of the camera check about power, room, clock and where pictures are kept."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime

from tether.bench.check_line import Line, Standing, first_choice
from tether.camera import values
from tether.camera.protocol import CameraState, Role, Setting
from tether.camera.values import CaptureTarget
from tether.settings import Bench
from tether.text import megabytes, plural, printable

CLOCK_VALUE = "this computer's time"
"""What is wanted of the clock; the seconds are filled in when it is set."""


@dataclass(frozen=True, slots=True)
class Job:
    """What is still to be photographed: frames, and the bytes that a raw file takes."""

    frames_left: int
    raw_bytes: float


def battery_line(state: CameraState, settings: Bench) -> Line:
    """Judge the charge."""
    percent = state.battery_percent
    if percent is None:
        said = printable(state.value(Role.BATTERY) or "", 30)
        return Line("Battery", Standing.UNKNOWN, said, "look at the camera: charged, or on mains.")
    shown = f"{percent:.0f} %"
    if percent < settings.battery_percent:
        say = "Charge it or connect mains power: a capture can hang when it runs low."
        return Line("Battery", Standing.CHANGE, shown, say)
    return Line("Battery", Standing.OK, shown, "enough to begin with.")


def card_line(state: CameraState, job: Job) -> Line:
    """Judge the room on the card."""
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


def clock_line(state: CameraState, settings: Bench, now: float) -> Line:
    """Judge the camera's clock against the computer's."""
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


def target_line(state: CameraState) -> Line:
    """Judge where pictures go that are fired from the computer."""
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
        first_choice(setting, lambda c: values.capture_target(c) is CaptureTarget.CARD)
        if setting and not setting.readonly
        else None
    )
    if not wanted:
        return Line(label, Standing.CHANGE, shown, f"{why} Set it on the camera if it can.")
    return Line(label, Standing.CHANGE, shown, why, Role.CAPTURE_TARGET, wanted)
