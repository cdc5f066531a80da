"""The connection to one camera: libgphoto2's objects, and its result codes in a person's words.

The codes are those of libgphoto2 (``gphoto2-port-result.h``, ``gphoto2-result.h``). Its PTP driver
answers most of a camera's own refusals with the bare code -1 and puts the reason into words
("PTP Store Full": the response codes of ISO 15740, table ``ptp_errors`` in ``camlibs/ptp2/ptp.c``);
the words are therefore read too.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Any

from tether.camera.errors import (
    KEEP_CARD,
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

NETWORK_MODEL = "PTP/IP Camera"
"""libgphoto2's driver for a camera on the network, which its detection does not find."""

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

KEPT_CARD = "Pictures on the card stay there. Nothing on the computer was changed."
RESUMES = "The session resumes where it stopped."
UNPLUG = f"Check the cable, and that the camera is on, then connect again. {RESUMES}"
NETWORK_CHECK = (
    "Check that the camera is on, awake, and on the same network as this computer. Check that it "
    "is set for remote control over the network, and that address and port are right."
)
WHAT_TO_CHECK = (
    "Check that the camera is on, awake and charged. Check that the cable carries data and sits "
    "firmly at both ends, without a hub. Set the camera's USB mode to remote control or PTP, not "
    "to mass storage."
)


class Connection:
    """One open connection.

    ``gp`` is the library, ``camera`` its camera, ``context`` what every call is given, so that
    the driver can say in words what is wrong.

    Raises
    ------
    NoCamera, CameraClaimed
        When no connection can be made.
    """

    def __init__(self, port: str | None) -> None:
        import gphoto2  # starts the driver's library: only in the driver's own process

        self.gp: Any = gphoto2
        self.context = gphoto2.Context()
        self.camera: Any = None
        self._port = port
        self._said = ""
        # The callback lasts as long as what this returns is kept.
        self._listener = self.context.set_error_func(self._note, None)
        self._open()

    def _note(self, _context: object, text: bytes | str, _data: object) -> None:
        self._said = text.decode(errors="replace") if isinstance(text, bytes) else text

    @property
    def on_network(self) -> bool:
        """Whether the camera is reached by address and not over USB."""
        return not (self._port or "usb:").startswith("usb:")

    def _open(self) -> None:
        gp = self.gp
        try:
            camera = gp.Camera()
            if self._port is not None:
                ports = gp.PortInfoList()
                ports.load()
                camera.set_port_info(ports[ports.lookup_path(self._port)])
            if self.on_network:
                abilities = gp.CameraAbilitiesList()
                abilities.load()
                camera.set_abilities(abilities[abilities.lookup_model(NETWORK_MODEL)])
            camera.init(self.context)
        except gp.GPhoto2Error as error:
            raise explain_connecting(error.code, error.string, self._port) from None
        self.camera = camera

    def reopen(self) -> None:
        """Connect again, so that the library forgets what it remembers of the card.

        Raises `CameraLost` when the camera does not answer any more.
        """
        with contextlib.suppress(self.gp.GPhoto2Error):
            self.camera.exit(self.context)
        try:
            self._open()
        except CameraError as error:
            raise CameraLost(error.what, kept=KEPT_CARD, todo=error.todo) from None

    def close(self) -> None:
        """Let go of the camera. Never raises; may be called twice."""
        camera, self.camera = self.camera, None
        if camera is not None:
            with contextlib.suppress(self.gp.GPhoto2Error):
                camera.exit(self.context)

    @contextlib.contextmanager
    def doing(self, what: str) -> Iterator[None]:
        """Turn the library's errors into those of `tether.camera.errors`.

        ``what`` is the end of "while ...": ``"setting the shutter"``.
        """
        self._said = ""
        try:
            yield
        except self.gp.GPhoto2Error as error:
            raise explain(error.code, error.string, what, self._said) from None

    def breaks(self, error: Any) -> bool:
        """Whether a library's error means that the connection itself is gone."""
        return error.code in LOST


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
    "Read its display, correct what it says, then try again.",
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
        f"Put in an empty card. {KEEP_CARD}",
    ),
    (
        frozenset(),
        ("store not available", "store read only", "store error", "unformatted"),
        CameraRefused,
        "The camera cannot write to its card",
        "Check that a formatted card is in the camera, without write protection.",
    ),
    (
        frozenset(),
        ("low battery", "battery low"),
        BatteryLow,
        "The camera says that its battery is low",
        "Change the battery or connect mains power, then shoot this frame.",
    ),
    (
        NO_FILE,
        ("invalid object handle",),
        FileUnavailable,
        "The camera does not have that file",
        "Look at the card in the camera. If the picture is not there, shoot the frame again.",
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
        "Two files in one folder of the camera's card have the same name, so the card cannot be "
        "listed",
        "Copy that card with a card reader, and put another one into the camera.",
    ),
    (
        frozenset(),
        ("out of focus", "auto-focus", "autofocus"),
        CameraRefused,
        "The camera could not focus",
        "Set camera and lens to manual focus, focus by hand, then try again.",
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
        "The camera cannot do that by remote control",
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
