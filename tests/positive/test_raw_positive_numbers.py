"""The numbers of raw positives: tables against their formula, geometry and gain maps."""

from __future__ import annotations

import math
import struct
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageOps

from tether.film import FilmProcess
from tether.positive.geometry import Placement, upright
from tether.positive.raw_positive.placing import (
    PADDING,
    Crop,
    crop_around,
    gain_maps,
    headroom_for,
    orientation,
)
from tether.positive.raw_positive.tables import (
    TOP,
    computed,
    light_of_samples,
    one_table,
    power_of_light,
    print_lines,
)
from tether.positive.rendering import Balance, Rendering
from tether.raw import Mosaic
from tether.settings import PositiveSettings

BW, COLOUR = FilmProcess.BW_NEGATIVE, FilmProcess.COLOUR_NEGATIVE
BAYER = np.array([[0, 1], [3, 2]])
NAMES = ("R", "G1", "B", "G2")


def mosaic_of(black: tuple[float, ...] = (512.0,) * 4, white: float = 16_200.0) -> Mosaic:
    """Every raw value that a camera of 14 bits has, in every channel."""
    column = np.repeat(np.arange(2**14, dtype=np.uint16), 2)
    return Mosaic(np.stack([column] * 2), BAYER, NAMES, black, (white,) * 4)


def rendering_of(
    process: FilmProcess = FilmProcess.BW_NEGATIVE, contrast: float = 1.8
) -> Rendering:
    return Rendering(
        process, (0.41, 0.70, 0.48), settings=replace(PositiveSettings(), contrast=contrast)
    )


@settings(deadline=None, max_examples=25)
@given(
    contrast=st.floats(0.6, 3.0),
    base=st.tuples(*[st.floats(0.05, 0.9)] * 3),
    black=st.floats(0, 2000),
    shift=st.floats(-0.5, 0.5),
)
def test_a_balanced_reader_sees_k_times_base_over_x_to_the_gamma(
    contrast: float, base: tuple[float, float, float], black: float, shift: float
) -> None:
    mosaic = mosaic_of((black,) * 4)
    rendering = replace(rendering_of(contrast=contrast), base=base, shift=shift)
    made = one_table(print_lines(rendering, mosaic), mosaic)
    assert made.gamma == pytest.approx(contrast)
    assert max(made.neutral) == 1.0
    raw = np.arange(math.ceil(black) + 1, 2**14)
    for colour, signal in enumerate(base):
        x = (raw - black) / (16_200.0 - black)
        # Mid-grey (0.18) lies at the density of the settings; light rises with 10^(gamma D).
        k = 0.18 * 10 ** (contrast * (shift - rendering.settings.mid_density))
        wanted = k * (signal / x) ** contrast
        seen = made.table[raw] / TOP / made.neutral[colour]
        inside = wanted * made.neutral[colour] < 1
        np.testing.assert_allclose(
            seen[inside], wanted[inside], atol=0.501 / TOP / made.neutral[colour]
        )
    assert np.all(np.diff(made.table.astype(int)) <= 0)
    assert np.all(made.table[: math.floor(black) + 1] == TOP)


@pytest.mark.parametrize("headroom", [1.0, 4.0])
def test_rounding_is_what_is_stated(headroom: float) -> None:
    mosaic = mosaic_of()
    rendering = rendering_of()
    made = one_table(print_lines(rendering, mosaic), mosaic, headroom)
    raw = np.arange(513.0, 2**14)
    exact = TOP * 0.18 / headroom  # of the channel with neutral 1, at mid-grey
    line = min(print_lines(rendering, mosaic).values(), key=lambda one: one.base)
    grey = line.base * 10**-line.density_of_grey
    back = 512 + grey * (exact / np.maximum(made.table[raw.astype(int)], 1)) ** (1 / made.gamma)
    usable = made.table[raw.astype(int)] < TOP
    error = np.abs(back - raw)
    for of in print_lines(rendering, mosaic).values():
        density = np.log10(of.base / (raw - 512))
        assert np.all(error[usable & (density > made.exact_from + 0.01)] < 0.25)
    widest = max(print_lines(rendering, mosaic).values(), key=lambda one: one.base)
    near = np.abs(raw - 512 - widest.base) < 200
    assert error[near].max() == pytest.approx(made.rounding_at_base, rel=0.1)


def test_black_and_gamma_that_one_table_cannot_have_are_stated() -> None:
    mosaic = mosaic_of((500.0, 512.0, 520.0, 516.0))
    made = one_table(print_lines(rendering_of(), mosaic), mosaic)
    assert made.black == pytest.approx(512)
    assert made.black_off == pytest.approx(12)
    colour = replace(
        rendering_of(FilmProcess.COLOUR_NEGATIVE),
        balance=Balance((1.2, 1.0, 0.8), (0.05, 0.0, -0.02)),
    )
    lines = print_lines(colour, mosaic_of())
    made = one_table(lines, mosaic_of())
    assert made.gamma_off == pytest.approx(0.36)
    for number, name in enumerate(("R", "G1", "B")):
        line = lines[name]
        raw = 512 + line.base * 10**-line.density_of_grey
        seen = np.interp(raw, np.arange(65536), made.table) / TOP / made.neutral[number]
        assert seen == pytest.approx(0.18, rel=0.01), "each channel is met at mid-grey"


