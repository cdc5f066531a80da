"""What libgphoto2's result codes mean to a person at the bench.

The codes are those of libgphoto2 (``gphoto2-port-result.h``, ``gphoto2-result.h``). Its PTP
driver answers most of a camera's own refusals with the bare code -1 and puts the reason into
words ("PTP Store Full": the response codes of ISO 15740, table ``ptp_errors`` in
``camlibs/ptp2/ptp.c``); the words are therefore read too.
"""

from __future__ import annotations

from tether.camera.errors import (
    BatteryLow,
    CameraClaimed,
    CameraError,
    CameraLost,
    CameraRefused,
    CardFull,
    CardUnclear,
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
TWO_OF_ONE_NAME = -103
BUSY = -110
FULL = frozenset({-3, -115})
UNCLEAR = frozenset({GENERAL, BAD_PARAMETERS, BUSY})
"""Codes that the PTP driver gives for many reasons."""

KEPT_CARD = "Pictures that are already on the card stay there; nothing on the computer was changed."
UNPLUG = (
    "Check the cable and that the camera is switched on, then connect again. "
    "The work goes on where it stopped."
)


def explain(code: int, text: str, doing: str, said: str = "") -> CameraError:
    """Return the error that says what a result code means.

    Parameters
    ----------
    code, text
        libgphoto2's result code and its own words for it.
    doing
        What was being done, as the end of "while ...": ``"setting the shutter"``.
    said
        What the driver said about it, "" for nothing. It decides where the code does not.
    """
    reason = f"{said.strip()}; {text.strip()}, {code}" if said else f"{text.strip()}, {code}"
    words = said.casefold() if code in UNCLEAR else ""
    kind, what, todo = next(
        (
            (kind, what, todo)
            for codes, phrases, kind, what, todo in _REFUSALS
            if code in codes or any(phrase in words for phrase in phrases)
        ),
        _REFUSED,
    )
    return kind(f"{what}, while {doing} (driver: {reason}).", kept=KEPT_CARD, todo=todo)


_REFUSED: tuple[type[CameraError], str, str] = (
    CameraRefused,
    "The camera refused",
    "Look at its display, put right what it says, then try again.",
)
_REFUSALS: tuple[tuple[frozenset[int], tuple[str, ...], type[CameraError], str, str], ...] = (
    (
        CLAIMED,
        (),
        CameraClaimed,
        "Another program holds the camera",
        "Close the program that shows the camera's pictures, then connect again.",
    ),
    (LOST, ("session not open",), CameraLost, "The connection to the camera broke", UNPLUG),
    (
        FULL,
        ("store full", "ran full"),
        CardFull,
        "The camera has no room for another picture",
        "Check that the pictures on the card have been delivered, then change the card.",
    ),
    (
        frozenset(),
        ("store not available", "store read only", "store error", "unformatted"),
        CameraRefused,
        "The camera cannot write to its card",
        "Check that a formatted card is in the camera and that its write protection is off.",
    ),
    (
        frozenset(),
        ("low battery", "battery low"),
        BatteryLow,
        "The camera says that its battery is low",
        "Change the battery or connect mains power, then go on with this frame.",
    ),
    (
        NO_FILE,
        ("invalid object handle",),
        FileUnavailable,
        "The camera does not have the file that was asked for",
        "Look at the card in the camera; photograph the frame again if it is not there.",
    ),
    (
        frozenset({CORRUPT}),
        ("incomplete transfer",),
        FileUnavailable,
        "The camera sent damaged data",
        "Try again.",
    ),
    (
        frozenset({TWO_OF_ONE_NAME}),
        (),
        CardUnclear,
        "Two files in one folder of the camera's card have the same name, so that it cannot be "
        "listed",
        "Copy that card on a computer with a card reader, and put another one into the camera.",
    ),
    (
        frozenset(),
        ("out of focus", "auto-focus", "autofocus"),
        CameraRefused,
        "The camera could not focus",
        "Set the focus switch of camera and lens to manual, focus by hand, then try again.",
    ),
    (
        frozenset({BUSY}),
        ("busy", "access denied", "not ready"),
        CameraRefused,
        "The camera is busy or not ready",
        "Leave the camera's menu and picture review, wait until its light is off, then try again.",
    ),
    (
        frozenset({NOT_SUPPORTED}),
        (),
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
        todo=NETWORK_CHECK if (port or "").startswith("ptpip:") else WHAT_TO_CHECK,
    )


NETWORK_CHECK = (
    "Check that the camera is switched on and awake, that it is on the same network as this "
    "computer and offers remote control there, and that address and port are right."
)
WHAT_TO_CHECK = (
    "Check that the camera is switched on and awake, that the cable carries data and sits firmly "
    "at both ends (no hub in between), that the camera's USB mode is set for remote control or "
    "PTP and not for mass storage, and that the battery is charged."
)
