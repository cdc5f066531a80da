"""LibRaw (through rawpy) and Pillow judge the raw file that the bench writes."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pytest
import rawpy
import tifffile
from PIL import Image
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.sensor import SensorConfig

EXPOSURE = CameraExposure(1 / 20, 8.0, 200.0)


def bench(**sensor: Any) -> CopyStand:
    made = CopyStand(BenchConfig(sensor=SensorConfig(**{"width": 192, "height": 128, **sensor})))
    made.hand.go_to(3)
    return made


@pytest.mark.parametrize("cfa", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_libraw_gives_the_mosaic_back_to_the_bit(cfa: str) -> None:
    expected = bench(cfa=cfa).mosaic(EXPOSURE)
    shot = bench(cfa=cfa).expose(EXPOSURE)
    with rawpy.imread(io.BytesIO(shot.raw)) as raw:
        assert np.array_equal(raw.raw_image_visible, expected)
        assert raw.raw_pattern is not None
        names = raw.color_desc.decode()
        seen = "".join(names[index] for index in raw.raw_pattern.ravel())
        assert seen == cfa
        assert raw.black_level_per_channel == [512] * 4
        assert raw.white_level == 16_200
    assert (shot.width, shot.height) == (192, 128)


def test_a_stated_white_level_can_lie_above_the_real_one() -> None:
    shot = bench(stated_white=16_383).expose(CameraExposure(1.0, 8.0, 100.0))
    with rawpy.imread(io.BytesIO(shot.raw)) as raw:
        assert raw.white_level == 16_383
        assert raw.raw_image_visible.max() == 16_200


def test_twelve_bits_keep_their_own_levels() -> None:
    shot = bench(bits=12, black=128, saturation=4000).expose(CameraExposure(1.0, 8.0, 100.0))
    with rawpy.imread(io.BytesIO(shot.raw)) as raw:
        assert raw.white_level == 4000
        assert raw.black_level_per_channel == [128] * 4
        assert raw.raw_image_visible.max() == 4000


@pytest.mark.parametrize(("name", "reddest"), [("Daylight", (0.58, 1.0, 0.68)), ("Tungsten", None)])
def test_libraw_takes_white_balance_from_the_file(
    name: str, reddest: tuple[float, ...] | None
) -> None:
    shot = bench().expose(CameraExposure(1 / 20, 8.0, 100.0, name))
    with rawpy.imread(io.BytesIO(shot.raw)) as raw:
        red, green, blue = raw.camera_whitebalance[:3]
    if reddest is not None:
        assert (green / red, green / blue) == pytest.approx((0.58, 0.68), rel=1e-4)
    else:
        assert red / green < 1 / 0.58
        assert blue / green > 1 / 0.68


def test_white_balance_never_changes_the_raw_values() -> None:
    mosaics = []
    for name in ("Daylight", "Tungsten", "Auto"):
        shot = bench().expose(CameraExposure(1 / 20, 8.0, 100.0, name))
        with rawpy.imread(io.BytesIO(shot.raw)) as raw:
            mosaics.append(raw.raw_image_visible.copy())
    assert np.array_equal(mosaics[0], mosaics[1])
    assert np.array_equal(mosaics[0], mosaics[2])


def test_a_neutral_patch_comes_out_grey_in_libraws_own_rendering() -> None:
    shot = CopyStand(BenchConfig(sensor=SensorConfig(width=192, height=128, noise=False))).expose(
        CameraExposure(1 / 60, 8.0, 100.0)
    )
    with rawpy.imread(io.BytesIO(shot.raw)) as raw:
        picture = raw.postprocess(use_camera_wb=True, no_auto_bright=True, gamma=(1, 1))
    red, green, blue = picture[40:88, 60:130].reshape(-1, 3).mean(axis=0)
    assert red == pytest.approx(green, rel=0.03)
    assert blue == pytest.approx(green, rel=0.03)


def test_exif_says_how_it_was_exposed() -> None:
    # Tag numbers: Exif (CIPA DC-008), DNG specification 1.4.
    shot = bench().expose(EXPOSURE)
    with tifffile.TiffFile(io.BytesIO(shot.raw)) as file:
        tags = file.pages.first.tags
        exif = tags[34665].value
        assert exif["ExposureTime"] == (1, 20)
        assert exif["FNumber"] == (8, 1)
        assert exif["ISOSpeedRatings"] == 200
        assert exif["DateTimeOriginal"] == "2024:05:04 10:00:00"
        assert bytes(tags[50706].value) == bytes((1, 4, 0, 0))
        assert tags[262].value == 32803
        assert tags[50778].value == 23


def test_the_cameras_own_pictures_are_jpeg() -> None:
    shot = bench().expose(EXPOSURE)
    for data, size in ((shot.thumbnail, (160, 120)), (shot.jpeg, (96, 64))):
        picture = Image.open(io.BytesIO(data))
        assert picture.format == "JPEG"
        assert picture.size == size


@pytest.mark.parametrize(
    "wrong",
    [
        {"cfa": "RGBG"},
        {"cfa": "GGRB"},
        {"width": 191},
        {"black": 20_000},
        {"saturation": 16_384},
    ],
)
def test_no_sensor_can_be_like_that(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"must|phase"):
        SensorConfig(**wrong)
