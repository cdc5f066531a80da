"""Who holds the camera when it cannot be claimed. Only looks; never ends anything."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tether.camera.errors import CameraClaimed, NoCamera

_SERVICES = re.compile(r"gvfs-gphoto2|gvfsd-gphoto2|gvfs-mtp|gvfsd-mtp|kiod?\d?$|kio_|kamera")
"""Processes of Linux desktops that open cameras by themselves, by their names in /proc."""

KEPT = "Nothing was changed and nothing was ended."
_MAC = (
    "On macOS a system service takes a camera when it is plugged in (ptpcamerad, "
    "mscamerad-xpc, or PTPCamera on older systems), and so do programs that import pictures. "
    "Close those, then pull the cable and plug it in again with this program waiting; if the "
    "service takes it again, `killall -9 ptpcamerad mscamerad-xpc` in another terminal lets go of "
    "it for the moment."
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


def explain(
    error: CameraClaimed, port: str | None, proc: Path = Path("/proc"), system: str = sys.platform
) -> CameraClaimed:
    """Return ``error`` with the name of the process found, and how to release the camera."""
    if system == "darwin":
        return CameraClaimed(error.what, kept=KEPT, todo=_MAC)
    found = holders(port, proc)
    sure = [holder for holder in found if holder.certain]
    if sure:
        names = " and ".join(f"{holder.name} (process {holder.pid})" for holder in sure)
        what, suspects = f"{error.what} It is held by {names}.", sure
    elif found:
        names = " or ".join(f"{holder.name} (process {holder.pid})" for holder in found)
        what, suspects = f"{error.what} It is probably held by {names}.", found
    else:
        return CameraClaimed(
            error.what,
            kept=KEPT,
            todo="Close every program that shows or imports pictures (the file manager too), "
            "unplug the camera and plug it in again, then connect again.",
        )
    if any(_SERVICES.search(holder.name) for holder in suspects):
        numbers = " ".join(str(holder.pid) for holder in suspects)
        todo = (
            "It is the desktop's own service, which opens every camera. Unmount the camera in the "
            f"file manager, or end the service for this session with `kill {numbers}`; then "
            "connect again."
        )
    else:
        todo = "Close that program, then connect again."
    return CameraClaimed(what, kept=KEPT, todo=todo)


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
        todo="Sit at the machine itself (a login over the network has no right to its cameras), or "
        "install the rules that come with libgphoto2's package (libgphoto2-6 or libgphoto2-udev), "
        "join the group that they name (`ls -l` shows it), and log in anew. Then pull the cable "
        "and plug it in again.",
    )
