"""Dust that stays in place: spots found, matched, and told from pictures and from film."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure

from tests.measure.on_bench import photographed, plain
from tether.film import FilmProcess
from tether.measure.film.dust import _box, compare_dust, find_spots, lasting_spots

HEIGHT, WIDTH = 800, 1200


def field(spots: list[tuple[float, float, float]], seed: int = 0) -> NDArray[np.float64]:
    """Return an even field with soft round spots (row, column, stops) and a little noise."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    stops = np.zeros((HEIGHT, WIDTH))
    for row, column, depth in spots:
        distance = np.hypot(y - row * HEIGHT, x - column * WIDTH)
        stops -= depth / (1 + np.exp(np.clip((distance - 4) * 1.5, -50, 50)))
    noise = np.random.default_rng(seed).normal(1, 0.01, (HEIGHT, WIDTH))
    return 0.4 * 2**stops * noise


def test_a_spot_is_found_where_it_is_and_as_deep_as_it_is() -> None:
    spots = find_spots(plain(field([(0.25, 0.6, 0.8)])))
    assert len(spots) == 1
    assert spots[0, :2] == pytest.approx((0.25, 0.6), abs=0.004)
    # The mean of three by three binned photosites rounds the bottom of the spot off a little.
    assert spots[0, 2] == pytest.approx(0.8, abs=0.12)


def test_edges_lines_and_falloff_are_no_spots() -> None:
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    step = np.where(x < 500, 0.1, 0.5)
    line = np.where(np.abs(y - 300) < 3, 0.1, 0.5)
    falloff = 0.5 - 0.2 * np.hypot(x / WIDTH - 0.5, y / HEIGHT - 0.5)
    for picture in (step, line, falloff):
        assert len(find_spots(plain(picture.astype(float)))) == 0


def test_the_smoothing_is_that_of_scipy() -> None:
    plane = np.random.default_rng(1).random((20, 30)).astype(np.float32)
    # scipy.ndimage.uniform_filter1d as the reference; ours leaves the borders as they are.
    for axis in (0, 1):
        inner = np.s_[1:-1, :] if axis == 0 else np.s_[:, 1:-1]
        expected = ndimage.uniform_filter1d(plane, 3, axis=axis)
        assert _box(plane, axis)[inner] == pytest.approx(expected[inner], abs=1e-6)


def test_only_the_region_is_looked_at() -> None:
    mosaic = plain(field([(0.1, 0.1, 0.8), (0.5, 0.5, 0.8)]))
    spots = find_spots(mosaic, (slice(201, 700), slice(201, 1000)))
    assert len(spots) == 1
    assert spots[0, :2] == pytest.approx((0.5, 0.5), abs=0.004)


def test_what_stays_is_dust_and_what_moves_is_not() -> None:
    stays = (0.3, 0.3, 0.5)
    frames = [
        find_spots(plain(field([stays, (0.1 + 0.2 * n, 0.8 - 0.15 * n, 0.6)], seed=n)))
        for n in range(4)
    ]
    assert compare_dust(frames[1], frames[:1]) == []
    (finding,) = compare_dust(frames[3], frames[:3])
    assert finding.code == "dust-not-on-film"
    assert finding.value == 1
    assert "at the left" in finding.text
    assert lasting_spots(frames[3], frames[:3])[0, :2] == pytest.approx(stays[:2], abs=0.004)


def test_a_spot_of_another_depth_is_another_spot() -> None:
    frames = [find_spots(plain(field([(0.3, 0.3, depth)]))) for depth in (1.5, 0.4, 1.5)]
    assert compare_dust(frames[2], frames[:2]) == []


def test_frames_full_of_spots_need_more_evidence() -> None:
    rng = np.random.default_rng(4)
    frames = [
        np.column_stack([rng.random((150, 2)), rng.uniform(0.2, 0.6, 150)]).astype(np.float32)
        for _ in range(30)
    ]
    false = sum(bool(compare_dust(f, frames[max(0, n - 6) : n])) for n, f in enumerate(frames))
    assert false == 0
    one = np.array([[0.4, 0.4, 0.5]], np.float32)
    dusty = [np.concatenate([one, f]) for f in frames[:7]]
    assert compare_dust(dusty[2], dusty[:2]) == []
    assert compare_dust(dusty[6], dusty[:6]) != []


def test_the_same_picture_again_is_no_dust() -> None:
    rng = np.random.default_rng(5)
    same = np.column_stack([rng.random((60, 2)), rng.uniform(0.2, 0.6, 60)]).astype(np.float32)
    assert compare_dust(same, [same, same, same]) == []


def test_nothing_to_see_says_nothing() -> None:
    for signal in (0.0, 0.3, 1.0):
        none = find_spots(plain(np.full((HEIGHT, WIDTH), signal)))
        assert none.shape == (0, 3)
        assert compare_dust(none, [none, none, none]) == []


def test_on_the_bench() -> None:
    for mishap, expected in ((None, False), ("dust-on-lens", True)):
        bench = CopyStand(BenchConfig(process=FilmProcess.BW_NEGATIVE, seed=6, frames=8))
        seen: list[NDArray[np.float32]] = []
        told = []
        for frame in range(1, 9):
            bench.hand.go_to(frame)
            if mishap:
                bench.hand.mishap(mishap)
            mosaic = photographed(bench, CameraExposure(1 / 20, 8, 100))
            spots = find_spots(mosaic, (slice(80, 944), slice(80, 1456)))
            told += compare_dust(spots, seen)
            seen.append(spots)
        assert bool(told) is expected
