"""A simulated camera in front of a scene of a few bytes, and libgphoto2 to judge it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from tether_simulator.camera.body import Body
from tether_simulator.camera.card import MemoryCard
from tether_simulator.faults import Fault, FaultScript
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.ptpip.operations import Identity
from tether_simulator.ptpip.responder import Responder

from tests.simulator.gphoto_client import Remote


@dataclass(frozen=True)
class Snap:
    """A picture of arbitrary bytes."""

    raw: bytes
    thumbnail: bytes
    jpeg: bytes
    width: int = 6000
    height: int = 4000


@dataclass
class StandIn:
    """A scene whose every picture has other bytes; keeps what it was exposed with."""

    size: int = 20_000
    exposures: list[CameraExposure] = field(default_factory=list)
    views: list[tuple[CameraExposure, float, tuple[float, float]]] = field(default_factory=list)

    def picture(self, number: int) -> Snap:
        """The picture number ``number``, counted from 1."""
        block = hashlib.sha512(str(number).encode()).digest()
        raw = (block * (self.size // len(block) + 1))[: self.size]
        return Snap(raw, b"\xff\xd8thumb\xff\xd9", b"\xff\xd8picture%d\xff\xd9" % number)

    def expose(self, exposure: CameraExposure) -> Snap:
        self.exposures.append(exposure)
        return self.picture(len(self.exposures))

    def live_view(
        self,
        exposure: CameraExposure,
        *,
        zoom: float = 1.0,
        centre: tuple[float, float] = (0.5, 0.5),
    ) -> bytes:
        self.views.append((exposure, zoom, centre))
        return b"\xff\xd8live\xff\xd9"


@dataclass
class Rig:
    """A camera, its responder, and the clients that were connected to it."""

    scene: StandIn
    body: Body
    responder: Responder
    home: Path
    remotes: list[Remote] = field(default_factory=list)

    def remote(self) -> Remote:
        """Start libgphoto2; not yet connected."""
        made = Remote(self.responder.port_name, self.home / "stderr.txt")
        self.remotes.append(made)
        return made

    def connect(self) -> Remote:
        """Start libgphoto2 and connect."""
        made = self.remote()
        made.init()
        return made

    def shoot(self, remote: Remote) -> list[tuple[str, Any]]:
        """Fire, and return the events that come of it."""
        remote.trigger()
        self.body.wait()
        events: list[tuple[str, Any]] = remote.drain()
        return events


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A home folder for libgphoto2's settings file, which the child processes inherit."""
    made = tmp_path / "home"
    made.mkdir()
    monkeypatch.setenv("HOME", str(made))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(made))
    monkeypatch.delenv("VCAMERADIR", raising=False)
    return made


@pytest.fixture
def rig(home: Path) -> Iterator[Callable[..., Rig]]:
    """Build cameras: ``rig(*faults, size=..., extended=..., capacity=..., folder=...)``."""
    made: list[Rig] = []

    def build(
        *faults: Fault,
        size: int = 20_000,
        extended: bool = True,
        battery: float = 100.0,
        folder: Path | None = None,
        capacity: int = 10**9,
        per_folder: int = 999,
    ) -> Rig:
        scene = StandIn(size)
        card = MemoryCard(folder, capacity=capacity, per_folder=per_folder)
        body = Body(scene, card, FaultScript(faults), battery=battery)
        built = Rig(scene, body, Responder(body, identity=Identity(extended=extended)), home)
        made.append(built)
        return built

    yield build
    for each in made:
        for remote in each.remotes:
            remote.close()
        each.responder.close()
        each.body.close()
