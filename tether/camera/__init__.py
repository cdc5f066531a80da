"""The camera: found, driven from a process of its own, and spoken to by role.

Nothing here imports the driver's library: that happens in the driver's process alone.
"""

from tether.camera.discovery import check_port, choose, find_cameras
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
    SeveralCameras,
)
from tether.camera.process import CameraProcess, connect
from tether.camera.protocol import (
    Camera,
    CameraIdentity,
    CameraState,
    CardFile,
    Role,
    Setting,
)

__all__ = [
    "BatteryLow",
    "Camera",
    "CameraClaimed",
    "CameraError",
    "CameraIdentity",
    "CameraLost",
    "CameraProcess",
    "CameraRefused",
    "CameraState",
    "CardFile",
    "CardFull",
    "CardUnclear",
    "FileUnavailable",
    "NoCamera",
    "Role",
    "Setting",
    "SeveralCameras",
    "check_port",
    "choose",
    "connect",
    "find_cameras",
]
