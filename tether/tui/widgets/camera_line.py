"""The camera in one line: power, room, and the settings that matter."""

from __future__ import annotations

from rich.text import Text
from textual.widgets import Static

from tether.camera.protocol import CameraState, Role
from tether.camera.values import ImageFormat
from tether.text import megabytes, printable
from tether.tui.keys import Keys
from tether.tui.widgets.redraw import put


def camera_text(name: str, state: CameraState | None, keys: Keys) -> str:
    """Put the camera's state into one line of text."""
    if state is None:
        return f"{name or 'Camera'}: not connected   [{keys['connect']}] connect"
    parts = [printable(name, 24)]
    if state.battery_percent is not None:
        parts.append(f"battery {state.battery_percent:.0f} %")
    if state.free_images:
        parts.append(f"card {state.free_images} shots")
    elif state.free_bytes is not None:
        parts.append(f"card {megabytes(state.free_bytes)}")
    for role, before in ((Role.ISO, "ISO "), (Role.APERTURE, ""), (Role.SHUTTER, "")):
        if value := state.value(role):
            parts.append(f"{before}{printable(value, 16)}")
    # What it makes is the same on every camera; the maker's own word for it is not.
    if value := state.value(Role.IMAGE_FORMAT):
        made = state.reading(Role.IMAGE_FORMAT)
        known = isinstance(made, ImageFormat) and made is not ImageFormat.OTHER
        parts.append(made if known else printable(value, 16))
    if state.keeps_pictures is False:
        parts.append("pictures stay in its memory only")
    return "  ".join(parts)


class CameraLine(Static):
    """Shows the camera."""

    def __init__(self, keys: Keys) -> None:
        super().__init__(id="camera")
        self.keys = keys

    def show(self, name: str, state: CameraState | None) -> None:
        """Show a camera's state, None while it is not connected."""
        # Text, because brackets in a plain string are taken for markup.
        put(self, Text(camera_text(name, state, self.keys)), layout=False)
