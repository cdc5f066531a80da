"""The pictures on the film."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from tether_simulator.film.canvas import Canvas
from tether_simulator.film.scenes import SCENES, paint

SIZE = (180, 120)


@pytest.mark.parametrize("scene", SCENES, ids=lambda scene: scene.__name__)
def test_a_scene_is_finite_and_has_something_in_it(scene: Callable[[Canvas], None]) -> None:
    canvas = Canvas(*SIZE, np.random.default_rng(5))
    scene(canvas)
    log = canvas.log_exposure()
    assert log.shape == (3, 120, 180)
    assert np.isfinite(log).all()
    assert np.ptp(np.percentile(log[1], [1, 99])) > 0.2


def test_a_roll_spans_a_wide_range_of_light() -> None:
    # Eleven frames hold night, a room with a window and snow: more than ten stops together.
    logs = np.stack([paint(frame, 1, *SIZE, colour=True)[1] for frame in range(1, 12)])
    low, high = np.percentile(logs, [1, 99])
    assert (high - low) / np.log10(2) > 7


def test_eleven_frames_show_every_scene_once_and_the_same_again() -> None:
    one = [paint(frame, 4, *SIZE, colour=False) for frame in range(1, 12)]
    two = [paint(frame, 4, *SIZE, colour=False) for frame in range(1, 12)]
    assert all(np.array_equal(a, b) for a, b in zip(one, two, strict=True))
    for index, a in enumerate(one):
        for b in one[index + 1 :]:
            assert np.corrcoef(a[1].ravel(), b[1].ravel())[0, 1] < 0.98


def test_panchromatic_film_sees_no_colour() -> None:
    grey = paint(1, 4, *SIZE, colour=False)
    assert np.array_equal(grey[0], grey[1])
    assert np.array_equal(grey[0], grey[2])


def test_no_scene_is_its_own_mirror_image() -> None:
    for frame in range(1, 12):
        log = paint(frame, 2, *SIZE, colour=False)[1]
        assert np.abs(log - log[:, ::-1]).mean() > 0.02
