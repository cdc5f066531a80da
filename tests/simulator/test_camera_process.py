"""The bench in a process of its own: the hand by remote call, the card from one to the next."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime
from io import BytesIO
from pathlib import Path

import pytest
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.faults import BadName
from tether_simulator.imaging.sensor import SensorConfig
from tether_simulator.ptp import Property
from tether_simulator.server import BenchProcess
from tifffile import TiffFile

from tests.simulator.gphoto_client import Remote

SMALL = BenchConfig(sensor=SensorConfig(width=384, height=256), frames=6)


@pytest.fixture
def process(home: Path) -> Iterator[BenchProcess]:
    made = BenchProcess.start(SMALL)
    yield made
    made.close()


@pytest.fixture
def remote(process: BenchProcess) -> Iterator[Remote]:
    made = Remote(process.port_name)
    made.init()
    yield made
    made.close()


def test_picture_is_the_one_that_the_bench_makes(process: BenchProcess, remote: Remote) -> None:
    process.go_to(2)
    here = CopyStand(SMALL)
    here.hand.go_to(2)
    taken = remote.capture()
    raw = remote.fetch(*taken)
    from tether_simulator.imaging.exposure import CameraExposure

    with TiffFile(BytesIO(raw)) as file:  # the one thing that a bench cannot know
        clock = file.pages.first.tags.valueof(34665)["DateTimeOriginal"]
    when = datetime.strptime(clock, "%Y:%m:%d %H:%M:%S")
    assert raw == here.expose(CameraExposure(1 / 15, 8.0, 100.0, "Daylight", when)).raw
    assert remote.preview().startswith(b"\xff\xd8")
    assert remote.errors() == []


def test_hand_by_remote_call(process: BenchProcess) -> None:
    assert process.frame() is None
    process.go_to(3)
    assert process.frame() == 3
    codes = [code for code, *_ in process.mishaps()]
    process.mishap(codes[-1])
    assert process.active() == (codes[-1],)
    process.put_right(codes[-1])
    assert process.active() == ()
    process.remove_film()
    assert process.frame() is None


def test_wrong_calls_are_said(process: BenchProcess) -> None:
    with pytest.raises(Exception, match="no mishap 'rain'"):
        process.mishap("rain")
    with pytest.raises(Exception, match="frames 1 to 6"):
        process.go_to(7)


def test_button_dials_battery_and_faults(process: BenchProcess, remote: Remote) -> None:
    process.install(BadName(name="odd name"))
    process.turn(Property.EXPOSURE_INDEX, 200)
    process.set_battery(40)
    process.press_button()
    names: list[str] = []
    while not names:
        names = [detail[1] for kind, detail in remote.drain() if kind == "file"]
    assert names == ["odd name"]
    assert remote.get("iso") == "200"
    assert remote.get("batterylevel") == "40%"
    assert process.struck() == (BadName(name="odd name"),)


def test_card_outlives_a_killed_process(home: Path, tmp_path: Path) -> None:
    before = BenchProcess.start(SMALL, card=tmp_path / "card")
    first = Remote(before.port_name)
    first.init()
    taken = first.capture()
    raw = first.fetch(*taken)
    before.kill()
    first.close()
    after = BenchProcess.start(SMALL, card=tmp_path / "card")
    second = Remote(after.port_name)
    second.init()
    assert second.files() == [taken]
    assert second.fetch(*taken) == raw
    again = second.capture()
    assert again[1] == "BNCH0002.DNG"
    assert second.fetch(*again) != raw, "no two exposures have the same noise"
    second.close()
    after.close()


PARENT = """
import sys
from tether_simulator.bench import BenchConfig
from tether_simulator.imaging.sensor import SensorConfig
from tether_simulator.server import BenchProcess
process = BenchProcess.start(BenchConfig(sensor=SensorConfig(width=64, height=48)))
print(process.pid, flush=True)
sys.stdin.read()
"""


@pytest.mark.skipif(not hasattr(os, "pidfd_open"), reason="watches the process by its descriptor")
def test_ends_when_its_parent_is_killed() -> None:
    root = Path(__file__).parents[2]
    parent = subprocess.Popen(
        [sys.executable, "-c", PARENT], cwd=root, stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    with parent:
        assert parent.stdout is not None
        child = os.pidfd_open(int(parent.stdout.readline()))
        parent.send_signal(signal.SIGKILL)
        readable, _, _ = select.select([child], [], [], 20)
        os.close(child)
    assert readable


def test_runs_by_hand(tmp_path: Path) -> None:
    commands = (
        "go 2\npress\nmishap rain\nmishap home-from-holiday\nmishaps\n"
        "fault Slow seconds=0\nbattery 40\nquit\n"
    )
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "tether_simulator",
            "--width",
            "64",
            "--height",
            "48",
            "--format",
            "120-6x6",
        ],
        input=commands,
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert done.stdout.startswith("ptpip:127.0.0.1:")
    assert done.stdout.count("done") == 5
    assert "home-from-holiday: " in done.stdout
    assert "no mishap 'rain'" in done.stdout
    assert done.stderr == ""
