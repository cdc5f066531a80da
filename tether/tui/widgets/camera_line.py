"""The camera in one line: power, room, and the settings that matter."""

from __future__ import annotations

from rich.text import Text
from textual.widgets import Static

from tether.camera.protocol import CameraState, Role
from tether.text import megabytes, printable
from tether.tui.widgets.redraw import put


def camera_text(name: str, state: CameraState | None) -> str:
    """Put the camera's state into one line of text."""
    if state is None:
        return f"{name or 'Camera'}: not connected   [C] connect"
    parts = [printable(name, 24)]
    if state.battery_percent is not None:
        parts.append(f"battery {state.battery_percent:.0f} %")
    if state.free_images:
        parts.append(f"card {state.free_images} shots")
    elif state.free_bytes is not None:
        parts.append(f"card {megabytes(state.free_bytes)}")
    for role, before in (
        (Role.ISO, "ISO "),
        (Role.APERTURE, ""),
        (Role.SHUTTER, ""),
        (Role.IMAGE_FORMAT, ""),
    ):
        value = state.value(role)
        if value:
            parts.append(f"{before}{printable(value, 16)}")
    if state.keeps_pictures is False:
        parts.append("! pictures stay in its memory only")
    return "  ".join(parts)


class CameraLine(Static):
    """Shows the camera."""

    def show(self, name: str, state: CameraState | None) -> None:
        """Show a camera's state, None while it is not connected."""
        # Text, because brackets in a plain string are taken for markup.
        put(self, Text(camera_text(name, state)), layout=False)
