"""Raw files through LibRaw: what the file states, and files that are not what they seem."""

from __future__ import annotations

import errno
import gc
import os
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import rawpy
from PIL import Image
from tether_simulator.imaging.dng import RawFacts, write_dng

from tether.positive.exif import shot_facts
from tether.positive.linear import Interpolated, camera_matrix
from tether.positive.raw_positive.make import camera_matrices
from tether.raw import RawUnreadable, open_mosaic

TILES = {
    "RGGB": ((0, 1), (1, 2)),
    "BGGR": ((2, 1), (1, 0)),
    "GRBG": ((1, 0), (2, 1)),
    "GBRG": ((1, 2), (0, 1)),
}


def _facts(phase: str = "RGGB", white: int = 16_200) -> RawFacts:
    return RawFacts(
        TILES[phase], 512, white, (0.58, 1.0, 0.68), (0.5, 1.0, 0.625), 1 / 15, 8.0, 100.0,
        datetime(2024, 5, 4, 10, 0),
    )  # fmt: skip


def _written(folder: Path, phase: str = "RGGB", white: int = 16_200) -> tuple[Path, np.ndarray]:
    data = np.random.default_rng(1).integers(512, 16_000, (96, 144)).astype(np.uint16)
    path = folder / f"{phase}.dng"
    path.write_bytes(write_dng(data, _facts(phase, white)))
    return path, data


@pytest.mark.parametrize("phase", TILES)
def test_the_mosaic_is_bit_exact_and_every_photosite_has_its_colour(
    tmp_path: Path, phase: str
) -> None:
    path, data = _written(tmp_path, phase)
    mosaic = open_mosaic(path)
    np.testing.assert_array_equal(mosaic.data, data)
    assert sorted(mosaic.channels) == ["B", "G1", "G2", "R"]
    names = np.array(mosaic.channels)[mosaic.pattern]
    assert "".join(name[0] for name in names.ravel()) == phase
    # LibRaw says for each photosite what it says for the tile.
    with rawpy.imread(str(path)) as raw:
        colours = np.array(list(raw.color_desc.decode()))[raw.raw_colors_visible[:2, :2]]
    assert "".join(colours.ravel()) == phase


def test_levels_and_exposure_are_those_of_the_file(tmp_path: Path) -> None:
    path, _ = _written(tmp_path, white=15_000)
    mosaic = open_mosaic(path)
    with rawpy.imread(str(path)) as raw:
        assert mosaic.black == tuple(float(v) for v in raw.black_level_per_channel)
        assert set(mosaic.saturation) == {float(raw.white_level)}
    assert mosaic.saturation[0] == 15_000
    assert mosaic.exposure_seconds == pytest.approx(1 / 15, rel=1e-6)
    assert (mosaic.iso, mosaic.f_number, mosaic.flip) == (100.0, 8.0, 0)
    balance = dict(zip(mosaic.channels, mosaic.white_balance, strict=True))
    assert balance == pytest.approx({"R": 2.0, "G1": 1.0, "G2": 1.0, "B": 1.6})


class _Stated:
    """What LibRaw says of a file whose channels saturate at levels of their own."""

    white_level = 16_383
    camera_white_level_per_channel = (15_800, 0, 16_383, 20_000)


def test_the_lowest_stated_level_is_the_saturation() -> None:
    from tether.raw import _saturation

    assert _saturation(_Stated(), 4) == (15_800.0, 16_383.0, 16_383.0, 16_383.0)
    assert _saturation(_Stated(), 2) == (15_800.0, 16_383.0)


def test_the_array_outlives_what_opened_it(tmp_path: Path) -> None:
    path, data = _written(tmp_path)
    kept = open_mosaic(path).data
    gc.collect()
    again = [open_mosaic(path) for _ in range(8)]
    gc.collect()
    np.testing.assert_array_equal(kept, data)
    del again


def test_what_is_no_raw_file_says_so(tmp_path: Path) -> None:
    good = _written(tmp_path)[0].read_bytes()
    picture = tmp_path / "picture.jpg"
    Image.new("RGB", (64, 64)).save(picture)
    cases = {
        "empty.dng": b"",
        "text.dng": b"not a raw file at all" * 100,
        "cut.dng": good[:300],
        "picture.dng": picture.read_bytes(),
        "zeros.dng": bytes(5000),
    }
    for name, content in cases.items():
        path = tmp_path / name
        path.write_bytes(content)
        with pytest.raises(RawUnreadable) as caught:
            open_mosaic(path)
        assert name in caught.value.what
        assert path.read_bytes() == content


