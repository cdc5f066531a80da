"""The camera check: what it says of a camera's state, and setting and putting back."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from tether_simulator.camera.dials import DIALS
from tether_simulator.ptp import Property
from tether_simulator.server import BenchProcess

from tests.quick import QUICK
from tether.archive.archive import Archive
from tether.archive.records import Roll
from tether.bench.camera_check import (
    CLOCK_VALUE,
    CheckResult,
    CheckStatus,
    Job,
    base_iso,
    check_camera,
    stops_apart,
)
from tether.bench.camera_setup import CameraSetup
from tether.camera.process import CameraProcess
from tether.camera.protocol import CameraState, Role, Setting
from tether.errors import NotNow
from tether.session.judge import Judge
from tether.session.session import Session
from tether.settings import BenchSettings

NOW = 1_700_000_000.0
JOB = Job(36, 50e6)

RIGHT = {
    Role.IMAGE_FORMAT: ("RAW", ("JPEG Fine", "RAW", "RAW + JPEG Fine")),
    Role.EXPOSURE_MODE: ("M", ("M", "P", "A", "S")),
    Role.ISO: ("100", ("Auto", "50", "100", "200")),
    Role.APERTURE: ("f/8", ("f/2.8", "f/5.6", "f/7.1", "f/8", "f/9", "f/11")),
    Role.WHITE_BALANCE: ("Daylight", ("Automatic", "Daylight", "Tungsten")),
    Role.FOCUS_MODE: ("Manual", ("Manual", "Automatic")),
    Role.BATTERY: ("90%", ()),
    Role.CLOCK: (str(int(NOW)), ()),
    Role.CAPTURE_TARGET: ("Memory card", ("Internal RAM", "Memory card")),
}


def state(**changed: str | None) -> CameraState:
    """A camera that stands right but for what is named; None for a setting it does not have."""
    settings = {}
    for role, (value, choices) in RIGHT.items():
        now = changed.get(role.name.lower(), value)
        if now is not None:
            settings[role] = Setting(role, role.value, now, choices)
    return CameraState(settings, 90.0, 64_000_000_000, 900, True)


def lines(camera: CameraState, settings: BenchSettings | None = None) -> dict[str, CheckResult]:
    return {x.label: x for x in check_camera(camera, JOB, settings, now=NOW)}


def test_a_camera_that_stands_right_leaves_only_what_no_camera_tells() -> None:
    found = lines(state())
    assert [x.label for x in found.values() if x.status is not CheckStatus.OK] == [
        "In-camera processing"
    ]
    assert not any(x.wanted for x in found.values())


@pytest.mark.parametrize(
    ("changed", "label", "wanted"),
    [
        ({"image_format": "JPEG Fine"}, "Image format", "RAW"),
        ({"exposure_mode": "P"}, "Exposure mode", "M"),
        ({"iso": "200"}, "ISO", "100"),
        ({"iso": "50"}, "ISO", "100"),
        ({"iso": "Auto"}, "ISO", "100"),
        ({"aperture": "f/5.6"}, "Aperture", "f/8"),
        ({"aperture": "f/11"}, "Aperture", "f/8"),
        ({"white_balance": "Automatic"}, "White balance", "Daylight"),
        ({"focus_mode": "Automatic"}, "Focus", "Manual"),
        ({"clock": str(int(NOW) - 90)}, "Clock", CLOCK_VALUE),
    ],
)
def test_what_is_wrong_is_named_with_the_cameras_own_choice(
    changed: dict[str, str], label: str, wanted: str
) -> None:
    found = lines(state(**changed))
    assert (found[label].status, found[label].wanted) == (CheckStatus.CHANGE, wanted)
    others = [x for x in found.values() if x.status is CheckStatus.CHANGE and x.label != label]
    assert others == []


@pytest.mark.parametrize(
    "changed",
    [
        {"image_format": "RAW + JPEG Fine"},
        {"aperture": "f/7.1"},
        {"aperture": "f/9"},
        {"white_balance": "Tungsten"},
        {"clock": str(int(NOW) + 59)},
    ],
)
def test_what_is_near_enough_passes(changed: dict[str, str]) -> None:
    found = lines(state(**changed))
    assert not any(x.status is CheckStatus.CHANGE for x in found.values())


@pytest.mark.parametrize("role", list(RIGHT))
def test_what_a_camera_does_not_tell_is_asked(role: Role) -> None:
    camera = state(**{role.name.lower(): None})
    if role is Role.BATTERY:
        camera = replace(camera, battery_percent=None)
    if role is Role.CAPTURE_TARGET:
        camera = replace(camera, keeps_pictures=None)
    asked = [x for x in lines(camera).values() if x.status is CheckStatus.UNKNOWN]
    assert len(asked) == 2
    assert all(
        x.advice.startswith(("check on the camera:", "check the camera's date")) for x in asked
    )


@pytest.mark.parametrize(
    ("role", "value"),
    [
        ("image_format", "Unknown 17"),
        ("exposure_mode", "Undefined"),
        ("white_balance", "Unknown value 8013"),
        ("focus_mode", "3"),
        ("aperture", "implicit auto"),
        ("clock", "yesterday"),
    ],
)
def test_wording_that_says_nothing_is_asked_and_not_guessed(role: str, value: str) -> None:
    found = [x for x in lines(state(**{role: value})).values() if x.now == value]
    assert [x.status for x in found] == [CheckStatus.UNKNOWN]


def test_a_setting_that_only_a_hand_can_change_is_not_offered() -> None:
    camera = state(exposure_mode="P")
    dial = replace(camera.settings[Role.EXPOSURE_MODE], readonly=True)
    line = lines(replace(camera, settings={**camera.settings, Role.EXPOSURE_MODE: dial}))[
        "Exposure mode"
    ]
    assert line.status is CheckStatus.CHANGE
    assert line.wanted == ""
    assert "Set it on the camera" in line.advice


def test_a_reduced_raw_file_is_not_what_is_offered() -> None:
    camera = state()
    setting = Setting(Role.IMAGE_FORMAT, "imageformat", "Large Fine JPEG", ("sRAW", "mRAW", "RAW"))
    found = lines(replace(camera, settings={**camera.settings, Role.IMAGE_FORMAT: setting}))
    assert found["Image format"].wanted == "RAW"


def test_a_line_that_wants_what_nothing_can_set_is_refused() -> None:
    for role in (None, Role.BATTERY):
        with pytest.raises(ValueError, match="nothing can set it"):
            CheckResult("Battery", CheckStatus.CHANGE, "20 %", "Charge it.", role, "100 %")


def test_every_setting_that_can_be_set_is_looked_at() -> None:
    strobe = check_camera(state(), JOB, now=NOW, strobe=True)
    assert {role.label for role in Role} <= {x.label for x in strobe}


def test_power_room_and_memory() -> None:
    found = lines(replace(state(), battery_percent=20.0, free_images=12, keeps_pictures=False))
    assert {x.label for x in found.values() if x.status is CheckStatus.CHANGE} == {
        "Battery",
        "Card",
        "Pictures kept",
    }
    assert found["Pictures kept"].wanted == "Memory card"
    by_bytes = replace(state(), free_images=None, free_bytes=35 * 50_000_000)
    assert lines(by_bytes)["Card"].status is CheckStatus.CHANGE


@pytest.mark.parametrize(
    ("choices", "base"),
    [
        (("50", "100", "200"), "100"),
        (("Lo 1", "64", "100"), "64"),
        (("Auto", "ISO 160", "ISO 80"), "ISO 80"),
        (("25", "50"), "50"),
        (("Auto", "Hi 1"), None),
        ((), None),
    ],
)
def test_base_iso_is_the_lowest_that_is_not_extended(
    choices: tuple[str, ...], base: str | None
) -> None:
    assert base_iso(choices, BenchSettings().lowest_iso) == base


def test_f_numbers_are_compared_in_stops_of_light() -> None:
    # Full stops are powers of the square root of two (ISO 517; from memory).
    assert stops_apart(8, 8 * 2**0.5) == pytest.approx(1)
    assert stops_apart(8, 4) == pytest.approx(2)


def test_control_characters_of_a_camera_never_reach_the_screen() -> None:
    found = lines(state(white_balance="Day\x1b[2Jlight"))
    assert "\x1b" not in found["White balance"].now


# --- against the real driver -----------------------------------------------------------------


def test_the_cards_counter_does_not_jump_with_the_first_picture(camera: CameraProcess) -> None:
    before = camera.state().free_images
    camera.capture()
    after = camera.state().free_images
    assert before is not None
    assert after is not None
    assert 0 <= before - after <= 2


def test_set_up_and_put_back(
    archive: Archive, roll: Roll, camera: CameraProcess, judge: Judge, bench: BenchProcess
) -> None:
    bench.mishap("home-from-holiday")
    roles = [dial.role for dial in DIALS.values() if dial.holiday is not None]
    before = [camera.state().value(role) for role in roles]
    with Session(archive, roll, camera, judge, QUICK) as session:
        setup = CameraSetup(session.bench)
        checked = setup.check()
        assert {x.role for x in checked.lines if x.status is CheckStatus.CHANGE} == set(roles)
        assert checked.found == ()
        said = setup.set_up(checked.lines)
        assert "ISO: 800 → 100" in said
        after = setup.check()
        assert not any(x.status is CheckStatus.CHANGE for x in after.lines)
        assert len(after.found) == 6
        session.tethered.refresh()
    # Another session, as after a crash, still knows how the camera was found.
    with Session(archive, roll, camera, judge, QUICK) as session:
        setup = CameraSetup(session.bench)
        setup.put_back()
        assert [camera.state().value(role) for role in roles] == before
        assert setup.check().found == ()
        with pytest.raises(NotNow):
            setup.put_back()
        log = [text for _, _, _, text in archive.store.journal.log_lines(roll.id)]
    assert "ISO: 800 → 100" in log
    assert "ISO: 100 → 800" in log


def test_the_clock_goes_back_to_being_as_far_off(
    archive: Archive, roll: Roll, camera: CameraProcess, judge: Judge
) -> None:
    camera.set(Role.CLOCK, str(int(NOW) - 7200))
    archive.clock = lambda: datetime.fromtimestamp(NOW, UTC)
    with Session(archive, roll, camera, judge, QUICK) as session:
        setup = CameraSetup(session.bench)
        # The camera's clock runs on while the test runs, by less than the minute allowed.
        checked = setup.check()
        clock = next(x for x in checked.lines if x.label == "Clock")
        assert "behind this computer" in clock.advice
        assert clock.wanted == CLOCK_VALUE
        setup.set_up(checked.lines)
        clock = next(x for x in setup.check().lines if x.label == "Clock")
        assert clock.status is CheckStatus.OK
        setup.put_back()
        off = int(camera.state().value(Role.CLOCK) or 0) - NOW
    assert -7200 <= off < -7100


def test_the_first_finding_is_the_one_that_is_put_back(
    archive: Archive, roll: Roll, camera: CameraProcess, judge: Judge, bench: BenchProcess
) -> None:
    bench.turn(Property.EXPOSURE_INDEX, 800)
    with Session(archive, roll, camera, judge, QUICK) as session:
        setup = CameraSetup(session.bench)
        setup.set_up(setup.check().lines)
        bench.turn(Property.EXPOSURE_INDEX, 1600)
        setup.set_up(setup.check().lines)
        setup.put_back()
        assert camera.state().value(Role.ISO) == "800"


def test_a_role_of_a_newer_program_stays_stored_and_stops_nothing(
    archive: Archive, roll: Roll, camera: CameraProcess, judge: Judge, bench: BenchProcess
) -> None:
    bench.turn(Property.EXPOSURE_INDEX, 800)
    with Session(archive, roll, camera, judge, QUICK) as session:
        key = f"camera as found: {session.tethered.key}"
        archive.store.set_fact(key, json.dumps({"a role of tomorrow": "On"}))
        setup = CameraSetup(session.bench)
        checked = setup.check()
        assert checked.found == ()
        setup.set_up(checked.lines)
        assert setup.check().found == ((Role.ISO, "800"),)
        setup.put_back()
        assert json.loads(archive.store.fact(key) or "") == {"a role of tomorrow": "On"}
        with pytest.raises(NotNow):
            setup.put_back()
