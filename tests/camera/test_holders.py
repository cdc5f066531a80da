"""Who holds the camera, read from a made-up /proc."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tether.camera.discovery import Holder, device_file, holders, not_allowed, with_holder
from tether.camera.errors import CameraClaimed, NoCamera

PORT = "usb:001,004"
CLAIMED = CameraClaimed("Another program holds the camera.")


def process(proc: Path, pid: int, command: str, *files: str, comm: str = "") -> None:
    folder = proc / str(pid)
    (folder / "fd").mkdir(parents=True)
    (folder / "cmdline").write_bytes(command.encode() + b"\0--flag\0" if command else b"")
    (folder / "comm").write_text(comm + "\n")
    for number, file in enumerate(files):
        (folder / "fd" / str(number)).symlink_to(file)


@pytest.fixture
def proc(tmp_path: Path) -> Path:
    process(tmp_path, 1, "/sbin/init", "/dev/null")
    process(tmp_path, 77, "", comm="kworker/0:1")
    (tmp_path / "self").mkdir()
    (tmp_path / "123").mkdir()  # ended meanwhile: nothing can be read
    return tmp_path


def test_device_files() -> None:
    assert device_file(PORT) == "/dev/bus/usb/001/004"
    assert device_file("usb:") is None
    assert device_file("ptpip:192.0.2.7:1:1") is None
    assert device_file(None) is None


def test_the_process_with_the_device_open_is_named(proc: Path) -> None:
    process(proc, 300, "/usr/bin/pictures", "/dev/null", "/dev/bus/usb/001/004")
    process(proc, 301, "/usr/bin/other", "/dev/bus/usb/001/005")
    assert holders(PORT, proc) == [Holder(300, "pictures", certain=True)]
    error = with_holder(CLAIMED, PORT, proc, "linux")
    assert "It is pictures (process 300)" in error.what
    assert error.todo == "Close that program, then connect again."
    assert "no program was ended" in error.kept


def test_the_desktop_s_volume_monitor_is_named_with_the_way_to_release_it(proc: Path) -> None:
    process(proc, 400, "/usr/libexec/gvfs-gphoto2-volume-monitor")
    process(proc, 401, "/usr/libexec/gvfsd-gphoto2", "/dev/bus/usb/001/004")
    assert [(h.pid, h.certain) for h in holders(PORT, proc)] == [(401, True), (400, False)]
    error = with_holder(CLAIMED, PORT, proc, "linux")
    assert "gvfsd-gphoto2 (process 401)" in error.what
    assert "Unmount" in error.todo
    assert "kill 401" in error.todo


def test_a_service_is_suspected_where_nothing_can_be_seen(proc: Path) -> None:
    process(proc, 400, "/usr/libexec/gvfs-gphoto2-volume-monitor")
    error = with_holder(CLAIMED, "usb:", proc, "linux")
    assert "probably gvfs-gphoto2-volume-monitor" in error.what


def test_without_a_suspect_the_usual_way_is_told(proc: Path) -> None:
    error = with_holder(CLAIMED, PORT, proc, "linux")
    assert error.what == CLAIMED.what
    assert "Unplug the camera, plug it in" in error.todo


def test_macos_has_its_own_service(proc: Path) -> None:
    assert "ptpcamerad" in with_holder(CLAIMED, PORT, proc, "darwin").todo


SILENT = NoCamera("No camera answers.", kept="Nothing was changed.", todo="Check the cable.")


def test_a_camera_that_this_account_may_not_open_is_told_from_a_silent_one() -> None:
    error = not_allowed(SILENT, PORT, lambda _, mode: mode == os.F_OK)
    assert "/dev/bus/usb/001/004 cannot be opened for writing" in error.what
    assert error.kept == SILENT.kept
    assert "libgphoto2" in error.todo


@pytest.mark.parametrize(
    ("port", "there", "usable"),
    [(PORT, True, True), (PORT, False, False), ("ptpip:192.0.2.7:1:1", True, False), (None, 1, 0)],
)
def test_any_other_silence_is_said_as_before(port: str | None, there: bool, usable: bool) -> None:
    assert not_allowed(SILENT, port, lambda _, m: there if m == os.F_OK else usable) is SILENT
