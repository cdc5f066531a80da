"""What positives carry, read back by programs and libraries that are not this one."""

from __future__ import annotations

import io
import shutil
import struct
import subprocess
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms
from skimage.color import deltaE_ciede2000

from tests.exiftool import exiftool
from tests.positive.photographed import photograph
from tether import __version__
from tether.film import FilmProcess
from tether.positive.exif import Labels, ShotFacts, shot_facts
from tether.positive.files import colour_profile, eight_bit, grey_profile, write_jpeg, write_tiff

FACTS = ShotFacts(
    make="Bench", model="One", taken="2024:05:04 10:00:00",
    lens="Macro 90 mm", seconds=1 / 15, f_number=8.0, iso=100.0, focal_length=90.0,
)  # fmt: skip
TEXT = "Łódź 1987, 港, Größe"
LABELS = Labels(
    TEXT, FACTS, artist="A. Größe", rights="© 港", exposed="1987-06-12",
    copied="2024-05-04T10:00:07.250+00:00", per_inch=1012.4,
)  # fmt: skip


def assert_labels(found: dict[str, object]) -> None:
    """What exiftool found in a positive is what the raw file and people said."""
    assert found["Validate"] == "0 0 0", found.get("Warning")
    assert found["ExposureTime"] == pytest.approx(1 / 15, rel=1e-4)
    assert (found["FNumber"], found["ISO"], found["FocalLength"]) == (8, 100, 90)
    assert (found["Make"], found["Model"], found["LensModel"]) == ("Bench", "One", "Macro 90 mm")
    assert found["DateTimeOriginal"] == "1987:06:12 00:00:00"
    # exiftool calls DateTimeDigitized by its own name.
    assert found["CreateDate"] == "2024:05:04 10:00:07"
    assert found["OffsetTimeDigitized"] == "+00:00"
    assert str(found["SubSecTimeDigitized"]) == "250"
    assert "ModifyDate" not in found
    assert found["Software"] == f"tether {__version__}"
    assert found["Orientation"] == 1
    assert found["ImageDescription"] == TEXT
    assert (found["Artist"], found["Copyright"]) == ("A. Größe", "© 港")
    assert (found["XResolution"], found["YResolution"]) == pytest.approx((1012.4, 1012.4), rel=1e-3)
    assert found["ResolutionUnit"] == 2


def test_the_profiles_white_is_that_of_the_standard() -> None:
    """CIE 15 and ICC.1: D50 is X 0.9642, Y 1, Z 0.8249 in the profile connection space."""
    for profile in (colour_profile(), grey_profile()):
        white = struct.unpack(">3i", profile[68:80])
        assert [v / 65536 for v in white] == pytest.approx([0.9642, 1.0, 0.8249], abs=5e-5)


def test_the_colour_difference_in_use_is_the_published_one() -> None:
    """Three of the pairs of Sharma, Wu and Dalal (2005), which differ in blue alone."""
    pairs = [
        ((50.0, 2.6772, -79.7751), 2.0425),
        ((50.0, 3.1571, -77.2803), 2.8615),
        ((50.0, 2.8361, -74.0200), 3.4412),
    ]
    for lab, published in pairs:
        found = deltaE_ciede2000(np.array(lab), np.array((50.0, 0.0, -82.7485)))
        assert float(found) == pytest.approx(published, abs=1e-4)


@pytest.mark.parametrize("shape", [(40, 60), (40, 60, 3)])
def test_exiftool_reads_a_valid_jpeg_with_the_shot_and_the_profile(
    tmp_path: Path, shape: tuple[int, ...]
) -> None:
    path = tmp_path / "a.jpg"
    picture = np.full(shape, 30_000, np.uint16)
    write_jpeg(picture, path, quality=92, labels=LABELS)
    found = exiftool(path)
    assert_labels(found)
    assert found["ColorSpaceData"] == ("GRAY" if len(shape) == 2 else "RGB ")
    assert [p.name for p in tmp_path.iterdir()] == ["a.jpg"], "nothing half written is left"


@pytest.mark.parametrize("shape", [(40, 60), (41, 61), (40, 60, 3)])
def test_the_tiff_holds_the_16_bit_values_the_shot_and_a_profile(
    tmp_path: Path, shape: tuple[int, ...]
) -> None:
    path = tmp_path / "a.tif"
    picture = np.random.default_rng(1).integers(0, 65536, shape).astype(np.uint16)
    write_tiff(picture, path, labels=LABELS)
    np.testing.assert_array_equal(tifffile.imread(path), picture)
    found = exiftool(path)
    assert_labels(found)
    assert found["ColorSpaceData"] == ("GRAY" if len(shape) == 2 else "RGB ")
    with tifffile.TiffFile(path) as file:
        profile = file.pages.first.iccprofile
        assert len(file.pages) == 1
    assert profile is not None
    opened = ImageCms.getOpenProfile(io.BytesIO(profile))
    assert opened.profile.xcolor_space.strip() == ("GRAY" if len(shape) == 2 else "RGB")


