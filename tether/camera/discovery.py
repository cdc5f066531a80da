"""Which cameras are attached, and what a person may write to name one."""

from __future__ import annotations

import ipaddress
import re
import socket
from collections.abc import Sequence

from tether.camera.errors import CameraLost, NoCamera, SeveralCameras
from tether.camera.protocol import CameraIdentity
from tether.camera.refusals import WHAT_TO_CHECK
from tether.settings import CameraLimits
from tether.worker_process import WorkerDied, WorkerError, WorkerHung, WorkerProcess

_USB = re.compile(r"usb:(?:\d{3},\d{3})?")
_PORTS = (
    "Write usb: for the first camera on USB, usb:001,004 for one of several, or "
    "ptpip:ADDRESS or ptpip:ADDRESS:PORT for a camera on the network."
)
PTPIP_PORT = 15740
"""The port registered with IANA for PTP/IP (CIPA DC-005)."""


class Finder:
    """Looks for cameras with libgphoto2; lives in a process of its own."""

    def attached(self) -> list[CameraIdentity]:
        """Return what libgphoto2's detection names, USB first. Opens no camera."""
        import gphoto2

        found = [CameraIdentity(str(m), str(p)) for m, p in gphoto2.Camera.autodetect().items()]
        return sorted(found, key=lambda camera: (not camera.port.startswith("usb:"), camera.port))


def find_cameras(limits: CameraLimits | None = None) -> list[CameraIdentity]:
    """Return the cameras that are attached, USB first, [] where there is none.

    Cameras on the network are not found this way; they are named with ``ptpip:``. Serial numbers
    are left "", because asking for them would take each camera away from another program.

    Raises
    ------
    CameraLost
        When the search did not end within ``connect_seconds``.
    """
    child = WorkerProcess(Finder, name="The search for cameras")
    try:
        limits = limits or CameraLimits()
        found: list[CameraIdentity] = child.call("attached", timeout=limits.connect_seconds)
        return found
    except (WorkerDied, WorkerHung, WorkerError) as error:
        raise CameraLost(error.what, kept="Nothing was changed.", todo=WHAT_TO_CHECK) from error
    finally:
        child.close()


def choose(candidates: Sequence[CameraIdentity], wanted: str | None = None) -> CameraIdentity:
    """Return the camera to use out of those that are attached.

    Parameters
    ----------
    candidates
        As `find_cameras` returns them.
    wanted
        What a person named: a port, or any part of a model's name; None for the only one.

    Raises
    ------
    NoCamera
        When there is none, or none that was named.
    SeveralCameras
        When it is not clear which; the error's ``candidates`` are those to choose from.
    """
    fitting = list(candidates)
    if wanted is not None:
        exact = [camera for camera in fitting if camera.port == wanted]
        fitting = exact or [c for c in fitting if wanted.casefold() in c.model.casefold()]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        error = SeveralCameras(
            "More than one camera is attached: " + _listed(fitting) + ".",
            kept="Nothing was changed.",
            todo="Switch all but one off, or name the one to use by its port.",
        )
        error.candidates = tuple(fitting)
        raise error
    if candidates:
        raise NoCamera(
            f"No camera '{wanted}' is attached. Attached: {_listed(candidates)}.",
            kept="Nothing was changed.",
            todo="Name one of these by its port.",
        )
    raise NoCamera("No camera was found.", kept="Nothing was changed.", todo=WHAT_TO_CHECK)


def _listed(cameras: Sequence[CameraIdentity]) -> str:
    return ", ".join(f"{camera.model} ({camera.port})" for camera in cameras)


def check_port(text: str) -> str:
    """Return a port as libgphoto2 takes it, or say what is wrong with it.

    ``usb:``, ``usb:BUS,DEVICE``, ``ptpip:ADDRESS[:PORT[:EVENTPORT]]``. A host name is looked up,
    because libgphoto2 takes numbers only (IPv4); one port stands for both.

    Raises
    ------
    NoCamera
        When it is none of these, or the host is not known.
    """
    text = text.strip()
    if _USB.fullmatch(text):
        return text
    if text.startswith("usb:"):
        raise _wrong(text, "a USB port has three figures for the bus and three for the device")
    if not text.startswith("ptpip:"):
        raise _wrong(text, "it begins neither with usb: nor with ptpip:")
    host, *ports = text.removeprefix("ptpip:").split(":")
    if not host or len(ports) > 2:
        raise _wrong(text, "it names no address, or too many ports (IPv6 is not supported)")
    for port in ports:
        if not (port.isascii() and port.isdecimal() and 1 <= int(port[:6]) <= 65535):
            raise _wrong(text, f"'{port}' is not a port number")
    command = ports[0] if ports else str(PTPIP_PORT)
    return f"ptpip:{_address(text, host)}:{command}:{ports[-1] if ports else command}"


def _address(text: str, host: str) -> str:
    try:
        return str(ipaddress.IPv4Address(host))
    except ValueError:
        pass
    if re.fullmatch(r"[0-9.]+", host) or not re.fullmatch(r"[A-Za-z0-9.-]{1,253}", host):
        raise _wrong(text, f"'{host}' is not an address")
    try:
        return socket.gethostbyname(host)
    except OSError:
        raise _wrong(text, f"no machine named '{host}' is known on this network") from None


def _wrong(text: str, problem: str) -> NoCamera:
    return NoCamera(
        f"The camera port {text!r} cannot be used: {problem}.",
        kept="Nothing was changed.",
        todo=_PORTS,
    )
