"""A camera without a cable in front of a scene of a few bytes, for tests above the driver."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tether_simulator.camera.body import Body
from tether_simulator.camera.card import MemoryCard
from tether_simulator.camera.inprocess import InProcessCamera
from tether_simulator.faults import FaultScript

from tether.camera.errors import FileUnavailable
from tether.camera.protocol import CardFile


@dataclass(frozen=True)
class Snap:
    """A picture of arbitrary bytes with a TIFF's first ones."""

    raw: bytes
    thumbnail: bytes = b"\xff\xd8thumb\xff\xd9"
    jpeg: bytes = b""
    width: int = 60
    height: int = 40


class NumberedScene:
    """Every picture has other bytes, and the same ones in every run."""

    def __init__(self, size: int = 3000) -> None:
        self.size = size
        self.number = 0

    def expose(self, exposure: object) -> Snap:
        self.number += 1
        block = hashlib.sha512(str(self.number).encode()).digest()
        raw = b"II*\0" + (block * (self.size // 64 + 1))[: self.size - 4]
        return Snap(raw, jpeg=b"\xff\xd8\xff\xe0%d\xff\xd9" % self.number)

    def live_view(self, exposure: object, **_: Any) -> bytes:
        return b"\xff\xd8live\xff\xd9"


class SteadyCamera:
    """An `InProcessCamera` that can be connected again, and that never waits for long."""

    def __init__(self, body: Body, *, by_name: bool = False) -> None:
        self.body = body
        self.by_name = by_name
        self._camera = InProcessCamera(body, by_name=by_name)

    def give_up(self) -> None:
        """No call of it hangs."""

    def reconnect(self) -> None:
        self._camera.close()
        self._camera = InProcessCamera(self.body, by_name=self.by_name)

    def wait_for_files(self, seconds: float) -> Any:
        self.body.wait()
        return self._camera.wait_for_files(0.0)

    def fetch(self, file: CardFile, destination: Path) -> int:
        """Fails on a full disk with the words of the driver for real cameras."""
        try:
            return self._camera.fetch(file, destination)
        except OSError as error:
            raise FileUnavailable(
                f"{destination} could not be written to the end; the disk may be full.",
                todo="Make room on the disk, then fetch again.",
            ) from error

    def __getattr__(self, name: str) -> Any:
        return getattr(self._camera, name)


def body_on(card: Path, size: int = 3000) -> Body:
    return Body(NumberedScene(size), MemoryCard(card), FaultScript())


__all__ = ["NumberedScene", "SteadyCamera", "body_on"]
