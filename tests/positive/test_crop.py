"""The crop of a frame whose own edges were not seen."""

from __future__ import annotations

import numpy as np
import pytest

from tether.facts import Corners
from tether.positive.rendering import FEWEST, SPARE, WIDEST, common_outline

WIDTH, HEIGHT = 1440.0, 960.0


def frame(dx: float = 0.0, dy: float = 0.0, degrees: float = 0.0) -> Corners:
    """A frame whose middle is moved, and which is turned about it."""
    turn = np.radians(degrees)
    c, s = np.cos(turn), np.sin(turn)
    corners = [(-1, -1), (1, -1), (1, 1), (-1, 1)]
    half = [(u * WIDTH / 2, v * HEIGHT / 2) for u, v in corners]
    a, b, x, d = (
        (800 + dx + c * u - s * v, 600 + dy + s * u + c * v) for u, v in half
    )  # fmt: skip
    return (a, b, x, d)


def test_frames_that_lie_alike_give_one_outline_with_a_hair_more() -> None:
    found = common_outline([frame()] * FEWEST)
    assert found is not None
    grown = np.abs(np.array(found) - np.array(frame()))
    assert grown == pytest.approx(SPARE * WIDTH)


@pytest.mark.parametrize("degrees", [0.0, 1.0])
def test_it_holds_every_frame_of_the_roll(degrees: float) -> None:
    rng = np.random.default_rng(5)
    frames = [
        frame(rng.uniform(-8, 8), rng.uniform(-8, 8), degrees + rng.uniform(-0.2, 0.2))
        for _ in range(9)
    ]
    found = common_outline(frames)
    assert found is not None
    a, b, _, d = np.array(found)
    u, v = (b - a) / np.hypot(*(b - a)), (d - a) / np.hypot(*(d - a))
    points = np.array(frames).reshape(-1, 2) - a
    assert (points @ u).min() > 0
    assert (points @ v).min() > 0
    assert (points @ u).max() < np.hypot(*(b - a))
    assert (points @ v).max() < np.hypot(*(d - a))
    assert np.hypot(*(b - a)) < WIDTH * (1 + 2 * WIDEST)


def test_too_few_or_scattered_frames_give_none() -> None:
    assert common_outline([]) is None
    assert common_outline([frame()] * (FEWEST - 1)) is None
    assert common_outline([frame()] * 5 + [frame(dx=1.2 * WIDEST * WIDTH)]) is None
    assert common_outline([((5.0, 5.0),) * 4] * 5) is None
