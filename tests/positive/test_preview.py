"""The small positive for the screen."""

from __future__ import annotations

import numpy as np
import pytest

from tether.film import FilmProcess
from tether.positive.tones import preview
from tether.settings import PositiveSettings

BASE = (0.5, 0.6, 0.4)


def picture(*, height: int = 40, width: int = 60, density: float = 0.78) -> np.ndarray:
    return np.full((height, width, 3), np.array(BASE, np.float32) * np.float32(10**-density))


@pytest.mark.parametrize("process", [FilmProcess.BW_NEGATIVE, FilmProcess.COLOUR_NEGATIVE])
def test_film_at_mid_density_shows_mid_grey(process: FilmProcess) -> None:
    seen = preview(picture(density=PositiveSettings().mid_density), process, BASE)
    # 18 per cent is 118 in sRGB (IEC 61966-2-1: 1.055 * 0.18 ** (1 / 2.4) - 0.055 = 0.461); the
    # black of black-and-white film takes the light of its base off, here two values.
    assert np.abs(seen.astype(int) - 118).max() <= 2


def test_denser_film_of_a_negative_is_lighter_and_of_a_transparency_darker() -> None:
    left_dense = picture()
    left_dense[:, :20] *= np.float32(0.3)
    for process, sign in ((FilmProcess.BW_NEGATIVE, 1), (FilmProcess.TRANSPARENCY, -1)):
        seen = preview(left_dense, process, BASE, mirrored=False).astype(int)
        assert np.sign(seen[20, 5, 1] - seen[20, 55, 1]) == sign


def test_the_picture_is_mirrored_back_and_then_turned_clockwise() -> None:
    corner = picture()
    corner[:10, :10] *= np.float32(0.1)  # top left on the sensor: top right on the positive
    seen = preview(corner, FilmProcess.BW_NEGATIVE, BASE)
    assert seen[2, 57, 0] > seen[2, 2, 0]
    turned = preview(corner, FilmProcess.BW_NEGATIVE, BASE, turn=90)
    assert turned.shape == (60, 40, 3)
    assert turned[57, 37, 0] > turned[2, 2, 0]  # top right goes to bottom right


def test_saturated_spots_are_hatched_so_that_it_reads_without_colour() -> None:
    spot = picture()
    spot[10:30, 20:40, 1] = 1.0
    seen = preview(spot, FilmProcess.COLOUR_NEGATIVE, BASE, mirrored=False).astype(int)
    light = seen[10:30, 20:40] @ [0.2126, 0.7152, 0.0722]
    assert light.min() < 5
    assert light.max() > 120
    assert np.ptp(seen[:, :15].reshape(-1, 3), axis=0).max() == 0
    plain = preview(spot, FilmProcess.COLOUR_NEGATIVE, BASE, mirrored=False, hatch=0)
    assert np.ptp(plain[10:30, 20:40].reshape(-1, 3).astype(int), axis=0).max() == 0


def test_without_a_base_the_lightest_film_is_taken_and_bare_light_left_out() -> None:
    strip = picture()
    strip[:8] = np.array(BASE, np.float32)
    strip[:2, ::4] = 1.0  # light through perforations
    seen = preview(strip, FilmProcess.BW_NEGATIVE, None, hatch=0)
    known = preview(strip, FilmProcess.BW_NEGATIVE, BASE, hatch=0)
    assert np.abs(seen.astype(int) - known.astype(int)).max() <= 2


def test_wrong_shapes_are_refused() -> None:
    with pytest.raises(ValueError, match="shape"):
        preview(np.zeros((4, 4), np.float32), FilmProcess.BW_NEGATIVE)
    with pytest.raises(ValueError, match="turn"):
        preview(picture(), FilmProcess.BW_NEGATIVE, turn=45)
