"""The camera without a cable: what the layers above get to see of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from tether_simulator.camera.body import Body
from tether_simulator.camera.card import MemoryCard
from tether_simulator.camera.inprocess import InProcessCamera
from tether_simulator.faults import (
    BadName,
    BatteryFalls,
    DropConnection,
    DuplicateEvent,
    Fault,
    FaultScript,
    FullCard,
    LateSecondFile,
    LostEvent,
    NeverCompletes,
    Refuse,
    Truncated,
    WrongSize,
)
from tether_simulator.ptp import Operation, Property

from tests.simulator.conftest import StandIn
from tether.camera import values
from tether.camera.errors import (
    BatteryLow,
    CameraLost,
    CameraRefused,
    CardFull,
    CardUnclear,
    FileUnavailable,
)
from tether.camera.protocol import Camera, Role

Made = tuple[Camera, Body, StandIn]


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Callable[..., Made]]:
    bodies: list[Body] = []

    def build(*faults: Fault, capacity: int = 10**9, battery: float = 100.0) -> Made:
        scene = StandIn()
        card = MemoryCard(tmp_path / f"card{len(bodies)}", capacity=capacity)
        body = Body(scene, card, FaultScript(faults), battery=battery)
        bodies.append(body)
        return InProcessCamera(body), body, scene

    yield build
    for body in bodies:
        body.close()


Make = Callable[..., Made]


def test_every_wording_is_one_that_the_program_reads(make: Make) -> None:
    camera, _, _ = make()
    state = camera.state()
    settings = state.settings
    assert set(settings) == set(Role)
    for text in settings[Role.SHUTTER].choices:
        assert values.shutter_seconds(text)
    for text in settings[Role.APERTURE].choices:
        assert values.f_number(text)
    for text in settings[Role.ISO].choices:
        assert values.iso_speed(text)
    for text in settings[Role.WHITE_BALANCE].choices:
        assert values.white_balance(text)
    for text in settings[Role.IMAGE_FORMAT].choices:
        assert values.image_format(text)
    assert values.focus_is_manual(settings[Role.FOCUS_MODE].value)
    assert values.exposure_is_manual(settings[Role.EXPOSURE_MODE].value)
    assert state.battery_percent == 100
    assert state.keeps_pictures


def test_sets_and_exposes(make: Make) -> None:
    camera, _, scene = make()
    assert camera.set(Role.SHUTTER, "1/60").value == "1/60"
    assert camera.set(Role.APERTURE, "f/11").value == "f/11"
    camera.capture()
    assert (scene.exposures[0].seconds, scene.exposures[0].f_number) == (1 / 60, 11)


def test_refuses_what_it_does_not_offer(make: Make) -> None:
    camera, _, _ = make()
    with pytest.raises(CameraRefused, match="1/55"):
        camera.set(Role.SHUTTER, "1/55")
    with pytest.raises(CameraRefused):
        camera.set(Role.BATTERY, "100%")
    assert camera.state().value(Role.SHUTTER) == "1/15"


def test_captures_and_fetches(make: Make, tmp_path: Path) -> None:
    camera, _, scene = make()
    camera.set(Role.IMAGE_FORMAT, "RAW + JPEG Fine")
    raw, jpeg = camera.capture()
    assert (raw.folder, raw.name) == ("/store_00010001/DCIM/100BENCH", "BNCH0001.DNG")
    assert camera.fetch(raw, tmp_path / "a") == raw.size == 20_000
    assert (tmp_path / "a").read_bytes() == scene.picture(1).raw
    camera.fetch(jpeg, tmp_path / "b")
    assert (tmp_path / "b").read_bytes() == scene.picture(1).jpeg
    assert camera.list_files() == [raw, jpeg]
    with pytest.raises(FileUnavailable, match="exists already"):
        camera.fetch(raw, tmp_path / "a")


def test_button_on_the_camera(make: Make) -> None:
    camera, body, _ = make()
    assert camera.wait_for_files(0) == []
    body.press_button()
    (file,) = camera.wait_for_files(10)
    assert file.name == "BNCH0001.DNG"
    camera.capture()
    assert camera.wait_for_files(0) == []


def test_live_view(make: Make) -> None:
    camera, _, _ = make()
    assert camera.preview() == b"\xff\xd8live\xff\xd9"


@pytest.mark.parametrize(
    ("fault", "error"),
    [
        (FullCard(), CardFull),
        (BatteryFalls(), BatteryLow),
        (NeverCompletes(), CameraRefused),
        (Refuse(code=Operation.INITIATE_CAPTURE), CameraRefused),
        (DropConnection(code=Operation.INITIATE_CAPTURE), CameraLost),
    ],
)
def test_capture_that_fails(make: Make, fault: Fault, error: type[Exception]) -> None:
    camera, body, _ = make(fault)
    with pytest.raises(error):
        camera.capture()
    assert camera.__class__(body).list_files() == []  # type: ignore[call-arg]


@pytest.mark.parametrize("fault", [LostEvent(times=9), DuplicateEvent(times=9)])
def test_events_that_go_astray_lose_no_picture(make: Make, fault: Fault) -> None:
    camera, _, _ = make(fault)
    assert [file.name for file in camera.capture()] == ["BNCH0001.DNG"]


def test_second_file_comes_late(make: Make) -> None:
    camera, _, _ = make(LateSecondFile(seconds=0.05))
    camera.set(Role.IMAGE_FORMAT, "RAW + JPEG Fine")
    assert len(camera.capture()) == 2


@pytest.mark.parametrize("fault", [Truncated(keep=10), WrongSize(by=1), WrongSize(by=-1)])
def test_file_of_another_size_than_stated(make: Make, tmp_path: Path, fault: Fault) -> None:
    camera, _, _ = make(fault)
    (file,) = camera.capture()
    with pytest.raises(FileUnavailable, match="where the camera says"):
        camera.fetch(file, tmp_path / "a")


def test_connection_breaks_in_a_transfer(make: Make, tmp_path: Path) -> None:
    camera, body, scene = make(DropConnection(code=Operation.GET_OBJECT, after=123))
    (file,) = camera.capture()
    with pytest.raises(CameraLost):
        camera.fetch(file, tmp_path / "a")
    assert (tmp_path / "a").read_bytes() == scene.picture(1).raw[:123]
    with pytest.raises(CameraLost):
        camera.state()
    again = InProcessCamera(body)
    assert again.fetch(file, tmp_path / "b") == 20_000


def test_refused_setting(make: Make) -> None:
    fault = Refuse(code=Operation.SET_DEVICE_PROP_VALUE, parameter=Property.EXPOSURE_INDEX)
    camera, _, _ = make(fault)
    camera.set(Role.APERTURE, "f/11")
    with pytest.raises(CameraRefused, match="busy"):
        camera.set(Role.ISO, "200")
    assert camera.set(Role.ISO, "200").value == "200"


def test_low_battery_and_full_card(make: Make) -> None:
    camera, _, _ = make(battery=10)
    with pytest.raises(BatteryLow):
        camera.capture()
    full, _, _ = make(capacity=20_000)
    full.capture()
    with pytest.raises(CardFull):
        full.capture()


def test_names_come_as_they_are(make: Make, tmp_path: Path) -> None:
    camera, _, _ = make(BadName(name="../../x"))
    (file,) = camera.capture()
    assert file.name == "../../x"
    assert camera.fetch(file, tmp_path / "a") == 20_000


def test_of_two_files_alike_the_announced_one_comes(make: Make, tmp_path: Path) -> None:
    """As from a device that goes by handles; by their names, the first comes as in libgphoto2."""
    camera, body, scene = make(BadName(name="x", times=2))
    by_name = InProcessCamera(body, by_name=True)
    for number in (1, 2):
        (file,) = camera.capture()
        camera.fetch(file, tmp_path / f"{number}")
        assert (tmp_path / f"{number}").read_bytes() == scene.picture(number).raw
    assert len(camera.list_files()) == 2
    by_name.fetch(file, tmp_path / "by name")
    assert (tmp_path / "by name").read_bytes() == scene.picture(1).raw
    with pytest.raises(CardUnclear):
        by_name.list_files()


def test_closed_camera_is_lost(make: Make) -> None:
    camera, _, _ = make()
    camera.close()
    camera.close()
    with pytest.raises(CameraLost):
        camera.capture()
