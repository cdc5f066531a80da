"""Which cameras are attached, how a person names one, and which program holds it.

Nothing here opens a camera, and nothing ever ends another program.
"""

from __future__ import annotations

import ipaddress
import os
import re
import socket
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from tether.camera.connection import WHAT_TO_CHECK
from tether.camera.errors import CameraClaimed, CameraLost, NoCamera, SeveralCameras
from tether.camera.protocol import CameraIdentity
from tether.settings import CameraLimits
from tether.worker_process import WorkerDied, WorkerError, WorkerHung, WorkerProcess

_USB = re.compile(r"usb:(?:\d{3},\d{3})?")
_PORTS = (
    "Write usb: for the first camera on USB, usb:001,004 for one of several. For a camera on the "
    "network write ptpip:ADDRESS or ptpip:ADDRESS:PORT."
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
        failed = isinstance(error, WorkerError)
        what = f"The search for cameras failed: {error.what}." if failed else error.what
        raise CameraLost(what, kept="Nothing was changed.", todo=WHAT_TO_CHECK) from error
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
            todo="Switch off all but one, or name one by its port.",
        )
        error.candidates = tuple(fitting)
        raise error
    if candidates:
        raise NoCamera(
            f"No camera '{wanted}' is attached. Attached: {_listed(candidates)}.",
            kept="Nothing was changed.",
            todo="Name one of them by its port.",
        )
    raise NoCamera("No camera was found.", kept="Nothing was changed.", todo=WHAT_TO_CHECK)


def _listed(cameras: Sequence[CameraIdentity]) -> str:
    return ", ".join(f"{camera.model} ({camera.port})" for camera in cameras)


def check_port(text: str) -> str:
    """Return a port as libgphoto2 takes it, or say what is wrong with it.

    ``usb:``, ``usb:BUS,DEVICE``, ``ptpip:ADDRESS[:PORT[:EVENTPORT]]``. A host name is looked up,
    because libgphoto2 takes numbers only (IPv4). One port is used for both.

    Raises
    ------
    NoCamera
        When it is none of these, or the host is not known.
    """
    text = text.strip()
    if _USB.fullmatch(text):
        return text
    if text.startswith("usb:"):
        raise _wrong(text, "a USB port has three digits for the bus and three for the device")
    if not text.startswith("ptpip:"):
        raise _wrong(text, "it must begin with usb: or ptpip:")
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
        raise _wrong(text, f"no machine called '{host}' was found on this network") from None


def _wrong(text: str, problem: str) -> NoCamera:
    return NoCamera(
        f"The camera port {text!r} cannot be used: {problem}.",
        kept="Nothing was changed.",
        todo=_PORTS,
    )


_SERVICES = re.compile(r"gvfs-gphoto2|gvfsd-gphoto2|gvfs-mtp|gvfsd-mtp|kiod?\d?$|kio_|kamera")
"""Processes of Linux desktops that open cameras by themselves, by their names in /proc."""

NOTHING_DONE = "Nothing was changed, and no program was ended."
_MAC = (
    "On macOS a system service takes each camera that is plugged in (ptpcamerad, mscamerad-xpc, or "
    "PTPCamera on older systems). Programs that import pictures do the same. Close those, unplug "
    "the camera and plug it in again while this program waits. If the service takes it again, run "
    "`killall -9 ptpcamerad mscamerad-xpc` in another terminal; it helps for a moment."
)


@dataclass(frozen=True, slots=True)
class Holder:
    """A process that has, or is likely to have, the camera open.

    ``certain`` is True where the camera's own device file is open in it.
    """

    pid: int
    name: str
    certain: bool


def device_file(port: str | None) -> str | None:
    """Return the Linux device file of a port ``usb:BUS,DEVICE``, None for any other."""
    match = re.fullmatch(r"usb:(\d{3}),(\d{3})", port or "")
    return f"/dev/bus/usb/{match[1]}/{match[2]}" if match else None


def holders(port: str | None, proc: Path = Path("/proc")) -> list[Holder]:
    """Return the processes that hold the camera, the certain ones first.

    Other people's processes can be named, but what they have open cannot be seen; a process
    that ends meanwhile is passed over.

    Parameters
    ----------
    port
        The camera's port. Without bus and device only known services are looked for.
    proc
        The folder of Linux's process files.
    """
    device = device_file(port)
    found = []
    for folder in proc.glob("[0-9]*"):
        try:
            command = (folder / "cmdline").read_bytes().split(b"\0")[0]
            name = Path(command.decode(errors="replace")).name
            name = name or (folder / "comm").read_text(errors="replace").strip()
        except OSError:
            continue
        certain = device is not None and _has_open(folder, device)
        if certain or _SERVICES.search(name):
            found.append(Holder(int(folder.name), name, certain))
    return sorted(found, key=lambda holder: (not holder.certain, holder.pid))


def _has_open(folder: Path, device: str) -> bool:
    try:
        return any(str(link.readlink()) == device for link in (folder / "fd").iterdir())
    except OSError:
        return False


def with_holder(
    error: CameraClaimed, port: str | None, proc: Path = Path("/proc"), system: str = sys.platform
) -> CameraClaimed:
    """Return ``error`` with the name of the process found, and how to release the camera."""
    if system == "darwin":
        return CameraClaimed(error.what, kept=NOTHING_DONE, todo=_MAC)
    found = holders(port, proc)
    sure = [holder for holder in found if holder.certain]
    if sure:
        names = " and ".join(f"{holder.name} (process {holder.pid})" for holder in sure)
        what, suspects = f"{error.what} It is {names}.", sure
    elif found:
        names = " or ".join(f"{holder.name} (process {holder.pid})" for holder in found)
        what, suspects = f"{error.what} It is probably {names}.", found
    else:
        return CameraClaimed(
            error.what,
            kept=NOTHING_DONE,
            todo="Close every program that shows or imports pictures, the file manager too. Unplug "
            "the camera, plug it in, and connect again.",
        )
    if any(_SERVICES.search(holder.name) for holder in suspects):
        numbers = " ".join(str(holder.pid) for holder in suspects)
        todo = (
            "That is the desktop's own service, which opens every camera. Unmount the camera in "
            f"the file manager, or end the service for now with `kill {numbers}`. Then connect "
            "again."
        )
    else:
        todo = "Close that program, then connect again."
    return CameraClaimed(what, kept=NOTHING_DONE, todo=todo)


def not_allowed(
    error: NoCamera, port: str | None, may: Callable[[str, int], bool] = os.access
) -> NoCamera:
    """Return ``error``, or what says that this account may not open a camera that is attached.

    The driver answers that with the same code as a camera that is silent (libgphoto2's
    ``libusb1.c``: ``LIBUSB_ERROR_ACCESS`` becomes ``GP_ERROR_IO``). ``may`` is `os.access`.
    """
    device = device_file(port)
    if device is None or not may(device, os.F_OK) or may(device, os.R_OK | os.W_OK):
        return error
    return NoCamera(
        f"A camera is attached at {port}, but this account may not use it: {device} cannot be "
        "opened for writing.",
        kept=error.kept,
        todo="Work at the machine itself; a login over the network may not use its cameras. Or "
        "install the rules in libgphoto2's package (libgphoto2-6 or libgphoto2-udev). Join the "
        "group that they name (`ls -l` shows it) and log in again. Then unplug the camera and "
        "plug it in again.",
    )
