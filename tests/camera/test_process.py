"""The driver's process with libgphoto2's own virtual USB camera."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from threading import Thread
from types import SimpleNamespace

import pytest

from tests.camera.scripted import PICTURE
from tether.camera import process
from tether.camera.errors import CameraLost, CameraRefused, CardFull, FileUnavailable, NoCamera
from tether.camera.process import CameraProcess, connect
from tether.camera.protocol import Camera, CardFile, Role
from tether.settings import CameraLimits


def test_the_driver_s_library_stays_out_of_this_process() -> None:
    code = "import sys, tether.camera; sys.exit('gphoto2' in sys.modules)"
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    assert (
        subprocess.run([sys.executable, "-c", code], env=environment, check=False).returncode == 0
    )


def test_a_frame_from_the_settings_to_the_disk(camera: CameraProcess, tmp_path: Path) -> None:
    assert "capturetarget" in (tmp_path / "home" / "gphoto" / "settings").read_text()
    used: Camera = camera
    assert used.identity.port == "usb:001,001"
    assert used.identity.serial
    state = used.state()
    assert state.keeps_pictures is True
    assert state.battery_percent == 50.0
    assert state.free_images
    assert used.set(Role.SHUTTER, "0.0050s").value == "0.0050s"
    before = used.list_files()
    (file,) = used.capture()
    assert file.size == len(PICTURE)
    assert used.fetch(file, tmp_path / "frame.part") == len(PICTURE)
    assert (tmp_path / "frame.part").read_bytes() == PICTURE
    assert set(used.list_files()) - set(before) == {file}
    assert used.wait_for_files(0.05) == []


def test_errors_cross_with_their_type(camera: CameraProcess, tmp_path: Path) -> None:
    with pytest.raises(CameraRefused, match="does not take") as caught:
        camera.set(Role.SHUTTER, "1/61")
    assert "It is still at" in caught.value.kept
    with pytest.raises(FileUnavailable):
        camera.fetch(CardFile("/store_00010001", "nothing.raw"), tmp_path / "nothing")
    with pytest.raises(CameraRefused, match="live view"):
        camera.preview()
    assert camera.alive


def test_the_card_runs_full(virtual: Path, quick: CameraLimits) -> None:
    # The virtual camera's own script: libgphoto2_port/vusb/vcamera.c, ptp_initiatecapture_write
    camera = connect("usb:", replace(quick, quiet_seconds=0.01))
    taken: list[CardFile] = []

    def use_up() -> None:
        while len(taken) < 60:
            taken.extend(camera.capture())

    with pytest.raises(CardFull, match="ran full during this exposure"):
        use_up()
    assert len(set(taken)) == len(taken) > 1
    with pytest.raises(CardFull, match=r"no room for another picture.*PTP Store Full"):
        camera.capture()
    camera.close()


def test_a_driver_that_hangs_is_ended_and_the_next_one_works(
    virtual: Path, quick: CameraLimits, tmp_path: Path
) -> None:
    camera = connect(None, replace(quick, call_seconds=1.0))
    pid = camera._child.pid
    assert pid is not None
    os.kill(pid, signal.SIGSTOP)
    with pytest.raises(CameraLost, match="did not answer within 1 s, so it was ended") as caught:
        camera.state()
    assert "connect again" in caught.value.todo
    assert not camera.alive
    with pytest.raises(CameraLost, match="not running"):
        camera.state()
    camera.reconnect()
    assert camera.alive
    assert len(camera.capture()) == 1
    camera.close()


def stopped_at(camera: CameraProcess, method: str, then: Callable[[], None]) -> None:
    """Have the driver hang at a call, as one does that waits for ever in the library."""
    call = camera._child.call

    def hanging(name: str, *args: object, timeout: float | None = None) -> object:
        if name == method:
            assert camera._child.pid is not None
            os.kill(camera._child.pid, signal.SIGSTOP)
            then()
        return call(name, *args, timeout=timeout)

    camera._child.call = hanging  # type: ignore[assignment]


@pytest.mark.parametrize("method", ["fire", "look"])
def test_a_driver_that_hangs_at_the_release_is_ended_soon(
    virtual: Path, quick: CameraLimits, monkeypatch: pytest.MonkeyPatch, method: str
) -> None:
    monkeypatch.setattr(process, "UNKNOWN_SECONDS", 0.0)
    camera = connect(None, replace(quick, hang_seconds=0.3))
    stopped_at(camera, method, lambda: None)
    with pytest.raises(CameraLost, match="did not answer within"):
        camera.capture()
    camera.reconnect()
    assert len(camera.capture()) == 1, "the next driver is a fresh one"
    camera.close()


def test_waiting_for_a_driver_can_be_given_up(virtual: Path, quick: CameraLimits) -> None:
    camera = connect(None, quick)
    stopped_at(camera, "fire", lambda: Thread(target=camera.give_up).start())
    with pytest.raises(CameraLost, match="You gave up waiting"):
        camera.capture()
    camera.reconnect()
    assert len(camera.capture()) == 1
    camera.close()


def test_each_call_of_a_release_has_its_own_short_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fifteen seconds beyond the exposure, twice for noise reduction; a listing may take longer."""
    limits: list[tuple[str, float]] = []
    answers = {"who": None, "ready": 0.5, "look": ([CardFile("/", "A1.RAW")], False, True)}

    def call(name: str, *_args: object, timeout: float) -> object:
        limits.append((name, timeout))
        return answers.get(name)

    stub = SimpleNamespace(start=lambda **_limit: None, call=call)
    monkeypatch.setattr(process, "WorkerProcess", lambda *_args, **_kw: stub)
    camera = CameraProcess("usb:", CameraLimits())
    for _ in range(2):
        camera.capture()
    assert limits[1:] == [
        ("ready", 10.0), ("survey", 70.0), ("fire", 16.0), ("look", 17.0),
        ("ready", 10.0), ("survey", 15.0), ("fire", 16.0), ("look", 17.0),
    ]  # fmt: skip


