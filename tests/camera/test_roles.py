"""Which setting plays which role, on trees of settings as cameras have them.

The trees are taken from the printouts in libgphoto2's ``camlibs/ptp2/cameras`` (their names
shortened to what is asked for here).
"""

from __future__ import annotations

import pickle

from tether.camera.protocol import Role, Setting
from tether.camera.settings_access import candidates


def first(*names: str) -> dict[Role, str]:
    return {role: found[0] for role, found in candidates(names).items()}


def test_every_role_can_be_found_on_some_camera_under_one_name_only() -> None:
    assert all(role.names for role in Role)
    names = [name for role in Role for name in role.names]
    assert len(set(names)) == len(names)


def test_a_role_crosses_to_the_driver_and_back_by_its_stored_word() -> None:
    # These words are in archives: they stay as commit 8593120 wrote them.
    assert {role.value for role in Role} >= {
        "shutter", "aperture", "iso", "white balance", "image format", "focus mode",
        "exposure mode", "capture target", "battery", "clock",
    }  # fmt: skip
    for role in Role:
        assert pickle.loads(pickle.dumps(role)) is role
        assert Role.named(role.value) is role


def test_a_role_of_a_newer_program_is_no_role_here() -> None:
    assert Role.named("long exposure noise reduction") is None


def test_a_setting_is_read_as_its_role_says() -> None:
    assert Setting(Role.SHUTTER, "shutterspeed", "1/50").reading == 0.02
    assert Setting(Role.CLOCK, "datetime", " 1700000000 ").reading == 1_700_000_000
    assert Setting(Role.CLOCK, "datetime", "yesterday").reading is None


def test_a_camera_with_fractions_and_decimals_is_set_in_fractions() -> None:
    assert first("capturetarget", "datetime", "batterylevel", "imagequality", "f-number",
                 "focusmode", "focusmode2", "shutterspeed", "shutterspeed2", "iso",
                 "whitebalance", "expprogram") == {
        Role.CAPTURE_TARGET: "capturetarget",
        Role.CLOCK: "datetime",
        Role.BATTERY: "batterylevel",
        Role.IMAGE_FORMAT: "imagequality",
        Role.APERTURE: "f-number",
        Role.FOCUS_MODE: "focusmode",
        Role.SHUTTER: "shutterspeed2",
        Role.ISO: "iso",
        Role.WHITE_BALANCE: "whitebalance",
        Role.EXPOSURE_MODE: "expprogram",
    }  # fmt: skip


def test_a_camera_with_a_format_for_each_card_is_asked_for_the_common_one() -> None:
    found = candidates(
        ["imageformatcf", "imageformatsd", "imageformat", "autoexposuremode", "aperture"]
    )
    assert found == {
        Role.IMAGE_FORMAT: ("imageformat", "imageformatsd", "imageformatcf"),
        Role.EXPOSURE_MODE: ("autoexposuremode",),
        Role.APERTURE: ("aperture",),
    }


def test_names_that_play_no_role_are_left_alone() -> None:
    assert candidates(["d1a4", "opcode", "moviequality", ""]) == {}
