"""What the driver makes of a camera that sends its events late, twice, or not at all."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.camera.scripted import COMPLETE, FOLDER, OTHER, Script, Widget, library
from tether.camera import card, driver, firing
from tether.camera.errors import (
    BatteryLow,
    CameraLost,
    CameraRefused,
    CardFull,
    CardUnclear,
    FileUnavailable,
    NoCamera,
)
from tether.camera.protocol import CardFile, Role
from tether.settings import CameraLimits

LIMITS = CameraLimits()
Made = Callable[..., driver.GphotoDriver]


@pytest.fixture
def script() -> Script:
    return Script(
        {
            "capturetarget": Widget("Internal RAM", ("Internal RAM", "Memory card")),
            "imageformat": Widget("RAW", ("RAW", "RAW + L")),
            "shutterspeed": Widget("1/60", ("1/30", "1/60", "bulb")),
            "batterylevel": Widget("80%", readonly=True, kind=2),
            "autofocus": Widget("On", ("On", "Off")),
        }
    )


@pytest.fixture
def made(script: Script, monkeypatch: pytest.MonkeyPatch) -> Made:
    monkeypatch.setitem(sys.modules, "gphoto2", library(script))
    monkeypatch.setattr(firing, "time", script)
    return lambda: driver.GphotoDriver(None, LIMITS)


def names(files: object) -> list[str]:
    return [file.name for file in files]  # type: ignore[attr-defined]


def test_a_raw_file_and_the_end_of_the_capture(made: Made, script: Script) -> None:
    def fire(script: Script) -> None:
        script.picture("A1.RAW", after=[0.8])
        script.later(0.9, COMPLETE)

    script.on_fire = fire
    camera, start = made(), script.now
    assert camera.capture() == [CardFile(FOLDER, "A1.RAW", size=3, modified=7)]
    assert script.now - start == pytest.approx(0.9, abs=0.01)


def test_the_end_of_the_capture_may_come_first(made: Made, script: Script) -> None:
    def fire(script: Script) -> None:
        script.later(0.1, COMPLETE)
        script.picture("A1.RAW", after=[2.0])

    script.on_fire = fire
    assert names(made().capture()) == ["A1.RAW"]


def test_a_late_second_file_is_waited_for(made: Made, script: Script) -> None:
    def fire(script: Script) -> None:
        script.picture("A1.RAW", after=[0.5])
        script.later(0.6, COMPLETE)
        script.picture("A1.JPG", after=[0.6 + LIMITS.second_file_seconds - 0.1])

    script.on_fire = fire
    script.settings["imageformat"].value = "RAW + L"
    assert names(made().capture()) == ["A1.RAW", "A1.JPG"]


def test_a_second_file_that_never_comes_is_not_waited_for_for_ever(
    made: Made, script: Script
) -> None:
    script.on_fire = lambda script: script.picture("A1.RAW", after=[0.5])
    script.settings["imageformat"].value = "RAW + L"
    camera, start = made(), script.now
    assert names(camera.capture()) == ["A1.RAW"]
    assert script.now - start == pytest.approx(0.5 + LIMITS.second_file_seconds, abs=0.01)


def test_a_format_in_figures_waits_for_the_end_of_the_capture(made: Made, script: Script) -> None:
    def fire(script: Script) -> None:
        script.picture("A1.RAW", after=[0.5])
        script.picture("A1.JPG", after=[1.5])
        script.later(1.6, COMPLETE)

    script.on_fire = fire
    script.settings["imageformat"].value = "7"
    assert names(made().capture()) == ["A1.RAW", "A1.JPG"]


def test_a_repeated_event_gives_one_file(made: Made, script: Script) -> None:
    script.on_fire = lambda script: script.picture("A1.RAW", after=[0.5, 0.55, 0.6])
    camera = made()
    assert names(camera.capture()) == ["A1.RAW"]
    script.on_fire = lambda script: script.picture("A2.RAW", after=[0.5])
    script.picture("A1.RAW", after=[0.2])
    assert names(camera.capture()) == ["A2.RAW"]
    assert camera.wait_for_files(1.0) == []


def test_the_same_name_with_other_content_is_another_picture(made: Made, script: Script) -> None:
    script.on_fire = lambda script: script.picture("A1.RAW", after=[0.5])
    camera = made()
    camera.capture()
    script.on_fire = lambda script: script.picture("A1.RAW", after=[0.5], time=8)
    assert camera.capture() == [CardFile(FOLDER, "A1.RAW", size=3, modified=8)]


def test_a_picture_whose_event_is_lost_is_found_on_the_card(made: Made, script: Script) -> None:
    def fire(script: Script) -> None:
        script.picture("A2.RAW")
        script.later(0.1, COMPLETE)

    script.picture("A1.RAW")
    script.on_fire = fire
    assert names(made().capture()) == ["A2.RAW"]


def test_the_card_is_searched_again_while_there_is_time(made: Made, script: Script) -> None:
    camera = made()
    script.calls.clear()
    with pytest.raises(CameraRefused, match="no picture arrived"):
        camera.capture()
    # after 5, another 10 and the remaining 15 of 30 s
    assert script.calls.count("init") == 3


def test_nothing_is_searched_for_during_a_long_exposure(made: Made, script: Script) -> None:
    script.settings["shutterspeed"].value = "10"
    script.on_fire = lambda script: script.picture("A1.RAW", after=[20.5])
    camera = made()
    script.calls.clear()
    assert names(camera.capture()) == ["A1.RAW"]
    assert "init" not in script.calls


def test_the_camera_s_own_button_is_not_taken_for_the_capture(made: Made, script: Script) -> None:
    camera = made()
    script.picture("B1.RAW", after=[0.0])
    script.on_fire = lambda script: script.picture("A1.RAW", after=[0.5])
    assert names(camera.capture()) == ["A1.RAW"]
    assert names(camera.wait_for_files(5.0)) == ["B1.RAW"]


def test_a_failed_capture_keeps_what_came_before(made: Made, script: Script) -> None:
    camera = made()
    script.picture("B1.RAW", after=[0.0])
    script.failures["trigger"] = -110
    with pytest.raises(CameraRefused, match="busy"):
        camera.capture()
    assert names(camera.wait_for_files(5.0)) == ["B1.RAW"]


def test_listing_does_not_lose_an_event(made: Made, script: Script) -> None:
    camera = made()
    script.picture("B1.RAW", after=[0.0])
    assert names(camera.list_files()) == ["B1.RAW"]
    assert names(camera.wait_for_files(1.0)) == ["B1.RAW"]


def test_every_listing_is_a_fresh_one(made: Made, script: Script) -> None:
    """The library keeps what it has listed; a picture that no event told of is not in it."""
    camera = made()
    script.picture("A1.RAW")
    assert names(camera.list_files()) == []
    assert names(camera.list_files()) == ["A1.RAW"]
    assert names(camera.wait_for_files(1.0)) == ["A1.RAW"]
    assert camera.wait_for_files(1.0) == []


def test_a_camera_that_was_connected_anew_keeps_its_pictures(made: Made, script: Script) -> None:
    camera = made()
    camera.list_files()
    script.settings["capturetarget"].value = "Internal RAM"  # as some do when they are let go
    camera.list_files()
    assert script.settings["capturetarget"].value == "Memory card"


def test_a_card_that_cannot_be_listed(made: Made, script: Script) -> None:
    """Pictures are made all the same, and nothing on it is taken for a new one."""
    script.picture("A1.RAW")
    script.failures["list"] = -103
    camera = made()
    for _ in range(2):
        with pytest.raises(CardUnclear, match="same name"):
            camera.list_files()
    script.on_fire = lambda script: script.picture("A2.RAW", after=[0.5])
    assert names(camera.capture()) == ["A2.RAW"]
    script.on_fire = lambda script: script.picture("A3.RAW")
    with pytest.raises(CardUnclear):
        camera.capture()
    del script.failures["list"]
    with pytest.raises(CameraRefused, match="no picture arrived"):
        camera.capture()
    assert camera.wait_for_files(1.0) == []


def test_waiting_ends_when_the_camera_is_quiet(made: Made, script: Script) -> None:
    camera, start = made(), script.now
    script.picture("B1.RAW", after=[1.0])
    script.picture("B1.JPG", after=[1.2])
    assert names(camera.wait_for_files(30.0)) == ["B1.RAW", "B1.JPG"]
    assert script.now - start == pytest.approx(1.2 + LIMITS.quiet_seconds, abs=0.01)
    assert camera.wait_for_files(0.5) == []


def test_a_flood_of_other_events_ends_nothing_and_holds_up_nothing(
    made: Made, script: Script
) -> None:
    def fire(script: Script) -> None:
        script.picture("A1.RAW", after=[0.5])
        for count in range(500):
            script.later(count * 0.01, OTHER, "PTP Property d1a5 changed")

    script.on_fire = fire
    camera, start = made(), script.now
    assert names(camera.capture()) == ["A1.RAW"]
    assert script.now - start < 1.0


def test_a_driver_that_does_not_wait_is_not_asked_without_end(made: Made, script: Script) -> None:
    # Seen with libgphoto2's virtual camera: wait_for_event returns at once when all is quiet
    camera = made()
    script.impatient = True
    start = script.now
    assert camera.wait_for_files(2.0) == []
    assert script.now - start == pytest.approx(2.0, abs=0.03)
    script.on_fire = lambda script: script.picture("A1.RAW", after=[0.5])
    assert names(camera.capture()) == ["A1.RAW"]


def test_a_camera_without_a_trigger_is_fired_the_other_way(made: Made, script: Script) -> None:
    script.on_fire = lambda script: script.picture("A1.RAW", after=[0.0])
    script.failures["trigger"] = -6
    camera = made()
    assert names(camera.capture()) == ["A1.RAW"]
    script.on_fire = lambda script: script.picture("A2.RAW", after=[0.0])
    script.calls.clear()
    assert names(camera.capture()) == ["A2.RAW"]
    assert "trigger" not in script.calls


def test_the_card_running_full_is_said_so(made: Made, script: Script) -> None:
    # The event's wording: "PTP Event %04x, Param1 %08x" in camlibs/ptp2/library.c
    script.on_fire = lambda script: script.later(0.1, OTHER, "PTP Event 400a, Param1 00000001")
    with pytest.raises(CardFull, match="ran full"):
        made().capture()


@pytest.mark.parametrize(("level", "fires"), [("14%", 0), ("Low", 0), ("15%", 1), ("?", 1)])
def test_a_low_battery_starts_nothing(made: Made, script: Script, level: str, fires: int) -> None:
    script.settings["batterylevel"].value = level
    script.on_fire = lambda script: script.picture("A1.RAW", after=[0.1])
    camera = made()
    if fires:
        camera.capture()
    else:
        with pytest.raises(BatteryLow, match="Below 15 %"):
            camera.capture()
    assert script.calls.count("trigger") == fires


def test_pictures_are_kept_on_the_card_and_focus_is_left_alone(made: Made, script: Script) -> None:
    state = made().state()
    assert state.value(Role.CAPTURE_TARGET) == "Memory card"
    assert state.keeps_pictures is True
    assert script.settings["autofocus"].value == "Off"
    assert (state.battery_percent, state.free_bytes, state.free_images) == (80.0, 2048 * 1024, 9)


@pytest.mark.parametrize("how", ["refused", "taken and forgotten", "read only", "no such choice"])
def test_a_camera_that_only_uses_its_memory_is_reported(
    made: Made, script: Script, how: str
) -> None:
    target = script.settings["capturetarget"]
    if how == "refused":
        script.failures["set capturetarget"] = -2
    if how == "taken and forgotten":
        script.stuck.add("capturetarget")
    target.readonly = how == "read only"
    if how == "no such choice":
        target.choices = ("Internal RAM",)
    assert made().state().keeps_pictures is False


def test_a_camera_that_says_nothing(made: Made, script: Script) -> None:
    script.settings.clear()
    script.failures["storage"] = -6
    state = made().state()
    assert state.settings == {}
    assert state.keeps_pictures is None
    assert (state.battery_percent, state.free_bytes, state.free_images) == (None, None, None)


def test_a_setting_that_is_listed_and_not_answered_for_is_passed_over(
    made: Made, script: Script
) -> None:
    script.settings["shutterspeed2"] = Widget("1/61")
    script.failures["get shutterspeed2"] = -2
    assert made().state().value(Role.SHUTTER) == "1/60"


def test_settings_take_their_own_choices(made: Made, script: Script) -> None:
    camera = made()
    assert camera.set(Role.SHUTTER, "1/30").value == "1/30"
    with pytest.raises(CameraRefused, match="does not take 1/31") as caught:
        camera.set(Role.SHUTTER, "1/31")
    assert "1/30, 1/60, bulb" in caught.value.todo
    assert "1/30" in caught.value.kept
    with pytest.raises(CameraRefused, match="on the camera only"):
        camera.set(Role.BATTERY, "100%")
    with pytest.raises(CameraRefused, match="cannot reach the camera's aperture"):
        camera.set(Role.APERTURE, "8")


def test_a_range_is_offered_as_its_steps(made: Made, script: Script) -> None:
    script.settings["f-number"] = Widget(8.0, kind=3, range=(4.0, 8.0, 0.5))
    script.settings["iso"] = Widget(200.0, kind=3, range=(100.0, 204800.0, 1.0))
    camera = made()
    assert camera.state().settings[Role.APERTURE].choices[:3] == ("4", "4.5", "5")
    assert camera.set(Role.APERTURE, "5.5").value == "5.5"
    assert script.settings["f-number"].value == 5.5
    assert camera.state().settings[Role.ISO].choices == ()
    with pytest.raises(CameraRefused, match="takes a number"):
        camera.set(Role.ISO, "lots")


def test_a_lost_connection_is_told_whatever_was_going_on(made: Made, script: Script) -> None:
    camera = made()
    script.failures["event"] = -7
    with pytest.raises(CameraLost, match="connection"):
        camera.wait_for_files(1.0)
    with pytest.raises(CameraLost):
        camera.capture()
    script.failures = {"storage": -7}
    with pytest.raises(CameraLost):
        camera.state()
    script.failures = {"get iso": -52}
    script.settings["iso"] = Widget("100")
    with pytest.raises(CameraLost):
        made().state()


def test_a_camera_that_goes_away_while_its_card_is_searched_is_lost(
    made: Made, script: Script
) -> None:
    camera = made()
    script.failures["init"] = -105
    with pytest.raises(CameraLost):
        camera.capture()
    with pytest.raises(NoCamera):
        made()


def test_a_file_is_written_as_the_camera_has_it(made: Made, script: Script, tmp_path: Path) -> None:
    script.picture("A1.RAW", data=b"x" * 1000)
    camera = made()
    (file,) = camera.list_files()
    assert camera.fetch(file, tmp_path / "a") == 1000
    assert (tmp_path / "a").read_bytes() == b"x" * 1000


def test_nothing_is_overwritten(made: Made, script: Script, tmp_path: Path) -> None:
    script.picture("A1.RAW")
    camera = made()
    (file,) = camera.list_files()
    (tmp_path / "a").write_bytes(b"mine")
    (tmp_path / "b").symlink_to(tmp_path / "elsewhere")
    for name in ("a", "b"):
        with pytest.raises(FileUnavailable, match="does not overwrite it"):
            camera.fetch(file, tmp_path / name)
    assert (tmp_path / "a").read_bytes() == b"mine"
    assert not (tmp_path / "elsewhere").exists()
    with pytest.raises(FileUnavailable, match="cannot be written"):
        camera.fetch(file, tmp_path / "nowhere" / "a")
    assert not [call for call in script.calls if call.startswith("fetch")]


def test_a_short_file_is_told_and_kept(made: Made, script: Script, tmp_path: Path) -> None:
    script.picture("A1.RAW", data=b"x" * 1000)
    script.sends = lambda data: data[:-3]
    camera = made()
    (file,) = camera.list_files()
    with pytest.raises(FileUnavailable, match="997 bytes; the camera says 1000") as caught:
        camera.fetch(file, tmp_path / "a")
    assert str(tmp_path / "a") in caught.value.kept
    assert (tmp_path / "a").stat().st_size == 997


@pytest.mark.parametrize(
    ("code", "kind", "words"),
    [
        (-7, CameraLost, "connection"),
        (-108, FileUnavailable, "does not have that file"),
        (-35, FileUnavailable, "disk may be full"),
    ],
)
def test_a_transfer_that_breaks_keeps_its_part(
    made: Made, script: Script, tmp_path: Path, code: int, kind: type[Exception], words: str
) -> None:
    script.picture("A1.RAW")
    camera = made()
    (file,) = camera.list_files()
    script.failures["fetched"] = code
    with pytest.raises(kind, match=words) as caught:
        camera.fetch(file, tmp_path / "a")
    assert str(tmp_path / "a") in caught.value.kept  # type: ignore[attr-defined]
    assert (tmp_path / "a").exists()


@pytest.mark.parametrize("name", ["../../../etc/passwd", "a\nb", "\udcff.RAW", "C:\\x", "x" * 300])
def test_names_go_back_to_the_camera_as_they_came(
    made: Made, script: Script, tmp_path: Path, name: str
) -> None:
    script.picture(name)
    camera = made()
    (file,) = camera.list_files()
    camera.fetch(file, tmp_path / "a")
    assert script.calls[-2] == f"fetch {FOLDER} {name}"
    assert [path.name for path in tmp_path.iterdir()] == ["a"]


def test_a_size_that_does_not_fit_is_not_a_size(made: Made, script: Script) -> None:
    script.picture("A1.RAW", time=0)
    camera = made()
    info = camera._link.camera.file_get_info

    def huge(*where: object) -> object:
        found = info(*where)
        found.file.size = card.SIZE_NOT_STATED
        return found

    camera._link.camera.file_get_info = huge
    assert camera.list_files() == [CardFile(FOLDER, "A1.RAW")]


def test_a_live_view_that_is_no_picture_is_refused(made: Made) -> None:
    with pytest.raises(CameraRefused, match="sent no picture"):
        made().preview()


def test_closing_twice_is_quiet(made: Made, script: Script) -> None:
    camera = made()
    script.failures["exit"] = -7
    camera.close()
    camera.close()
