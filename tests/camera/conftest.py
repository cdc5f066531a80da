"""A camera for the tests: libgphoto2's own virtual USB camera, with settings of its own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.camera.scripted import PICTURE
from tether.camera.process import CameraProcess, connect
from tether.settings import CameraLimits


@pytest.fixture
def quick() -> CameraLimits:
    """Limits for cameras that answer at once."""
    return CameraLimits(
        capture_seconds=2.0,
        quiet_seconds=0.05,
        second_file_seconds=0.3,
        lost_event_seconds=0.3,
    )


@pytest.fixture
def virtual(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Have the driver's process find one virtual camera; return the folder with its picture.

    libgphoto2 keeps a settings file in XDG_CONFIG_HOME, or else in the home folder, so these are
    new as well.
    """
    store = tmp_path / "store"
    store.mkdir()
    (store / "picture.jpg").write_bytes(PICTURE)
    home = tmp_path / "home"
    home.mkdir()
    monkeypatch.setenv("VCAMERADIR", str(store))
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(home))
    return store


@pytest.fixture
def camera(virtual: Path, quick: CameraLimits) -> Iterator[CameraProcess]:
    """The virtual camera, connected."""
    connected = connect(None, quick)
    yield connected
    connected.close()