def test_a_name_that_is_no_text_in_utf_8_is_opened_all_the_same(tmp_path: Path) -> None:
    known, data = _written(tmp_path)
    path = tmp_path / os.fsdecode(b"\xff\xfcname.dng")
    try:
        path.write_bytes(known.read_bytes())
    except OSError:
        pytest.skip("the disk takes names in UTF-8 only")
    np.testing.assert_array_equal(open_mosaic(path).data, data)
    assert camera_matrix(path) == camera_matrix(known) != ()
    assert shot_facts(path) == shot_facts(known)
    assert camera_matrices(path) == camera_matrices(known) != []
    band = slice(0, 8), slice(0, 8)
    mosaic = open_mosaic(path)
    np.testing.assert_array_equal(
        Interpolated(path, mosaic, grey=False).band(*band),
        Interpolated(known, mosaic, grey=False).band(*band),
    )


@pytest.mark.parametrize(
    "error", [NotImplementedError("filters: 148"), IndexError("index 0 is out of bounds")]
)
def test_a_mosaic_that_is_not_known_here_is_told_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    """What rawpy raised over damaged files; no file makes it do so each time."""

    def refuse(*_: object) -> None:
        raise error

    monkeypatch.setattr("tether.raw._pattern", refuse)
    with pytest.raises(RawUnreadable, match="states a kind of mosaic that is not known") as caught:
        open_mosaic(_written(tmp_path)[0])
    assert str(error) not in str(caught.value)


def test_a_mosaic_that_lacks_a_colour_is_not_known_here(tmp_path: Path) -> None:
    path = tmp_path / "red and blue.dng"
    data = np.full((64, 64), 1000, np.uint16)
    path.write_bytes(write_dng(data, replace(_facts(), tile=((0, 2), (2, 0)))))
    with pytest.raises(RawUnreadable, match="states a kind of mosaic that is not known"):
        open_mosaic(path)


@pytest.mark.parametrize("length", [0, 20, 4000])
def test_a_text_is_said_to_be_no_raw_file(tmp_path: Path, length: int) -> None:
    path = tmp_path / "notes.dng"
    path.write_text("n" * length)
    with pytest.raises(RawUnreadable) as caught:
        open_mosaic(path)
    assert caught.value.what.startswith("notes.dng is no raw file that LibRaw knows")
    assert caught.value.todo.startswith("If a camera wrote it: compare it with the copy")


def test_a_file_that_may_not_be_read_says_why(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, _ = _written(tmp_path)

    def refused(*_args: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "open", refused)
    with pytest.raises(RawUnreadable, match=r"cannot be opened.*Permission denied"):
        open_mosaic(path)


def test_a_missing_file_and_a_folder_say_so(tmp_path: Path) -> None:
    for path in (tmp_path / "none.dng", tmp_path):
        with pytest.raises(RawUnreadable):
            open_mosaic(path)


def test_a_name_from_outside_cannot_steer_the_terminal(tmp_path: Path) -> None:
    path = tmp_path / "a\x1b[2Jb.dng"
    path.write_bytes(b"nothing")
    with pytest.raises(RawUnreadable) as caught:
        open_mosaic(path)
    assert "\x1b" not in str(caught.value)


def test_a_truncated_file_is_refused_or_says_what_is_there(tmp_path: Path) -> None:
    path, data = _written(tmp_path)
    whole = path.read_bytes()
    for share in (0.3, 0.6, 0.9):
        path.write_bytes(whole[: int(len(whole) * share)])
        try:
            mosaic = open_mosaic(path)
        except RawUnreadable:
            continue
        assert mosaic.shape == data.shape


def test_a_black_level_above_the_white_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "inverted.dng"
    data = np.full((64, 64), 1000, np.uint16)
    facts = RawFacts(
        TILES["RGGB"], 4000, 1000, (1.0, 1.0, 1.0), (1.0, 1.0, 1.0), 0.1, 8.0, 100.0,
        datetime(2024, 5, 4),
    )  # fmt: skip
    path.write_bytes(write_dng(data, facts))
    with pytest.raises(RawUnreadable):
        open_mosaic(path)
