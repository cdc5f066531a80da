"""How far film moved between two live pictures, against known moves and scikit-image."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.registration import phase_cross_correlation

from tests.film_scenes import Scene, Strip
from tether.measure.film.movement import BANDS, film_bands, shift_between

SCENE = Scene()
SCALE = SCENE.scale


def inside(picture: np.ndarray) -> np.ndarray:
    """Leave out the gate's mask, which does not move."""
    return picture[12:-12, 8:-8]


def strip(rng: np.random.Generator) -> Strip:
    return Strip(SCENE, range(6), rng)


@pytest.mark.parametrize("moved_mm", [0.0, 0.05, -0.73, 3.1, -9.4, 17.0])
def test_a_known_move_is_measured_within_a_tenth_of_a_millimetre(moved_mm: float) -> None:
    rng = np.random.default_rng(3)
    film = strip(rng)
    before, after = (film_bands(inside(film.still(at, rng))) for at in (95.0, 95.0 - moved_mm))
    found = shift_between(before, after)
    assert found.pixels / SCALE == pytest.approx(moved_mm, abs=0.1)
    assert found.likeness > 0.5


def test_it_agrees_with_the_phase_correlation_of_scikit_image() -> None:
    rng = np.random.default_rng(4)
    film = strip(rng)
    for at, moved in ((57.0, 1.0), (95.0, -2.3), (133.0, 4.2)):
        before, after = (inside(film.still(a, rng)) for a in (at, at - moved))
        inner = (slice(20, -20), slice(20, -20))
        reference, _, _ = phase_cross_correlation(after[inner], before[inner], upsample_factor=20)
        ours = shift_between(film_bands(before), film_bands(after))
        assert ours.pixels == pytest.approx(reference[1], abs=1.0)


def test_film_that_runs_up_and_down_the_picture() -> None:
    rng = np.random.default_rng(5)
    film = strip(rng)
    before, after = (
        film_bands(np.ascontiguousarray(inside(film.still(at, rng)).T), along_rows=False)
        for at in (95.0, 93.0)
    )
    assert before.shape[0] == BANDS
    assert shift_between(before, after).pixels / SCALE == pytest.approx(2.0, abs=0.1)


def test_other_light_moves_nothing() -> None:
    rng = np.random.default_rng(6)
    film = strip(rng)
    picture = inside(film.still(95.0, rng))
    found = shift_between(film_bands(picture), film_bands(np.clip(0.5 * picture, 0, 1)))
    assert abs(found.pixels) < 0.5


def test_pictures_of_nothing_are_alike_in_nothing() -> None:
    flat = film_bands(np.full((240, 320), 0.4, np.float32))
    assert shift_between(flat, flat).likeness == 0.0
