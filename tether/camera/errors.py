"""What can go wrong with a camera, as the layers above need to tell apart."""

from __future__ import annotations

from tether.errors import TetherError


class CameraError(TetherError):
    """Any failure of the camera or of the way to it."""


class NoCamera(CameraError):
    """No camera was found, or none at the port asked for."""


class CameraClaimed(CameraError):
    """Another program holds the camera."""


class CameraLost(CameraError):
    """The connection broke, the driver hung and was ended, or the camera went away."""


class CameraRefused(CameraError):
    """The camera answered, and said no (a setting, a capture, a full card, a busy body)."""


class BatteryLow(CameraRefused):
    """The battery is below the level at which a capture may be started."""


class FileUnavailable(CameraError):
    """A file cannot be fetched, or came with fewer bytes than the camera said."""
