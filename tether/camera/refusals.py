"""What libgphoto2's result codes mean to a person at the bench.

The codes are those of libgphoto2 (``gphoto2-port-result.h``, ``gphoto2-result.h``). Its PTP
driver answers most of a camera's own refusals with the bare code -1 and writes the camera's
response code (ISO 15740, table of response codes) into its log; the last lines of that log are
therefore read too.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from tether.camera.errors import (
    CameraClaimed,
    CameraError,
    CameraLost,
    CameraRefused,
    CardFull,
    FileUnavailable,
    NoCamera,
)

GENERAL = -1
BAD_PARAMETERS = -2
NOT_SUPPORTED = -6
IO_WRITE = -35
CLAIMED = frozenset({-53, -60})
LOST = frozenset({-7, -10, -20, -21, -31, -34, IO_WRITE, -37, -41, -51, -52, -114})
NO_FILE = frozenset({-107, -108})
CORRUPT = -102
BUSY = -110
FULL = frozenset({-3, -115})

_RESPONSE = re.compile(r"\(0x(2[0-9a-f]{3}|a[0-9a-f]{3})\)", re.IGNORECASE)
_PTP_FULL = 0x200C
_PTP_NO_STORE = 0x2013
_PTP_PROTECTED = 0x200E
_PTP_BUSY = 0x2019
_PTP_NO_OBJECT = 0x2009
_PTP_DENIED = 0x200F
_PTP_SESSION = 0x2003

KEPT_CARD = "Pictures that are already on the card stay there; nothing on the computer was changed."
UNPLUG = (
    "Check the cable and that the camera is switched on, then connect again. "
    "The work goes on where it stopped."
)


def response(lines: Iterable[str]) -> int | None:
    """Return the camera's own last response code in some lines of the driver's log."""
    codes = [int(match[1], 16) for line in lines for match in _RESPONSE.finditer(line)]
    return codes[-1] if codes else None


def explain(code: int, text: str, doing: str, lines: Iterable[str] = ()) -> CameraError:
    """Return the error that says what a result code means.

    Parameters
    ----------
    code, text
        libgphoto2's result code and its own words for it.
    doing
        What was being done, as the end of "while ...": ``"setting the shutter"``.
    lines
        The driver's last log lines, oldest first.
    """
    said = f"while {doing} (driver: {text.strip()}, {code})"
    ptp = response(lines) if code in {GENERAL, BAD_PARAMETERS, BUSY} else None
    kind, what, todo = next(
        ((kind, what, todo) for codes, kind, what, todo in _REFUSALS if {code, ptp} & codes),
        (
            CameraRefused,
            "The camera refused",
            "Look at its display, put right what it says, then try again.",
        ),
    )
    return kind(f"{what}, {said}.", kept=KEPT_CARD, todo=todo)


_REFUSALS: tuple[tuple[frozenset[int], type[CameraError], str, str], ...] = (
    (
        CLAIMED,
        CameraClaimed,
        "Another program holds the camera",
        "Close the program that shows the camera's pictures, then connect again.",
    ),
    (LOST | {_PTP_SESSION}, CameraLost, "The connection to the camera broke", UNPLUG),
    (
        FULL | {_PTP_FULL},
        CardFull,
        "The camera has no room for another picture",
        "Check that the pictures on the card have been delivered, then change the card.",
    ),
    (
        frozenset({_PTP_NO_STORE, _PTP_PROTECTED}),
        CameraRefused,
        "The camera cannot write to its card",
        "Check that a card is in the camera and that its write protection is off.",
    ),
    (
        NO_FILE | {_PTP_NO_OBJECT},
        FileUnavailable,
        "The camera does not have the file that was asked for",
        "Look at the card in the camera; photograph the frame again if it is not there.",
    ),
    (frozenset({CORRUPT}), FileUnavailable, "The camera sent damaged data", "Try again."),
    (
        frozenset({BUSY, _PTP_BUSY, _PTP_DENIED}),
        CameraRefused,
        "The camera is busy or not ready",
        "Leave the camera's menu and picture review, wait until its light is off, then try again.",
    ),
    (
        frozenset({NOT_SUPPORTED}),
        CameraRefused,
        "The camera cannot do that from here",
        "Do it on the camera itself.",
    ),
)


def explain_connecting(code: int, text: str, port: str | None) -> CameraError:
    """Return the error that says why no connection was made."""
    where = f" at {port}" if port else ""
    if code in CLAIMED:
        return CameraClaimed(
            f"Another program holds the camera{where} (driver: {text.strip()}, {code}).",
            kept="Nothing was changed.",
            todo="Close the program that shows the camera's pictures, then connect again.",
        )
    return NoCamera(
        f"No camera answers{where} (driver: {text.strip()}, {code}).",
        kept="Nothing was changed.",
        todo=WHAT_TO_CHECK,
    )


WHAT_TO_CHECK = (
    "Check that the camera is switched on and awake, that the cable carries data and sits firmly "
    "at both ends (no hub in between), that the camera's USB mode is set for remote control or "
    "PTP and not for mass storage, and that the battery is charged."
)
