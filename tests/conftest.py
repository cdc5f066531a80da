"""What all tests share: a home of their own, a small bench, and an archive to work in."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import hypothesis
import pytest
from tether_simulator.bench_config import BenchConfig
from tether_simulator.server import BenchProcess

from tests.quick import QUICK, SENSOR
from tests.shared_bench import BenchRoom, remember_pictures
from tether.archive.archive import Archive
from tether.archive.records import NewRoll, Roll
from tether.camera.process import CameraProcess, connect
from tether.film import FILM_FORMATS, FilmProcess
from tether.session.judge import Judge

# How long an example takes hangs on the machine: a deadline would be an assertion about time.
hypothesis.settings.register_profile("bench", deadline=None, max_examples=60)
hypothesis.settings.load_profile("bench")

remember_pictures()


@pytest.fixture(autouse=True)
def own_home(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep libgphoto2's settings file, and everything else of the user's, out of the tests."""
    home = tmp_path_factory.mktemp("home")
    monkeypatch.setenv("HOME", str(home))
    for name in (
        "XDG_CONFIG_HOME",
        "XDG_DATA_HOME",
        "XDG_STATE_HOME",
        "TETHER_LOG",
        "XDG_PICTURES_DIR",
        "TETHER_ARCHIVE",
    ):
        monkeypatch.delenv(name, raising=False)
    return home


@pytest.fixture(scope="session")
def bench_room() -> Iterator[BenchRoom]:
    """The process in which the benches are put up, one after the other."""
    room = BenchRoom()
    yield room
    room.end()


@pytest.fixture
def bench(bench_room: BenchRoom) -> Iterator[BenchProcess]:
    """The simulated bench with a film of twelve frames in strips of six."""
    running = bench_room.bench(
        BenchConfig(
            process=FilmProcess.BW_NEGATIVE,
            film_format=FILM_FORMATS["135"],
            frames=12,
            frames_per_strip=6,
            seed=7,
            sensor=SENSOR,
        )
    )
    yield running
    running.close()


@pytest.fixture
def camera(bench: BenchProcess) -> Iterator[CameraProcess]:
    """The bench's camera, connected through libgphoto2."""
    connected = connect(bench.port_name, QUICK.camera)
    yield connected
    connected.close()


@pytest.fixture
def archive(tmp_path: Path) -> Iterator[Archive]:
    """An empty archive."""
    opened = Archive(tmp_path / "archive")
    yield opened
    opened.close()


@pytest.fixture
def roll(archive: Archive) -> Roll:
    """A roll of six frames on one strip."""
    return archive.store.rolls.add(NewRoll("Harbour", FilmProcess.BW_NEGATIVE, "135", 6, 6))


@pytest.fixture(scope="session")
def judge() -> Iterator[Judge]:
    """The judge of raw files in its worker."""
    working = Judge()
    yield working
    working.close()
