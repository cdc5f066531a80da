"""Sharpness of live view."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from tether.measure.focus.sharpness import PLACES, live_sharpness


def waves(period: float, depth: float, shape: tuple[int, int] = (400, 600)) -> NDArray[np.float32]:
    """Light that ripples across the picture."""
    x = np.arange(shape[1])
    rippled = (1 + depth * np.sin(2 * math.pi * x / period)).astype(np.float32)
    return np.array(np.broadcast_to(rippled, shape))


@pytest.mark.parametrize(("period", "depth"), [(8.0, 0.2), (12.0, 0.4), (5.0, 0.05)])
def test_a_ripple_gives_what_trigonometry_says(period: float, depth: float) -> None:
    # sin(a + 2w) - sin(a) = 2 sin(w) cos(a + w); the mean of cos² over whole periods is 1/2.
    expected = depth * math.sqrt(2) * math.sin(2 * math.pi / period)
    found = live_sharpness(waves(period, depth))
    assert set(found) == set(PLACES)
    assert all(value == pytest.approx(expected, rel=0.05) for value in found.values())


def test_the_strength_of_the_light_does_not_matter() -> None:
    dim, bright = live_sharpness(waves(8, 0.2) * 0.01), live_sharpness(waves(8, 0.2) * 3)
    assert dim["middle"] == pytest.approx(bright["middle"], rel=1e-3)


def test_each_place_is_measured_where_it_is_named() -> None:
    light = np.ones((400, 600), np.float32)
    light[:200, 300:] = waves(6, 0.3)[:200, 300:]
    found = live_sharpness(light)
    assert max(found, key=lambda place: found[place]) == "upper right"
    assert found["lower left"] == 0


def test_blur_lowers_it() -> None:
    rng = np.random.default_rng(3)
    sharp = (1 + 0.2 * rng.standard_normal((300, 450))).astype(np.float32)
    soft = (
        sharp + np.roll(sharp, 1, 0) + np.roll(sharp, 1, 1) + np.roll(sharp, (1, 1), (0, 1))
    ) / np.float32(4)
    for place, value in live_sharpness(soft).items():
        assert value < 0.8 * live_sharpness(sharp)[place]


@pytest.mark.parametrize("light", [np.zeros((300, 400)), np.ones((6, 6)), np.ones((3, 1))])
def test_darkness_and_crumbs_give_nothing(light: np.ndarray) -> None:
    assert set(live_sharpness(light.astype(np.float32)).values()) == {0.0}