def test_the_end_of_the_exposure_is_told_before_the_file_is_there(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    looks = iter(
        [(None, False, False), (None, False, True), ([CardFile("/", "A1.RAW")], False, True)]
    )

    def call(name: str, *_args: object, timeout: float) -> object:
        done.append(name)
        return next(looks) if name == "look" else 0.0

    done: list[str] = []
    stub = SimpleNamespace(start=lambda **_limit: None, call=call)
    monkeypatch.setattr(process, "WorkerProcess", lambda *_args, **_kw: stub)
    camera = CameraProcess("usb:", CameraLimits())
    camera.when_exposed = lambda: done.append("told")
    camera.capture()
    assert done[-4:] == ["look", "look", "told", "look"]


def test_a_driver_that_crashes_is_told(camera: CameraProcess, tmp_path: Path) -> None:
    (file,) = camera.capture()
    pid = camera._child.pid
    assert pid is not None
    os.kill(pid, signal.SIGKILL)
    with pytest.raises(CameraLost, match="SIGKILL") as caught:
        camera.fetch(file, tmp_path / "frame.part")
    assert str(tmp_path / "frame.part") in caught.value.kept
    camera.reconnect()
    assert camera.identity.port == "usb:001,001"


PARENT = """
import threading
from tether.camera.process import connect
camera = connect("usb:")
threading.Thread(target=camera.wait_for_files, args=(60,), daemon=True).start()
print(camera._child.pid, flush=True)
threading.Event().wait()
"""


@pytest.mark.skipif(not hasattr(os, "pidfd_open"), reason="waits through a process descriptor")
def test_the_driver_ends_with_this_program_in_the_middle_of_a_call(virtual: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", PARENT],
        stdout=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        text=True,
    ) as parent:
        assert parent.stdout is not None
        pid = int(parent.stdout.readline())
        watch = os.pidfd_open(pid)
        try:
            parent.kill()
            ended, _, _ = select.select([watch], [], [], 10)
            if not ended:
                os.kill(pid, signal.SIGKILL)
            assert ended, "the driver outlived the program"
        finally:
            os.close(watch)


def test_no_camera(virtual: Path, quick: CameraLimits, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(NoCamera, match="usb:009,009"):
        connect("usb:009,009", quick)
    with pytest.raises(NoCamera, match="cannot be used"):
        connect("serial:/dev/ttyS0", quick)


def test_closing_twice_is_quiet(camera: CameraProcess) -> None:
    camera.close()
    camera.close()
    assert not camera.alive
