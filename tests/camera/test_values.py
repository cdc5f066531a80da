"""The wordings of cameras' settings.

Unless a line says otherwise, the wordings are those that libgphoto2 2.5 writes, read in its
``camlibs/ptp2/config.c``; the name of the table or function stands beside them.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tether.camera import values
from tether.camera.values import CaptureTarget, ImageFormat, WhiteBalance

TEXT = st.text(max_size=40)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("0.0167s", 0.0167),  # _get_ExpTime: "%0.4fs"
        ("1.0000s", 1.0),
        ("0.0001s", 0.0001),
        ("1/60", 1 / 60),  # _get_Nikon_ShutterSpeed: "%d/%d", and "%d" where it is whole
        ("10/600", 1 / 60),
        ("10/13", 10 / 13),
        ("30", 30.0),
        ("1/8000", 1 / 8000),  # canon_shutterspeed
        ("20.3", 20.3),
        ("0.3", 0.3),
        ("1/2.5", 0.4),  # _get_Panasonic_Shutter: "1/%.1f"
        ("30s", 30.0),  # the table of _get_Fuji_ShutterSpeed
        ("1/1.3s", 1 / 1.3),
        ("2.5s", 2.5),
        ("1/32000", 1 / 32000),  # sigma_shutterspeeds
        ("1/30 second", 1 / 30),  # documentation of the driver camlibs/sierra
        ('1.3"', 1.3),  # common practice on cameras' displays, no published source
        ('2"5', 2.5),
        ('0"8', 0.8),
        ("2″5", 2.5),
        ("1''", 1.0),
        ("1⁄60", 1 / 60),
        ("1/60 s", 1 / 60),
        ("0,0167s", 0.0167),
        (" 1/60 ", 1 / 60),
    ],
)
def test_shutter_times(text: str, seconds: float) -> None:
    assert values.shutter_seconds(text) == pytest.approx(seconds)


@pytest.mark.parametrize(
    "text",
    ["Bulb", "bulb", "Time", "Composite", "x 200", "auto", "Auto", "Sync", "unknown value 0x3",
     "", "0", "1/0", "0/1", "-1", "1/60/2", "½", "nan", "inf", "1e5", "9" * 400],
)  # fmt: skip
def test_no_shutter_time(text: str) -> None:
    assert values.shutter_seconds(text) is None


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("f/8", 8.0),  # _get_FNumber: "f/%g"
        ("f/5.6", 5.6),
        ("8", 8.0),  # canon_aperture
        ("8.0", 8.0),  # _get_Olympus_Aperture: "%.1f"
        ("1.0", 1.0),  # sigma_apertures
        ("F8.0", 8.0),  # common practice on cameras' displays, no published source
        ("ƒ/11", 11.0),
        ("f 5,6", 5.6),
        ("implicit auto", None),
        ("auto", None),
        ("unknown value 0x3", None),
        ("0", None),
        ("", None),
    ],
)
def test_apertures(text: str, number: float | None) -> None:
    assert values.f_number(text) == number


@pytest.mark.parametrize(
    ("text", "speed"),
    [
        ("100", 100),  # canon_isospeed, _get_INT
        ("102400", 102400),
        ("ISO 100", 100),  # common practice on cameras' displays, no published source
        ("ISO100", 100),
        ("Auto", None),
        ("Auto ISO", None),
        ("Factory Default", None),
        ("Low", None),  # _get_Olympus_ISO
        ("Lo 1", None),
        ("Hi 0.3", None),
        ("0", None),
        ("1.5", None),
        ("9" * 5000, None),
    ],
)
def test_iso_speeds(text: str, speed: int | None) -> None:
    assert values.iso_speed(text) == speed


@pytest.mark.parametrize(
    ("kind", "texts"),
    [
        (WhiteBalance.AUTOMATIC, ["Automatic", "Auto", "AWB White", "Natural light auto",
                                  "Underwater: Auto", "One-push Automatic", "Automatic Cool"]),
        (WhiteBalance.DAYLIGHT, ["Daylight"]),
        (WhiteBalance.CLOUDY, ["Cloudy"]),
        (WhiteBalance.SHADE, ["Shade", "Shadow"]),
        (WhiteBalance.TUNGSTEN, ["Tungsten", "Tungsten 2"]),
        (WhiteBalance.FLUORESCENT, ["Fluorescent", "Fluorescent H", "Fluorescent: Daylight",
                                    "Fluorescent Lamp 3", "Fluorescent: Tungsten",
                                    "Flourescent"]),  # so spelt in panasonic_wbtable
        (WhiteBalance.FLASH, ["Flash"]),
        (WhiteBalance.KELVIN, ["Color Temperature", "Choose Color Temperature", "Temperature 1",
                               "5000K", "5000 K", "5000"]),
        (WhiteBalance.PRESET, ["Preset", "Preset 1", "Preset Custom 5", "Manual", "Manual 2",
                               "Custom", "Custom Whitebalance: PC-1", "White set"]),
        (WhiteBalance.OTHER, ["Off", "Water", "Underwater", "Black White"]),
        (None, ["Unknown 7", "Unknown value 0008", "Missing Number", "", "0x8014"]),
    ],
)  # fmt: skip
def test_white_balances(kind: WhiteBalance | None, texts: list[str]) -> None:
    # whitebalance, canon_whitebalance, canon_eos_whitebalance, olympus_whitebalance,
    # nikon_1_whitebalance, panasonic_wbtable; figures with K are invented
    assert {values.white_balance(text) for text in texts} == {kind}


def test_only_an_automatic_balance_is_not_fixed() -> None:
    assert [kind for kind in WhiteBalance if not kind.fixed] == [WhiteBalance.AUTOMATIC]


@pytest.mark.parametrize(
    ("kind", "texts"),
    [
        (ImageFormat.RAW, ["NEF (Raw)", "RAW", "mRAW", "sRAW", "cRAW", "CRW", "RAW Only"]),
        (ImageFormat.RAW_AND_OTHER, ["NEF+Fine", "NEF+Basic*", "RAW+JPEG", "RAW+JPEG (X.Fine)",
                                     "RAW + JPEG Fine", "Large Fine JPEG+RAW", "RAW + L",
                                     "cRAW + cS1", "RAW & JPEG", "RAW+HEIF (Std)"]),
        (ImageFormat.JPEG, ["JPEG Fine*", "JPEG Basic", "Extra Fine", "Standard", "Fine", "L",
                            "cS1", "M2", "Medium Normal JPEG", "JPEG Only", "superfine"]),
        (ImageFormat.OTHER, ["TIFF", "TIFF (RGB)", "HEIF (Fine)", "HEIF Only", "lossless"]),
        (None, ["undefined", "Undefined", "Disabled", "12", "0x44", ""]),
    ],
)  # fmt: skip
def test_image_formats(kind: ImageFormat | None, texts: list[str]) -> None:
    # compressionsetting, nikon_*_compression, sony_*, fuji_imageformat, olympus_imageformat,
    # canon_eos_single_ImageFormats ("%s + %s"), canon_quality, canon_fullview_fileformat
    assert {values.image_format(text) for text in texts} == {kind}


def test_raw_and_its_second_file_are_two() -> None:
    assert [kind for kind in ImageFormat if kind.has_raw] == [
        ImageFormat.RAW,
        ImageFormat.RAW_AND_OTHER,
    ]
    assert [kind.files for kind in ImageFormat] == [1, 1, 2, 1]


@pytest.mark.parametrize(
    ("manual", "texts"),
    [
        (True, ["Manual", "MF (fixed)", "MF (selection)", "Preset MF", "Manual Reverse"]),
        (False, ["Automatic", "Automatic Macro", "AF-S", "AF-C", "AF-A", "Single-Servo AF",
                 "C-AF", "S-AF+MF", "DMF", "One Shot", "AI Servo", "AI Focus"]),
        (None, ["Undefined", "", "0x8001"]),
    ],
)  # fmt: skip
def test_focus_modes(manual: bool | None, texts: list[str]) -> None:
    # focusmodes, eos_focusmodes, the table of _get_Nikon_AFMode
    assert {values.focus_is_manual(text) for text in texts} == {manual}


@pytest.mark.parametrize(
    ("manual", "texts"),
    [
        (True, ["M", "Manual"]),
        (False, ["P", "A", "S", "TV", "AV", "Auto", "Bulb", "Fv", "Movie (M)", "U1"]),
        (None, ["", "Unknown value 0099", "Undefined"]),
    ],
)
def test_exposure_modes(manual: bool | None, texts: list[str]) -> None:
    # exposure_program_modes, canon_eos_autoexposuremode, canon_shootmode
    assert {values.exposure_is_manual(text) for text in texts} == {manual}


@pytest.mark.parametrize(
    ("text", "percent"),
    [
        ("50%", 50.0),  # _get_BatteryLevel
        ("101%", 100.0),  # its range formula: (value - start + 1) * 100 / (end - start + 1)
        ("0%", 0.0),
        ("100%", 100.0),  # _get_Canon_EOS_BatteryLevel
        ("Low", 5.0),
        ("Full", 100.0),
        ("Unknown", None),  # _get_SONY_BatteryLevel
        ("Unknown value", None),
        ("broken", None),
        ("-1%", None),
        ("", None),
    ],
)
def test_batteries(text: str, percent: float | None) -> None:
    assert values.battery_percent(text) == percent


@pytest.mark.parametrize(
    ("text", "target"),
    [
        ("Memory card", CaptureTarget.CARD),  # capturetargets
        ("Internal RAM", CaptureTarget.MEMORY),
        ("sdram", CaptureTarget.MEMORY),  # sony_capturetarget
        ("card", CaptureTarget.CARD),
        ("card+sdram", CaptureTarget.CARD_AND_COMPUTER),
        ("Card", CaptureTarget.CARD),  # nikon_recordingmedia
        ("SDRAM", CaptureTarget.MEMORY),
        ("Unknown 3", None),
    ],
)
def test_capture_targets(text: str, target: CaptureTarget | None) -> None:
    assert values.capture_target(text) == target


def test_only_memory_loses_pictures() -> None:
    assert [target for target in CaptureTarget if not target.keeps] == [CaptureTarget.MEMORY]


# From canon_shutterspeed, with "bulb" as that camera lists it.
THIRDS = ["bulb", "1", "0.8", "0.6", "0.5", "0.4", "0.3", "1/4", "1/5", "1/6", "1/8", "1/10",
          "1/13", "1/15", "1/20", "1/25", "1/30", "1/40", "1/50", "1/60", "1/80", "1/100",
          "1/125", "1/160", "1/200", "1/250", "1/320", "1/400", "1/500"]  # fmt: skip


@pytest.mark.parametrize(
    ("current", "stops", "expected"),
    [
        ("1/60", 1 / 3, "1/50"),
        ("1/60", -1 / 3, "1/80"),
        ("1/60", 1, "1/30"),
        ("1/60", -2, "1/250"),
        ("1/60", 0, "1/60"),
        ("1/125", 2 / 3, "1/80"),
        ("1/500", -3, "1/500"),
        ("1", 4, "1"),
        ("bulb", 1, None),
    ],
)
def test_a_change_in_stops_names_the_camera_s_own_setting(
    current: str, stops: float, expected: str | None
) -> None:
    # Steps in thirds of a stop with rounded names: common practice, no published source
    assert values.shifted_shutter(THIRDS, current, stops) == expected


def test_nothing_is_nearest_to_nothing() -> None:
    assert values.nearest_shutter([], 0.1) is None
    assert values.nearest_shutter(["Bulb", "auto"], 0.1) is None
    assert values.nearest_shutter(THIRDS, 0.0) is None
    assert values.nearest_shutter(THIRDS, math.nan) is None
    assert values.nearest(["f/4", "f/8", "auto"], 7.0, values.f_number) == "f/8"


@given(TEXT)
def test_any_text_is_read_or_refused(text: str) -> None:
    seconds = values.shutter_seconds(text)
    assert seconds is None or 0 < seconds <= values.LONGEST_SECONDS
    number = values.f_number(text)
    assert number is None or 0.5 <= number <= 128
    speed = values.iso_speed(text)
    assert speed is None or speed > 0
    percent = values.battery_percent(text)
    assert percent is None or 0 <= percent <= 100
    for read in (values.white_balance, values.image_format, values.focus_is_manual,
                 values.exposure_is_manual, values.capture_target):  # fmt: skip
        read(text)


@given(st.integers(1, 32000), st.integers(1, 300))
def test_fractions_read_as_what_they_say(below: int, above: int) -> None:
    expected = pytest.approx(above / below)
    assert values.shutter_seconds(f"{above}/{below}") == expected
    assert values.shutter_seconds(f"{above} / {below} s") == expected


@given(st.integers(1, 300_000_000))
def test_the_driver_s_decimal_form_reads_back(ten_thousandths: int) -> None:
    # _get_ExpTime writes the standard's unit of 0.1 ms as "%0.4fs"
    seconds = ten_thousandths / 10000
    read = values.shutter_seconds(f"{seconds:.4f}s")
    assert read == (pytest.approx(seconds) if seconds <= values.LONGEST_SECONDS else None)


@given(st.lists(st.sampled_from(THIRDS), max_size=20), st.floats(1e-5, 100))
def test_no_choice_is_nearer_than_the_nearest(choices: list[str], seconds: float) -> None:
    found = values.nearest_shutter(choices, seconds)
    readable = [value for text in choices if (value := values.shutter_seconds(text))]
    if found is None:
        assert not readable
        return
    distance = abs(math.log2((values.shutter_seconds(found) or 0) / seconds))
    assert found in choices
    assert distance == min(abs(math.log2(value / seconds)) for value in readable)
