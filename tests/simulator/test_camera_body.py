"""The simulated camera's body and card, without any connection."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest
from tether_simulator.camera.body import Body, Refusal, Refused
from tether_simulator.camera.card import MemoryCard, NoRoom
from tether_simulator.camera.dials import (
    DIALS,
    Quality,
    fraction,
    seconds,
    ten_thousandths,
)
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.ptp import Event, ObjectFormat, Property

from tests.simulator.conftest import Snap, StandIn

NOON = datetime(2024, 5, 4, 12)


@pytest.fixture
def body(tmp_path: Path) -> Iterator[Body]:
    made = Body(StandIn(), MemoryCard(tmp_path / "card"))
    yield made
    made.close()


def heard(body: Body) -> list[tuple[Event, int, int | None]]:
    events: list[tuple[Event, int, int | None]] = []
    body.subscribe(lambda *event: events.append(event))
    return events


def shoot(body: Body, tag: int | None = None) -> None:
    body.release(tag)
    body.wait()


def test_exposes_as_the_dials_stand(body: Body) -> None:
    body.turn(Property.EXPOSURE_TIME_FRACTION, fraction("1/250"))
    body.turn(Property.F_NUMBER, 560)
    assert body.dials.exposure == CameraExposure(1 / 250, 5.6, 100.0, "Daylight")


def test_standard_shutter_property_turns_the_same_dial(body: Body) -> None:
    events = heard(body)
    body.turn(Property.EXPOSURE_TIME, ten_thousandths(fraction("1/125")), by_hand=False)
    assert body.dials[Property.EXPOSURE_TIME_FRACTION] == fraction("1/125")
    assert events == [(Event.DEVICE_PROP_CHANGED, Property.EXPOSURE_TIME_FRACTION, None)]


@pytest.mark.parametrize(
    ("code", "value"),
    [
        (Property.F_NUMBER, 1),
        (Property.EXPOSURE_TIME, 3),
        (Property.EXPOSURE_TIME_FRACTION, fraction("1/55")),
        (Property.COMPRESSION_SETTING, 1),
    ],
)
def test_dial_has_no_other_positions(body: Body, code: Property, value: int) -> None:
    if code is Property.EXPOSURE_TIME:
        body.turn(code, value)  # 1/3200 s is 3.1 of the standard's units
        assert seconds(body.dials[Property.EXPOSURE_TIME_FRACTION]) == 1 / 3200
    else:
        with pytest.raises(ValueError, match="no position"):
            body.turn(code, value)


def test_apertures_of_the_list_are_thirds_of_a_stop() -> None:
    # ISO 517: f-numbers in steps of the sixth root of two, marked with rounded values.
    marks = [value / 100 for value in DIALS[Property.F_NUMBER].choices]
    assert marks[0] == 2.8
    for index, mark in enumerate(marks):
        assert mark == pytest.approx(2 ** (1.5 + index / 6), rel=0.03)


def test_names_follow_dcf(tmp_path: Path) -> None:
    # CIPA DC-009 (from memory): folders 100..999 and five of A-Z, 0-9, _; files four of these and
    # 0001..9999; numbers count up.
    card = MemoryCard(tmp_path, per_folder=3)
    names = []
    for _ in range(7):
        _, folder, stem = card.next_name()
        names.append((folder.name, stem))
    for folder_name, stem in names:
        assert re.fullmatch(r"[1-9]\d\d[A-Z0-9_]{5}", folder_name)
        assert re.fullmatch(r"[A-Z0-9_]{4}(?!0000)\d{4}", stem)
    assert [name for name, _ in names] == ["100BENCH"] * 3 + ["101BENCH"] * 3 + ["102BENCH"]
    assert [stem for _, stem in names] == [f"BNCH{number:04d}" for number in range(1, 8)]


def test_number_after_9999_begins_a_folder(tmp_path: Path) -> None:
    card = MemoryCard(tmp_path, per_folder=20_000)
    for _ in range(9999):
        _, folder, stem = card.next_name()
    assert (folder.name, stem) == ("100BENCH", "BNCH9999")
    _, folder, stem = card.next_name()
    assert (folder.name, stem) == ("101BENCH", "BNCH0001")


def test_card_keeps_everything_on_disk(tmp_path: Path) -> None:
    card = MemoryCard(tmp_path)
    _, folder, stem = card.next_name()
    item = card.write(folder, stem + ".DNG", ObjectFormat.DNG, b"raw", captured=NOON)
    bad = card.write(folder, "../x\x1b", ObjectFormat.DNG, b"y", thumbnail=b"t", captured=NOON)
    again = MemoryCard(tmp_path)
    assert again.items() == card.items()
    assert again.find(item.handle) == item
    assert again.path_of(item) == "/DCIM/100BENCH"
    assert again.file_of(bad).read_bytes() == b"y"
    assert again.thumb(bad) == b"t"
    assert again.next_name()[2] == "BNCH0002"
    assert [path for path in tmp_path.parent.iterdir() if path.name.startswith("x")] == []


def test_card_refuses_what_does_not_fit(tmp_path: Path) -> None:
    card = MemoryCard(tmp_path, capacity=10)
    _, folder, _ = card.next_name()
    card.write(folder, "A", ObjectFormat.DNG, bytes(6), captured=NOON)
    with pytest.raises(NoRoom):
        card.write(folder, "B", ObjectFormat.DNG, bytes(5), captured=NOON)
    assert card.free == 4
    card.remove(card.items()[-1])
    assert card.free == 10


def test_temporary_card_goes_with_it() -> None:
    card = MemoryCard()
    _, folder, _ = card.next_name()
    file = card.file_of(card.write(folder, "A", ObjectFormat.DNG, b"x", captured=NOON))
    assert file.exists()
    card.close()
    assert not file.exists()


def test_tells_what_came_of_an_exposure(body: Body) -> None:
    body.turn(Property.COMPRESSION_SETTING, Quality.RAW_AND_JPEG.value)
    events = heard(body)
    shoot(body, tag=7)
    raw, jpeg = (item for item in body.card.items() if not item.is_folder)
    folder = body.card.find(raw.parent)
    assert folder is not None
    assert events == [
        (Event.OBJECT_ADDED, folder.handle, 7),
        (Event.OBJECT_ADDED, raw.handle, 7),
        (Event.OBJECT_ADDED, jpeg.handle, 7),
        (Event.CAPTURE_COMPLETE, 7, 7),
    ]


def test_may_be_fired_again_from_the_last_event(body: Body) -> None:
    done = threading.Event()
    busy: list[bool] = []

    def listen(event: Event, _parameter: int, _tag: int | None) -> None:
        if event is Event.CAPTURE_COMPLETE:
            busy.append(body.busy)
            done.set()

    body.subscribe(listen)
    body.release()
    assert done.wait(10)
    assert busy == [False]


def test_busy_while_it_exposes(tmp_path: Path) -> None:
    inside, go_on = threading.Event(), threading.Event()

    class Slowly(StandIn):
        def expose(self, exposure: CameraExposure) -> Snap:
            inside.set()
            assert go_on.wait(10)
            return super().expose(exposure)

    body = Body(Slowly(), MemoryCard(tmp_path))
    body.release()
    assert inside.wait(10)
    with pytest.raises(Refused) as caught:
        body.press_button()
    assert caught.value.reason is Refusal.BUSY
    go_on.set()
    body.close()
    assert len(body.card.items()) == 3


def test_battery_empties_and_then_refuses(tmp_path: Path) -> None:
    body = Body(StandIn(), MemoryCard(tmp_path), battery=3.04)
    events = heard(body)
    assert body.battery_shown == 4
    shoot(body)
    assert (Event.DEVICE_PROP_CHANGED, Property.BATTERY_LEVEL, None) in events
    with pytest.raises(Refused) as caught:
        body.release()
    assert caught.value.reason is Refusal.BATTERY
    body.battery = 50
    shoot(body)
    body.close()


def test_room_is_counted_by_the_largest_picture(tmp_path: Path) -> None:
    body = Body(StandIn(1000), MemoryCard(tmp_path, capacity=2500))
    shoot(body)
    assert body.pictures_left() == 1
    shoot(body)
    with pytest.raises(Refused) as caught:
        body.release()
    assert caught.value.reason is Refusal.FULL
    body.close()


def test_clock_can_be_set(body: Body) -> None:
    body.clock = datetime(2001, 2, 3, 4, 5, 6)
    shoot(body)
    assert (body.card.items()[-1].captured - datetime(2001, 2, 3, 4, 5, 6)).total_seconds() < 60


def test_white_balance_names_are_those_of_the_exposure(body: Body) -> None:
    body.turn(Property.WHITE_BALANCE, 6)
    assert body.dials.exposure.white_balance == "Tungsten"
    body.turn(Property.WHITE_BALANCE, 2)
    assert body.dials.exposure.white_balance == "Automatic"
    body.turn(Property.WHITE_BALANCE, 4)
    assert body.dials.exposure.white_balance == "Daylight"


def test_who_no_longer_listens_hears_nothing(body: Body) -> None:
    events: list[object] = []
    end = body.subscribe(lambda *event: events.append(event))
    end()
    end()
    shoot(body)
    assert events == []


class Held(StandIn):
    """A scene whose live view takes until it is let go."""

    def __init__(self) -> None:
        super().__init__()
        self.go_on = threading.Event()

    def live_view(
        self,
        exposure: CameraExposure,
        *,
        zoom: float = 1.0,
        centre: tuple[float, float] = (0.5, 0.5),
    ) -> bytes:
        assert self.go_on.wait(10)
        return super().live_view(exposure, zoom=zoom, centre=centre) + b"%d" % len(self.views)


def test_frame_that_takes_long_comes_with_a_later_call(tmp_path: Path) -> None:
    scene = Held()
    body = Body(scene, MemoryCard(tmp_path))
    assert body.look(0) is None
    assert body.look(0) is None
    scene.go_on.set()
    assert body.look() == b"\xff\xd8live\xff\xd91"
    assert body.look() == b"\xff\xd8live\xff\xd92"
    body.close()


def test_frame_from_before_a_change_is_not_shown(tmp_path: Path) -> None:
    scene = Held()
    body = Body(scene, MemoryCard(tmp_path))
    assert body.look(0) is None
    scene.go_on.set()
    with body.still():
        pass  # waits for the first frame to be drawn, and gives it up
    assert body.look() == b"\xff\xd8live\xff\xd92"
    body.close()


def test_scene_that_fails_is_reported_and_asked_again(tmp_path: Path) -> None:
    class Failing(StandIn):
        def live_view(
            self,
            exposure: CameraExposure,
            *,
            zoom: float = 1.0,
            centre: tuple[float, float] = (0.5, 0.5),
        ) -> bytes:
            super().live_view(exposure, zoom=zoom, centre=centre)
            if len(self.views) == 1:
                raise RuntimeError("dark")
            return b"frame"

    body = Body(Failing(), MemoryCard(tmp_path))
    with pytest.raises(RuntimeError, match="dark"):
        body.look()
    assert body.look() == b"frame"
    body.close()
