"""The connection to one camera: libgphoto2's objects, and its errors in words."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Any

from tether.camera.errors import CameraError, CameraLost
from tether.camera.refusals import KEPT_CARD, LOST, explain, explain_connecting

NETWORK_MODEL = "PTP/IP Camera"
"""libgphoto2's driver for a camera on the network, which its detection does not find."""


class Link:
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
        """Connect anew, so that nothing remembered stands between the program and the card.

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
