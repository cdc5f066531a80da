"""Raw positives as other programs read them.

Readers: tifffile, LibRaw (rawpy), the DNG specification's own library (dngpy), another reader of
raw files (flashraw), and exiftool.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pytest
import rawpy
import tifffile
from numpy.typing import NDArray
from PIL import Image
from tether_simulator.bench import CopyStand
from tether_simulator.bench_config import BenchConfig
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.lamp import LampConfig
from tether_simulator.imaging.sensor import SensorConfig

from tests.exiftool import exiftool
from tests.positive.photographed import Shot, photograph, printed, renderings_of
from tests.positive.sensors import SIX, with_sensor
from tests.positive.test_prints import linear_of
from tether.film import FilmProcess
from tether.positive.exif import Labels, shot_facts
from tether.positive.flat_field import flat_field
from tether.positive.linear import camera_matrix, open_linear, tile_weights
from tether.positive.printing import print_frame
from tether.positive.raw_positive.dng import Form
from tether.positive.raw_positive.make import RawPositiveJob, make_raw_positive
from tether.positive.rendering import Brief, Rendering, roll_renderings
from tether.positive.sample import take_sample
from tether.raw import RawUnreadable, open_mosaic
from tether.settings import PositiveSettings

BW, COLOUR, SLIDE = FilmProcess.BW_NEGATIVE, FilmProcess.COLOUR_NEGATIVE, FilmProcess.TRANSPARENCY
SENSORS = ("RGGB", "BGGR", "GRBG", "GBRG", "6 x 6", "none")
XMP = (
    b'<?xpacket begin="\xef\xbb\xbf" id="W5M0MpCehiHzreSzNTczkc9d"?>'
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/">'
    b'<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
    b'<rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/"'
    b' xmp:CreatorTool="tether"/></rdf:RDF></x:xmpmeta><?xpacket end="w"?>'
)


@pytest.fixture(scope="module")
def rolls() -> Iterator[Callable[[FilmProcess, str], list[tuple[Shot, Rendering]]]]:
    """Rolls by film and sensor, each photographed once."""
    with TemporaryDirectory() as folder:

        @cache
        def roll(process: FilmProcess, sensor: str) -> list[tuple[Shot, Rendering]]:
            here = Path(folder) / f"{process.value} {sensor}"
            here.mkdir()
            bayer = sensor if len(sensor) == 4 and sensor != "none" else "RGGB"
            frames = (9 if process is BW else 4) if sensor == "RGGB" else 1
            shots = photograph(here, process, frames, sensor=SensorConfig(768, 512, cfa=bayer))
            if bayer != sensor:
                tile = SIX if sensor == "6 x 6" else None
                shots = [
                    replace(s, path=with_sensor(s.path, here / f"other {s.path.name}", tile))
                    for s in shots
                ]
            made = renderings_of(shots, process, PositiveSettings(), half=False)
            return list(zip(shots, made, strict=True))

        yield roll


def made_of(
    shot: Shot, rendering: Rendering, folder: Path, form: Form = Form.CAMERA, **more: Any
) -> Path:
    """Return a raw positive of a shot."""
    path = folder / f"{form.value} {shot.path.stem}.dng"
    labels = Labels("A frame.", shot_facts(shot.path), xmp=XMP, per_inch=more.pop("per_inch", None))
    job = RawPositiveJob(shot.path, rendering, None, labels, path, form)
    make_raw_positive(replace(job, **more))
    return path


def tags_of(path: Path) -> tuple[dict[int, Any], dict[int, Any], NDArray[np.uint16]]:
    """Return the tags of the first directory, those of the raw picture, and its stored values."""
    with tifffile.TiffFile(path) as file:
        first: Any = file.pages.first
        raw = first.pages[0]
        return (
            {tag.code: tag.value for tag in first.tags},
            {tag.code: tag.value for tag in raw.tags},
            raw.asarray(),
        )


def by_libraw(path: Path, **more: Any) -> NDArray[np.float64]:
    """Return the picture that LibRaw makes, sRGB 0..1, as it lies on the sensor."""
    with rawpy.imread(str(path)) as raw:
        picture = raw.postprocess(
            use_camera_wb=True, no_auto_bright=True, gamma=(2.4, 12.92), output_bps=16,
            user_flip=0, **more,
        )  # fmt: skip
    return np.broadcast_to(picture / 65535, (*picture.shape[:2], 3))


def apart(seen: NDArray[np.float64], shot: Shot, rendering: Rendering) -> float:
    """Return the mean CIEDE2000 (ISO/CIE 11664-6) from our own positive, inside the frame."""
    from skimage.color import deltaE_ciede2000, rgb2lab

    own = printed(shot, replace(rendering, outline=None, mirrored=False, turn=0))
    own = np.broadcast_to(own[..., None] if own.ndim == 2 else own, seen.shape)
    (left, top), _, (right, bottom), _ = shot.outline
    part = np.s_[
        max(8, int(top) + 1) : min(int(bottom), own.shape[0] - 8),
        max(8, int(left) + 1) : min(int(right), own.shape[1] - 8),
    ]
    return float(deltaE_ciede2000(rgb2lab(seen[part]), rgb2lab(own[part])).mean())


@pytest.mark.parametrize("sensor", SENSORS)
@pytest.mark.parametrize("process", [BW, COLOUR, SLIDE])
def test_the_mosaic_inside_is_the_camera_s_and_readers_see_the_table(
    rolls: Any, tmp_path: Path, process: FilmProcess, sensor: str
) -> None:
    shot, rendering = rolls(process, sensor)[0]
    path = made_of(shot, rendering, tmp_path)
    with rawpy.imread(str(shot.path)) as raw:
        original = raw.raw_image_visible.copy()
    first, raw_tags, stored = tags_of(path)
    assert np.array_equal(stored, original)
    assert (first[254], raw_tags[254]) == (1, 0)
    assert raw_tags[262] == (34892 if sensor == "none" else 32803)
    wanted = stored
    if process.is_negative:
        table = np.asarray(raw_tags[50712], np.uint16)
        assert table.shape == (65536,)
        wanted = table[stored]
    with rawpy.imread(str(path)) as raw:
        assert np.array_equal(raw.raw_image_visible, wanted), "LibRaw's values are the table's"
    flashraw = pytest.importorskip("flashraw", reason="flashraw is not installed")
    with flashraw.open(str(path)) as file:
        assert np.array_equal(file.decode(output="raw-u16").array, wanted)
        assert file.metadata.camera.unique_model.endswith("positive of film (camera)")
    assert exiftool(path)["Validate"] in ("0 0 0", "OK")


@pytest.mark.parametrize("form", list(Form))
@pytest.mark.parametrize("sensor", ["RGGB", "6 x 6", "none"])
def test_the_specification_s_own_library_reads_it_and_makes_the_same_digest(
    rolls: Any, tmp_path: Path, sensor: str, form: Form, capfd: pytest.CaptureFixture[str]
) -> None:
    dngpy = pytest.importorskip("dngpy", reason="dngpy is not installed")
    shot, rendering = rolls(COLOUR, sensor)[0]
    path = made_of(shot, rendering, tmp_path, form)
    first, _, stored = tags_of(path)
    read = dngpy.Dng(str(path))
    assert np.array_equal(np.squeeze(read.raw_pixels), stored)
    read.save(str(tmp_path / "again.dng"))
    with tifffile.TiffFile(tmp_path / "again.dng") as again:
        assert bytes(again.pages.first.tags.valueof(51111)) == bytes(first[51111])
    said = capfd.readouterr()
    assert "***" not in said.out + said.err, "no warning and no error"
    assert exiftool(path)["Validate"] in ("0 0 0", "OK")


@pytest.mark.parametrize(
    ("process", "form", "limit"),
    [
        (BW, Form.CAMERA, 2.0),
        (BW, Form.COMPUTED, 2.0),
        (COLOUR, Form.COMPUTED, 4.0),
        (COLOUR, Form.DEMOSAICED, 4.0),
        (SLIDE, Form.CAMERA, 2.0),
        (SLIDE, Form.DEMOSAICED, 2.0),
    ],
)
def test_libraw_shows_our_own_positive(
    rolls: Any, tmp_path: Path, process: FilmProcess, form: Form, limit: float
) -> None:
    pytest.importorskip("skimage.color", reason="scikit-image is not installed")
    differences = [
        apart(by_libraw(made_of(shot, rendering, tmp_path, form)), shot, rendering)
        for shot, rendering in rolls(process, "RGGB")
    ]
    print(f"{process.value} {form.value}: {np.round(differences, 2)}")
    assert np.mean(differences) <= limit


@pytest.mark.parametrize("sensor", ["6 x 6", "none"])
@pytest.mark.parametrize(("process", "limit"), [(BW, 2.0), (COLOUR, 4.0), (SLIDE, 2.0)])
def test_libraw_shows_our_own_positive_of_other_sensors(
    rolls: Any, tmp_path: Path, process: FilmProcess, sensor: str, limit: float
) -> None:
    pytest.importorskip("skimage.color", reason="scikit-image is not installed")
    if sensor == "none" and process is not BW:
        pytest.skip("a sensor without colours sees no colour film as it is")
    shot, rendering = rolls(process, sensor)[0]
    form = Form.COMPUTED if process is COLOUR else Form.CAMERA
    assert apart(by_libraw(made_of(shot, rendering, tmp_path, form)), shot, rendering) <= limit


def test_lights_over_the_print_s_white_are_kept_where_that_is_wanted(
    rolls: Any, tmp_path: Path
) -> None:
    pytest.importorskip("skimage.color", reason="scikit-image is not installed")
    for process, form in ((BW, Form.CAMERA), (COLOUR, Form.COMPUTED), (COLOUR, Form.DEMOSAICED)):
        shot, rendering = rolls(process, "RGGB")[0]
        path = made_of(shot, rendering, tmp_path, form, headroom_ev=2.0)
        exposure, of = tags_of(path)[0][50730]
        assert exposure / of == pytest.approx(2.0)
        # LibRaw does not read BaselineExposure; it is told.
        lightened = by_libraw(path, bright=2**2.0)
        assert apart(lightened, shot, rendering) == pytest.approx(
            apart(by_libraw(made_of(shot, rendering, tmp_path, form)), shot, rendering), abs=0.5
        )
        (left, top), _, (right, bottom), _ = shot.outline
        part = np.s_[int(top) + 9 : int(bottom) - 8, int(left) + 9 : int(right) - 8]
        clipped = [
            np.mean(by_libraw(made_of(shot, rendering, tmp_path, form, headroom_ev=ev))[part] >= 1)
            for ev in (2.0, 0.0)
        ]
        assert clipped[0] < 0.1 * clipped[1]


def test_an_uneven_light_is_evened_out_by_readers_of_gain_maps(tmp_path: Path) -> None:
    flashraw = pytest.importorskip("flashraw", reason="flashraw is not installed")
    lamp = LampConfig(gradient_x=0.25)
    sensor = SensorConfig(768, 512)
    (shot,) = photograph(tmp_path, BW, 1, lamp=lamp, sensor=sensor)
    gate = CopyStand(BenchConfig(lamp=lamp, sensor=sensor))
    gate.hand.remove_film()
    empty = tmp_path / "gate.dng"
    empty.write_bytes(gate.expose(CameraExposure(1 / 60, 8.0, 100.0)).raw)
    flat = flat_field(open_mosaic(empty))
    sample = take_sample(open_mosaic(shot.path), BW, shot.outline, flat)
    rendering = Rendering(BW, sample.lightest, mirrored=False)
    path = made_of(shot, rendering, tmp_path, flat=flat)
    first, _, stored = tags_of(path)
    assert np.array_equal(stored, open_mosaic(shot.path).data)
    exposure, of = first[50730]
    headroom = exposure / of
    assert headroom > 0.3, "room for gains under one"

    mosaic = open_mosaic(shot.path)
    linear = open_linear(shot.path, mosaic, half=False, grey=True)
    own = linear_of(print_frame(linear, rendering, tile_weights(mosaic), flat) / 65535)

    def unlike(apply: bool) -> float:
        """How many stops the columns lie apart, where our own positive has its middle tones."""
        with flashraw.open(str(path)) as file:
            seen = file.decode(output="linear-rgb", crop=False, apply_opcodes=apply).array[..., 1]
        usable = (own > 0.03) & (own < 0.4)
        columns = [
            float(np.median(np.log2(s[u] / o[u])))
            for s, o, u in zip(
                *(np.array_split(a, 12, axis=1) for a in (seen, own, usable)), strict=True
            )
            if u.sum() > 500
        ]
        return max(columns) - min(columns)

    assert unlike(apply=False) > 0.4
    assert unlike(apply=True) < 0.08
    assert exiftool(path)["Validate"] in ("0 0 0", "OK")
    # The second form has it in its values.
    computed = made_of(shot, rendering, tmp_path, Form.COMPUTED, flat=flat)
    assert 51009 not in tags_of(computed)[1]
    with rawpy.imread(str(computed)) as raw:
        seen = raw.raw_image_visible[8:-8, 8:-8] / 65535
    usable = (own > 0.03) & (own < 0.4)
    columns = [
        float(np.median(s[u] / o[u]))
        for s, o, u in zip(
            *(np.array_split(a, 12, axis=1) for a in (seen, own[8:-8, 8:-8], usable[8:-8, 8:-8])),
            strict=True,
        )
        if u.sum() > 500
    ]
    assert max(columns) / min(columns) < 1.06


def test_it_says_what_it_is_and_what_it_was_made_of(rolls: Any, tmp_path: Path) -> None:
    shot, rendering = rolls(BW, "RGGB")[0]
    path = made_of(shot, replace(rendering, turn=90), tmp_path, per_inch=500.5)
    first, raw_tags, _ = tags_of(path)
    assert first[50827] == shot.path.name
    assert first[50708] == "Simulated Bench Bench Camera One, positive of film (camera)"
    assert first[274] == 7
    assert bytes(first[700]) == XMP
    assert first[51110] == 1
    assert first[50940] == (0.0, 0.0, 1.0, 1.0)
    assert "gamma 1.80" in first[270]
    assert first[50706] == (1, 4, 0, 0) or bytes(first[50706]) == b"\1\4\0\0"
    left, top = raw_tags[50719]
    width, height = raw_tags[50720]
    (x, y), _, (right, bottom), _ = shot.outline
    assert left <= max(x, 8)
    assert top <= max(y, 8)
    assert left + width >= min(right, 760)
    assert top + height >= min(bottom, 504)
    found = exiftool(path)
    assert found["ExposureTime"] == pytest.approx(1 / 15)
    assert found["ISO"] == 100
    assert found["XResolution"] == found["YResolution"] == 500.5
    slide, of_slide = rolls(SLIDE, "RGGB")[0]
    known = tags_of(made_of(slide, of_slide, tmp_path))[0]
    with tifffile.TiffFile(slide.path) as file:
        tags: Any = file.pages.first.tags
        for code in (50721, 50778):  # the camera's matrix, and the light that it is for
            ours, theirs = np.array(known[code]), np.array(tags.valueof(code))
            if code == 50721:
                ours, theirs = ours[::2] / ours[1::2], theirs[::2] / theirs[1::2]
            np.testing.assert_allclose(ours, theirs)


def test_the_page_s_lines_give_the_camera_s_values_back(rolls: Any, tmp_path: Path) -> None:
    page = Path(__file__).resolve().parents[2] / "docs" / "raw-positive.md"
    (code,) = re.findall(r"```python\n(.*?)```", page.read_text("utf-8"), re.DOTALL)
    assert len([line for line in code.splitlines() if line]) == 3
    for process in (BW, SLIDE):
        shot, rendering = rolls(process, "RGGB")[0]
        path = made_of(shot, rendering, tmp_path)
        found: dict[str, Any] = {}
        exec(re.sub(r'"[^"]*_positive\.dng"', repr(str(path)), code), found)
        with rawpy.imread(str(shot.path)) as raw:
            assert np.array_equal(found["mosaic"], raw.raw_image_visible)


def test_the_pictures_inside_are_positives(rolls: Any, tmp_path: Path) -> None:
    for process in (BW, COLOUR, SLIDE):
        shot, rendering = rolls(process, "RGGB")[0]
        path = made_of(shot, rendering, tmp_path)
        own = printed(shot, replace(rendering, outline=None, mirrored=False))
        own = own.mean(axis=2) if own.ndim == 3 else own
        with tifffile.TiffFile(path) as file:
            first: Any = file.pages.first
            raw_tags = first.pages[0].tags
            (left, top), (width, height) = raw_tags[50719].value, raw_tags[50720].value
            own = own[top : top + height, left : left + width]
            for page, longest in ((first, 256), (first.pages[1], 374)):
                file.filehandle.seek(page.dataoffsets[0])
                data = file.filehandle.read(page.databytecounts[0])
                image = Image.open(BytesIO(data))
                assert max(image.size) == longest
                small = np.asarray(image.convert("L")) / 255
                y = np.linspace(0, own.shape[0] - 1, small.shape[0]).astype(int)
                x = np.linspace(0, own.shape[1] - 1, small.shape[1]).astype(int)
                assert np.corrcoef(small.ravel(), own[y][:, x].ravel())[0, 1] > 0.9


def test_a_raw_positive_is_never_measured_as_a_negative(rolls: Any, tmp_path: Path) -> None:
    shot, rendering = rolls(BW, "RGGB")[0]
    for form in Form:
        path = made_of(shot, rendering, tmp_path, form)
        with pytest.raises(RawUnreadable, match="raw positive"):
            open_mosaic(path)


def test_damaged_files_are_refused_in_words(rolls: Any, tmp_path: Path) -> None:
    shot, rendering = rolls(BW, "RGGB")[0]
    torn = tmp_path / "torn.dng"
    torn.write_bytes(shot.path.read_bytes()[:4000])
    for form in Form:
        with pytest.raises(RawUnreadable, match=r"torn\.dng"):
            made_of(replace(shot, path=torn), rendering, tmp_path, form)
    with pytest.raises(RawUnreadable, match="base of channel R is at black"):
        made_of(shot, replace(rendering, base=(0.0, 0.5, 0.5)), tmp_path)
    for form in (Form.CAMERA, Form.DEMOSAICED):
        with pytest.raises(RawUnreadable, match="white is at black"):
            made_of(shot, replace(rendering, process=SLIDE, base=(0.4, 0.0, 0.5)), tmp_path, form)
    assert list(tmp_path.iterdir()) == [torn], "nothing half is left"


def test_a_real_camera_s_file(tmp_path: Path) -> None:
    """The file that libraw-cffi's source package carries (libraw_cffi/tests/_DSC2164.ARW).

    It is no negative: what is looked at is that a real camera's mosaic comes through.
    """
    given = os.environ.get("TETHER_REAL_RAW")
    if given is None:
        pytest.skip("TETHER_REAL_RAW names no file of a real camera")
    real = Path(given)
    mosaic = open_mosaic(real)
    height, width = mosaic.shape
    whole = ((0.0, 0.0), (width, 0.0), (width, height), (0.0, height))
    shot = Shot(real, whole, np.zeros(1))
    for process in (BW, COLOUR, SLIDE):
        sample = replace(take_sample(mosaic, process, None), matrix=camera_matrix(real))
        briefs = [Brief("real", sample)]
        rendering = roll_renderings(process, briefs, PositiveSettings(), half=False)["real"]
        path = made_of(shot, rendering, tmp_path)
        first, raw_tags, stored = tags_of(path)
        assert np.array_equal(stored, mosaic.data)
        wanted = np.asarray(raw_tags[50712], np.uint16)[stored] if process.is_negative else stored
        with rawpy.imread(str(path)) as raw:
            assert np.array_equal(raw.raw_image_visible, wanted)
        if process is SLIDE:
            with rawpy.imread(str(real)) as raw:
                matrix = np.array(first[50721]).reshape(3, 3, 2)
                known = raw.rgb_xyz_matrix[:3]
            np.testing.assert_allclose(matrix[..., 0] / matrix[..., 1], known, atol=1e-4)
            assert apart(by_libraw(path), shot, rendering) < 2
        assert exiftool(path)["Validate"] in ("0 0 0", "OK")


def test_film_base_is_black_where_it_is_in_our_own_positive(rolls: Any, tmp_path: Path) -> None:
    shot, rendering = rolls(BW, "RGGB")[0]
    assert rendering.black == 0.0
    base = {form: made_of(shot, rendering, tmp_path, form) for form in Form}
    (left, _), _, _, _ = shot.outline
    rebate = np.s_[100:400, int(left) - 14 : int(left) - 6]
    for form, path in base.items():
        assert by_libraw(path)[rebate].mean() < 0.05, form
    black = np.array(tags_of(base[Form.CAMERA])[1][50714]).reshape(-1, 2)
    levels = black[:, 0] / black[:, 1]
    table = np.asarray(tags_of(base[Form.CAMERA])[1][50712])
    mosaic = open_mosaic(shot.path)
    for level, colour in zip(levels, (0, 1, 1, 2), strict=True):
        raw = 512 + rendering.base[colour] * (mosaic.saturation[0] - 512)
        assert table[round(raw)] == pytest.approx(level, abs=1)
    lighter = made_of(shot, replace(rendering, black=None), tmp_path)
    assert by_libraw(lighter)[rebate].mean() > 0.08
