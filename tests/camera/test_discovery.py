"""Which camera is meant."""

from __future__ import annotations

from pathlib import Path

import pytest

from tether.camera.discovery import check_port, choose, find_cameras
from tether.camera.errors import NoCamera, SeveralCameras
from tether.camera.protocol import CameraIdentity

ONE = CameraIdentity("Body One", "usb:001,004")
TWO = CameraIdentity("Body Two", "usb:001,005")


def test_the_virtual_camera_is_found(virtual: Path) -> None:
    (found,) = find_cameras()
    assert found.port == "usb:001,001"
    assert found.model


def test_no_camera_says_what_to_check(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(NoCamera) as caught:
        choose([])
    assert "cable" in caught.value.todo
    assert "USB mode" in caught.value.todo


def test_the_only_camera_is_chosen() -> None:
    assert choose([ONE]) == ONE


def test_several_cameras_are_listed() -> None:
    with pytest.raises(SeveralCameras, match=r"Body One \(usb:001,004\), Body Two") as caught:
        choose([ONE, TWO])
    assert caught.value.candidates == (ONE, TWO)


def test_a_camera_is_named_by_port_or_by_part_of_its_name() -> None:
    assert choose([ONE, TWO], "usb:001,005") == TWO
    assert choose([ONE, TWO], "two") == TWO
    with pytest.raises(SeveralCameras):
        choose([ONE, TWO], "body")
    with pytest.raises(NoCamera, match=r"No camera .three. is attached\. Attached: Body One"):
        choose([ONE, TWO], "three")


@pytest.mark.parametrize(
    ("text", "port"),
    [
        ("usb:", "usb:"),
        ("usb:001,004", "usb:001,004"),
        (" usb:001,004 ", "usb:001,004"),
        # 15740 is the port registered with IANA for PTP/IP
        ("ptpip:192.0.2.7", "ptpip:192.0.2.7:15740:15740"),
        ("ptpip:192.0.2.7:5000", "ptpip:192.0.2.7:5000:5000"),
        ("ptpip:192.0.2.7:5000:5001", "ptpip:192.0.2.7:5000:5001"),
        ("ptpip:localhost:5000", "ptpip:127.0.0.1:5000:5000"),
    ],
)
def test_ports(text: str, port: str) -> None:
    assert check_port(text) == port


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("", "must begin with usb: or ptpip:"),
        ("/dev/ttyS0", "must begin with usb: or ptpip:"),
        ("disk:/", "must begin with usb: or ptpip:"),
        ("usb:1,4", "three digits"),
        ("usb:001,004; rm", "three digits"),
        ("ptpip:", "no address"),
        ("ptpip:192.0.2.7:1:2:3", "too many"),
        ("ptpip:::1", "no address"),
        ("ptpip:192.0.2.7:0", "not a port"),
        ("ptpip:192.0.2.7:65536", "not a port"),
        ("ptpip:192.0.2.7:x", "not a port"),
        ("ptpip:192.0.2.7:" + "9" * 5000, "not a port"),
        ("ptpip:300.0.2.7", "not an address"),
        ("ptpip:a b", "not an address"),
        ("ptpip:no-such-machine.invalid", "no machine called"),
    ],
)
def test_wrong_ports_say_what_is_wrong(text: str, problem: str) -> None:
    with pytest.raises(NoCamera, match=problem) as caught:
        check_port(text)
    assert "usb:001,004" in caught.value.todo