@pytest.mark.parametrize("ending", ["jpg", "tif"])
def test_texts_beyond_ascii_are_shown_by_other_readers(tmp_path: Path, ending: str) -> None:
    """UTF-8 in Exif's ASCII fields, as exiv2, Pillow and tifffile show it."""
    path = tmp_path / f"a.{ending}"
    picture = np.full((40, 60), 30_000, np.uint16)
    if ending == "jpg":
        write_jpeg(picture, path, quality=92, labels=LABELS)
        with Image.open(path) as opened:
            assert opened.info["jfif_density"] == pytest.approx((1012, 1012), abs=1)
            shown = opened.getexif()[270]
        # Pillow takes the bytes for Latin-1; they are whole.
        assert shown.encode("latin-1").decode("utf-8") == TEXT
    else:
        write_tiff(picture, path, labels=LABELS)
        with tifffile.TiffFile(path) as file:
            assert file.pages.first.tags.valueof(270) == TEXT
    program = shutil.which("exiv2")
    if program is None:
        pytest.skip("the program exiv2 is not installed")
    out = subprocess.run([program, "-Pkt", "pr", path], check=True, capture_output=True, text=True)
    read = dict(line.split(maxsplit=1) for line in out.stdout.splitlines() if " " in line.strip())
    assert read["Exif.Image.ImageDescription"].strip() == TEXT
    assert read["Exif.Image.Copyright"].strip() == "© 港"
    assert read["Exif.Photo.DateTimeDigitized"].strip() == "2024:05:04 10:00:07"
    assert out.stderr == "", "no warning"


def test_without_a_date_of_the_film_none_is_made_up(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    write_jpeg(np.full((40, 60), 30_000, np.uint16), path, quality=92, labels=Labels(shot=FACTS))
    found = exiftool(path)
    assert found["Validate"] == "0 0 0", found.get("Warning")
    assert "DateTimeOriginal" not in found
    assert "CreateDate" not in found


def test_a_shot_of_which_nothing_is_known_has_a_valid_tiff(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    write_tiff(np.zeros((9, 9), np.uint16), path, labels=Labels(xmp=b"<x/>"))
    found = exiftool(path)
    assert found["Validate"] == "0 0 0", found.get("Warning")
    assert "ISO" not in found
    with tifffile.TiffFile(path) as file:
        assert file.pages.first.tags[700].value == b"<x/>"
        assert file.pages.first.tags[34665].value["ColorSpace"] == 1


def test_little_cms_takes_both_profiles_for_the_same_tones() -> None:
    srgb = ImageCms.createProfile("sRGB")
    ramp = np.arange(256, dtype=np.uint8)[None]
    grey = ImageCms.buildTransform(
        ImageCms.getOpenProfile(io.BytesIO(grey_profile())), srgb, "L", "RGB"
    )
    seen = np.asarray(ImageCms.applyTransform(Image.fromarray(ramp), grey))
    assert np.abs(seen[0].astype(int) - ramp[0][:, None]).max() <= 1
    colour = ImageCms.buildTransform(
        ImageCms.getOpenProfile(io.BytesIO(colour_profile())), srgb, "RGB", "RGB"
    )
    picture = Image.fromarray(np.repeat(ramp[..., None], 3, axis=2))
    assert np.abs(np.asarray(ImageCms.applyTransform(picture, colour))[0].astype(int)
                  - ramp[0][:, None]).max() <= 1  # fmt: skip


def test_the_raw_files_own_exif_is_carried_over(tmp_path: Path) -> None:
    (shot,) = photograph(tmp_path, FilmProcess.BW_NEGATIVE, frames=1)
    facts = shot_facts(shot.path)
    assert facts.make == "Simulated Bench"
    assert facts.seconds == pytest.approx(1 / 15, rel=1e-4)
    assert (facts.f_number, facts.iso) == (8.0, 100.0)
    assert facts.taken == "2024:05:04 10:00:00"


def test_damaged_files_have_no_facts_and_do_no_harm(tmp_path: Path) -> None:
    (shot,) = photograph(tmp_path, FilmProcess.BW_NEGATIVE, frames=1)
    data = bytearray(shot.path.read_bytes()[:4000])
    rng = np.random.default_rng(3)
    for round_ in range(30):
        broken = bytes(b if rng.random() > 0.03 else int(rng.integers(256)) for b in data)
        path = tmp_path / f"{round_}.dng"
        path.write_bytes(broken)
        assert isinstance(shot_facts(path), ShotFacts)


def test_eight_bits_are_the_nearest_to_sixteen() -> None:
    values = np.arange(65536, dtype=np.uint16)[None]
    # The nearest of 256 steps: v * 255 / 65535, rounded.
    assert np.abs(eight_bit(values) - values[0] * (255 / 65535)).max() <= 0.51


def test_the_same_picture_is_the_same_bytes_at_any_time() -> None:
    known = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    made = colour_profile()
    assert made[:24] + known[24:36] + made[36:] == known, "as LittleCMS made it but for the date"
    # ICC.1:2022, 7.2.8: year, month, day, hours, minutes, seconds.
    assert made[24:36] == bytes((7, 232, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0)) == grey_profile()[24:36]
