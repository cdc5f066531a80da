"""Which setting plays which role, on trees of settings as cameras have them.

The trees are taken from the printouts in libgphoto2's ``camlibs/ptp2/cameras`` (their names
shortened to what is asked for here).
"""

from __future__ import annotations

from tether.camera import roles
from tether.camera.protocol import Role


def first(*names: str) -> dict[Role, str]:
    return {role: found[0] for role, found in roles.candidates(names).items()}


def test_every_role_has_candidates() -> None:
    assert set(roles.CANDIDATES) == set(Role)


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
    found = roles.candidates(
        ["imageformatcf", "imageformatsd", "imageformat", "autoexposuremode", "aperture"]
    )
    assert found == {
        Role.IMAGE_FORMAT: ("imageformat", "imageformatsd", "imageformatcf"),
        Role.EXPOSURE_MODE: ("autoexposuremode",),
        Role.APERTURE: ("aperture",),
    }


def test_names_that_play_no_role_are_left_alone() -> None:
    assert roles.candidates(["d1a4", "opcode", "moviequality", ""]) == {}
