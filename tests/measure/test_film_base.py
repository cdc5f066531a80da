"""The base of negatives and what stands in for it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.measure.on_bench import NAMES, TILES, plain
from tether.measure.exposure.base import (
    Base,
    base_of,
    common_levels,
    lighter,
    lightest_film_level,
    shows_base,
)
from tether.measure.levels import stops
from tether.measure.shapes import Quad
from tether.measure.survey import survey
from tether.raw import Mosaic

OUTLINE = Quad(((60, 60), (900, 60), (900, 580), (60, 580)))


def _frame(base: float, picture: float = 0.1, outside: float | None = None) -> Mosaic:
    signal = np.full((640, 960), base)
    signal[60:580, 60:900] = picture
    if outside is not None:
        signal[:16] = signal[-16:] = outside
    return plain(signal)


def test_the_rebate_beside_the_outline_is_base() -> None:
    picture = survey(_frame(0.6, outside=1.0))
    base = base_of(picture, OUTLINE, 23.0, math.log2(0.6))
    assert base is not None
    assert base.source == "rebate"
    assert base.ev == pytest.approx(math.log2(0.6), abs=0.01)
    assert not base.clipped


def test_the_strongest_channel_decides() -> None:
    signal = np.full((640, 960), 0.3)
    signal[0::2, 0::2] = 0.7  # red, in an RGGB mosaic
    signal[60:580, 60:900] *= 0.2
    base = base_of(survey(plain(signal)), OUTLINE, 23.0, math.log2(0.3))
    assert base is not None
    assert base.ev == pytest.approx(math.log2(0.7), abs=0.01)
    assert base.signal["B"] == pytest.approx(0.3, abs=0.01)


def test_without_rebate_the_rolls_base_is_used() -> None:
    known = dict.fromkeys(NAMES, 0.55)
    base = base_of(survey(plain(np.full((640, 960), 0.1))), None, None, None, known)
    assert base is not None
    assert (base.source, base.ev) == ("roll", pytest.approx(math.log2(0.55)))


def test_without_either_the_lightest_common_tone_stands_for_it() -> None:
    rng = np.random.default_rng(1)
    signal = 0.02 + 0.1 * rng.random((640, 960))
    signal[200:300, 300:500] = 0.4
    base = base_of(survey(plain(signal)), None, None, None)
    assert base is not None
    assert base.source == "picture"
    assert base.ev == pytest.approx(math.log2(0.4), abs=0.05)


def test_bare_light_at_the_border_and_through_scratches_is_not_base() -> None:
    # A black-and-white base lies about one stop under bare light (density 0.28 = 0.93 stops).
    ev = np.full((200, 300), -4.0, np.float32)
    ev[:20] = -0.1
    ev[20:60] = -0.93
    ev[80:100, 100:200] = -1.0
    ev[:, 150] = -0.1
    assert lightest_film_level(ev) == pytest.approx(-0.93, abs=0.05)


def test_the_lightest_tone_need_not_be_shared_by_many() -> None:
    ramp = np.tile(np.linspace(-5, -0.5, 300, dtype=np.float32), (200, 1))
    # The right end of the middle, or what many pixels share a little above it.
    assert lightest_film_level(ramp) == pytest.approx(-1.25, abs=0.2)


def test_a_saturated_base_says_that_its_level_is_not_known() -> None:
    base = base_of(survey(_frame(1.0, 0.2)), OUTLINE, 23.0, 0.0)
    assert base is not None
    assert base.clipped
    assert base.ev == 0.0


def test_nothing_light_enough() -> None:
    assert base_of(survey(plain(np.full((640, 960), 1e-4))), None, None, None) is None


def test_levels_are_those_that_many_pixels_share() -> None:
    rng = np.random.default_rng(2)
    ev = rng.uniform(-8.5, -3, (300, 400)).astype(np.float32)
    ev[:60] = -0.5 + 0.01 * rng.standard_normal((60, 400))
    ev[60:100] = -1.5 + 0.01 * rng.standard_normal((40, 400))
    assert common_levels(ev)[:2] == pytest.approx([-0.5, -1.5], abs=0.03)


def test_the_lightest_of_several_pictures_comes_nearer_to_the_base() -> None:
    mine = Base(dict.fromkeys(NAMES, 0.3), "picture", clipped=False)
    better = lighter(mine, dict.fromkeys(NAMES, 0.5))
    assert better is not None
    assert better.ev == pytest.approx(-1.0)
    assert lighter(mine, dict.fromkeys(NAMES, 0.2)) is mine
    sure = Base(dict.fromkeys(NAMES, 0.3), "rebate", clipped=False)
    assert lighter(sure, dict.fromkeys(NAMES, 0.5)) is sure
    # An even border darker than film of this roll was is no rebate; within falloff it is.
    border = lighter(sure, dict.fromkeys(NAMES, 0.5), outlined=False)
    assert border is not None
    assert (border.source, border.signal["G1"]) == ("picture", 0.5)
    near = {name: 1.1 * value for name, value in sure.signal.items()}
    assert lighter(sure, near, outlined=False) is sure
    of_roll = Base(sure.signal, "roll", clipped=False)
    assert lighter(of_roll, dict.fromkeys(NAMES, 0.5), outlined=False) is of_roll


def test_whether_the_rolls_base_is_in_view() -> None:
    # Bare light above and below, a rebate of 0.6, and the same with a lamp a stop and a half down.
    lit, dim = (survey(_frame(0.6 * part, 0.1 * part, 1.0)) for part in (1.0, 2**-1.5))
    known = dict.fromkeys(NAMES, 0.6)
    assert shows_base(lit, known)
    assert shows_base(lit, dict.fromkeys(NAMES, 0.6 * 2**0.7))  # falloff
    assert not shows_base(dim, known)
    assert shows_base(survey(plain(np.full((640, 960), 0.95))), known)  # no film in the gate


@pytest.mark.parametrize("phase", TILES)
def test_any_phase_of_the_mosaic(phase: str) -> None:
    pattern = np.array(TILES[phase])
    signal = np.full((640, 960), 0.5)
    for row in range(2):
        for column in range(2):
            if pattern[row, column] == 2:
                signal[row::2, column::2] = 0.25
    signal[60:580, 60:900] *= 0.2
    data = np.rint(512 + signal * 15_688).astype(np.uint16)
    mosaic = Mosaic(data, pattern, NAMES, (512.0,) * 4, (16_200.0,) * 4)
    base = base_of(survey(mosaic), OUTLINE, 23.0, -1.0)
    assert base is not None
    assert base.signal["B"] == pytest.approx(0.25, abs=0.002)
    assert float(stops(base.signal["R"])) == pytest.approx(-1.0, abs=0.01)


@pytest.mark.parametrize("outside", [None, 1.0])
def test_an_even_border_of_other_proportions_is_rebate(outside: float | None) -> None:
    signal = np.full((640, 960), 0.6)
    signal[50:590, 120:840] = np.linspace(0.05, 0.3, 720)
    if outside:
        signal[:8, 200:300] = signal[-8:, 500:600] = outside
    base = base_of(survey(plain(signal)), None, None, None)
    assert base is not None
    assert base.source == "rebate"
    assert base.ev == pytest.approx(math.log2(0.6), abs=0.02)


def test_an_even_field_is_no_border() -> None:
    base = base_of(survey(plain(np.full((640, 960), 0.6))), None, None, None)
    assert base is not None
    assert base.source == "picture"


def test_bare_light_on_three_sides_at_the_end_of_a_strip_is_no_base() -> None:
    signal = np.full((640, 960), 0.2)
    signal[80:560, 160:] = np.linspace(0.02, 0.4, 800)
    signal[:60] = signal[-60:] = signal[:, :120] = 1.0
    base = base_of(survey(plain(signal)), None, None, None)
    assert base is not None
    assert not base.clipped
    assert base.source == "picture"
    # Where the middle of the view shows as much light, the border can be base for all that.
    signal[240:400, 400:560] = 1.0
    base = base_of(survey(plain(signal)), None, None, None)
    assert base is not None
    assert base.clipped