def test_computed_values_are_the_print_s_in_every_channel() -> None:
    mosaic = mosaic_of()
    rendering = replace(
        rendering_of(FilmProcess.COLOUR_NEGATIVE),
        balance=Balance((1.1, 1.0, 0.9), (0.03, 0.0, -0.01)),
    )
    values = computed(mosaic, print_lines(rendering, mosaic), None)
    for (y, x), colour in {(0, 0): 0, (0, 1): 1, (1, 0): 1, (1, 1): 2}.items():
        raw = mosaic.data[y::2, x::2].astype(float)
        signal = np.maximum(raw - 512, 1e-9) / (16_200 - 512)
        density = np.log10(rendering.base[colour] / signal)
        gain, offset = rendering.balance.gains[colour], rendering.balance.offsets[colour]
        log = 1.8 * (gain * density + offset - rendering.settings.mid_density)
        wanted = np.minimum(0.18 * 10 ** np.minimum(log, 3) * TOP, TOP)
        np.testing.assert_allclose(values[y::2, x::2], wanted, atol=0.51, rtol=1e-5)


def test_an_uneven_light_is_evened_out_as_its_gain_map_would() -> None:
    """A grey film in half the light looks the same, computed, and by table and gain."""
    mosaic = mosaic_of()
    rendering = rendering_of()
    lines = print_lines(rendering, mosaic)
    gains = power_of_light(np.full((3, 2, 3), 0.5, np.float32), [1.8] * 3)
    dim = replace(mosaic, data=((mosaic.data.astype(int) - 512) // 2 + 512).astype(np.uint16))
    np.testing.assert_allclose(
        computed(dim, lines, gains)[:, 3000:].astype(float),
        computed(mosaic, lines, None)[:, 3000:].astype(float),
        rtol=0.002,
        atol=1,
    )
    crop = Crop(0, 0, 100, 2)
    headroom = headroom_for(gains, crop, mosaic.shape)
    assert headroom == pytest.approx(2**1.8)
    even = one_table(lines, mosaic).table[3000]
    assert one_table(lines, mosaic, headroom).table[3000] == pytest.approx(even / headroom, abs=1)


def test_a_base_at_black_and_other_colours_are_refused() -> None:
    with pytest.raises(ValueError, match="is at black"):
        print_lines(replace(rendering_of(), base=(0.5, 0.0, 0.5)), mosaic_of())
    with pytest.raises(ValueError, match="none of red, green and blue"):
        print_lines(rendering_of(), replace(mosaic_of(), channels=("C", "M", "Y", "G")))


def test_the_light_that_a_frame_reaches_is_read_from_its_samples() -> None:
    rendering = rendering_of()
    white = rendering.settings.mid_density + math.log10(1 / 0.18) / 1.8
    r, g, b = (b * 10**-white for b in rendering.base)
    signal = [(r, g, b)] * 50
    assert light_of_samples(rendering, signal) == pytest.approx(1.0)
    assert light_of_samples(rendering, []) == 0.0


@pytest.mark.parametrize("mirrored", [True, False])
@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_orientation_is_read_by_others_as_the_positive_lies(turn: int, mirrored: bool) -> None:
    """Pillow turns a picture by its orientation as Exif (CIPA DC-008, 4.6.4) has it."""
    picture = np.arange(6 * 4, dtype=np.uint16).reshape(4, 6)
    place = Placement(slice(0, 4), slice(0, 6), 0.0, (4, 6), (3.0, 2.0))
    shown = picture[:, ::-1] if mirrored else picture
    ours = upright(shown, place, mirrored=mirrored, turn=turn)
    image = Image.fromarray(picture.astype(np.uint8))
    exif = image.getexif()
    exif[274] = orientation(turn, mirrored=mirrored)
    image.info["exif"] = exif.tobytes()
    assert np.array_equal(np.asarray(ImageOps.exif_transpose(image)), ours)


def test_the_crop_holds_the_picture_with_room_and_padding() -> None:
    outline = ((100.0, 60.0), (500.0, 64.0), (498.0, 330.0), (98.0, 326.0))
    crop = crop_around(outline, (400, 600), 0.02)
    assert (crop.left, crop.top) == (89, 51)
    assert (crop.left + crop.width, crop.top + crop.height) == (509, 339)
    whole = crop_around(None, (400, 600), 0.02)
    assert whole == Crop(PADDING, PADDING, 600 - 2 * PADDING, 400 - 2 * PADDING)
    wide = tuple((x * 3 - 500, y * 3 - 300) for x, y in outline)
    a, b, c, d = wide
    assert crop_around((a, b, c, d), (400, 600), 0.02) == whole
    spot = ((5.0, 5.0), (6.0, 5.0), (6.0, 6.0), (5.0, 6.0))
    assert crop_around(spot, (400, 600), 0.02) == whole, "what is no picture is not cropped to"


def test_a_gain_map_names_each_place_of_the_tile_and_its_gains() -> None:
    """Opcode list and opcode 9 as the DNG specification 1.4, chapter 7, lays them out."""
    gains = np.arange(3 * 2 * 4, dtype=np.float32).reshape(3, 2, 4) + 1
    data = gain_maps(gains, np.array([[0, 1], [1, 2]]), (100, 200))
    (count,) = struct.unpack_from(">I", data)
    assert count == 4
    at = 4
    for (y, x), colour in (((0, 0), 0), ((0, 1), 1), ((1, 0), 1), ((1, 1), 2)):
        number, version, _, length = struct.unpack_from(">4I", data, at)
        assert (number, version) == (9, 0x01030000)
        area = struct.unpack_from(">10I4dI", data, at + 16)
        assert area[:4] == (y, x, 100, 200)
        assert area[4:10] == (0, 1, 2, 2, 2, 4)
        assert area[10:] == (0.5, 0.25, 0.25, 0.125, 1)
        found = np.frombuffer(data, ">f4", 8, at + 16 + 76)
        assert np.array_equal(found.reshape(2, 4), gains[colour])
        at += 16 + length
    assert at == len(data)
