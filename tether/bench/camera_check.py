"""Whether the camera is set for the bench: what is right, what to change, what to look at.

`check_camera` is a pure function of what the camera reports. What the camera does not report is
never guessed: such a line asks the person to look.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

from tether.bench.check_line import Line, Standing, first_choice, setting_line
from tether.bench.check_supplies import (
    Job,
    battery_line,
    card_line,
    clock_line,
    target_line,
)
from tether.camera import values
from tether.camera.protocol import CameraState, Role, Setting
from tether.camera.values import ImageFormat, WhiteBalance
from tether.settings import Bench

_SMALL_RAW = re.compile(r"\b[ms]raw\d?\b|small|medium|\b[ms] raw", re.IGNORECASE)


def check_camera(
    state: CameraState,
    job: Job,
    settings: Bench | None = None,
    *,
    now: float,
    strobe: bool = False,
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
    strobe
        The light is a strobe: then the shutter has to be open all over the frame when it fires.

    Returns
    -------
    Lines in the order in which a camera is set up.
    """
    settings = settings or Bench()
    return (
        _image_format(state),
        _exposure_mode(state),
        *([_sync(state, settings)] if strobe else []),
        _iso(state, settings),
        _aperture(state, settings),
        _white_balance(state),
        _focus(state),
        battery_line(state, settings),
        card_line(state, job),
        clock_line(state, settings, now),
        target_line(state),
        Line(
            "Other helpers",
            Standing.UNKNOWN,
            "",
            "look at the camera: stabilisation, noise reduction at long exposures, automatic ISO "
            "and lens corrections written into the raw file are off"
            + (
                "; the shutter is the mechanical one, silent mode is off, and live view does not "
                "show the exposure."
                if strobe
                else "."
            ),
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

    return setting_line(
        state.settings.get(Role.IMAGE_FORMAT),
        "Image format",
        right,
        pick,
        "gives a raw file.",
        "raw at full size, or raw and JPEG.",
        "A JPEG has lost what the positive is made of.",
    )


def _exposure_mode(state: CameraState) -> Line:
    return setting_line(
        state.settings.get(Role.EXPOSURE_MODE),
        "Exposure mode",
        lambda s: values.exposure_is_manual(s.value),
        lambda s: first_choice(s, lambda c: values.exposure_is_manual(c) is True),
        "stays as it is set.",
        "manual exposure (M).",
        "Anything automatic follows the picture on the film.",
    )


def _sync(state: CameraState, settings: Bench) -> Line:
    """Compare the shutter with the flash synchronisation speed; slower is right as well."""
    least = settings.sync_seconds / _NOMINAL
    limit = _time(settings.sync_seconds)

    def right(setting: Setting) -> bool | None:
        seconds = values.shutter_seconds(setting.value)
        return None if seconds is None else seconds >= least

    def pick(setting: Setting) -> str | None:
        slower = [c for c in setting.choices if (values.shutter_seconds(c) or 0.0) >= least]
        return values.nearest(slower, settings.sync_seconds, values.shutter_seconds)

    return setting_line(
        state.settings.get(Role.SHUTTER),
        "Shutter",
        right,
        pick,
        f"not faster than {limit}, the strobe's synchronisation; it stays.",
        f"{limit} or slower, so that the strobe lights the whole frame.",
        f"Faster than {limit} a curtain covers a part of the frame when the strobe fires.",
    )


_NOMINAL = 1.1
"""Times by which a shutter's name and its real time may differ: 1/125 is 1/128 of a second."""


def _time(seconds: float) -> str:
    return f"1/{1 / seconds:.0f} s" if seconds < 0.5 else f"{seconds:g} s"


def _iso(state: CameraState, settings: Bench) -> Line:
    def right(setting: Setting) -> bool | None:
        base = base_iso(setting.choices, settings.lowest_iso)
        return None if base is None else values.iso_speed(setting.value) == values.iso_speed(base)

    guess = f"taken as the lowest on its list that is not under {settings.lowest_iso:g}"
    return setting_line(
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
    return setting_line(
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

    return setting_line(
        state.settings.get(Role.WHITE_BALANCE),
        "White balance",
        right,
        lambda s: first_choice(s, lambda c: values.white_balance(c) is WhiteBalance.DAYLIGHT),
        "fixed; see that it fits the lamp.",
        "fixed to the lamp: daylight for a daylight lamp, window or strobe, tungsten for "
        "incandescent light.",
        "Automatic balance follows each picture's colours. Daylight suits a daylight lamp, a "
        "window or a strobe; for incandescent light set tungsten on the camera.",
    )


def _focus(state: CameraState) -> Line:
    return setting_line(
        state.settings.get(Role.FOCUS_MODE),
        "Focus",
        lambda s: values.focus_is_manual(s.value),
        lambda s: first_choice(s, lambda c: values.focus_is_manual(c) is True),
        "stays where the hand has put it.",
        "manual focus, on the body and on the lens.",
        "Autofocus hunts on every frame.",
    )
