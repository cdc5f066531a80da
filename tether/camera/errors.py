"""What can go wrong with a camera, as the layers above need to tell apart."""

from __future__ import annotations

from tether.camera.protocol import CameraIdentity
from tether.errors import TetherError

KEEP_CARD = "Don't erase a card until its pictures are in the archive and verified (tether verify)."
"""When a card may be erased: the same sentence here and in the documents."""


class CameraError(TetherError):
    """Any failure of the camera or of the way to it."""


class NoCamera(CameraError):
    """No camera was found, or none at the port asked for."""


class SeveralCameras(CameraError):
    """More than one camera answers; ``candidates`` names them, for a person to choose."""

    candidates: tuple[CameraIdentity, ...] = ()


class CameraClaimed(CameraError):
    """Another program holds the camera."""


class CameraLost(CameraError):
    """The connection broke, the driver hung and was ended, or the camera went away."""


class CameraRefused(CameraError):
    """The camera answered, and said no (a setting, a capture, a full card, a busy body)."""


class BatteryLow(CameraRefused):
    """The battery is below the level at which a capture may be started."""


class CardFull(CameraRefused):
    """The card, or the camera's memory, has no room for another picture."""


class CardUnclear(CameraRefused):
    """A folder on the card holds two files of one name, and the driver cannot list it."""


class FileUnavailable(CameraError):
    """A file cannot be fetched, or came with fewer bytes than the camera said."""
