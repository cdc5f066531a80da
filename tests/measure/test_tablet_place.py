"""Tablets drawn in any arrangement are found where they were put."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tether.measure.density import find_tablet, read_steps

LIT = np.ones((200, 300), bool)


def drawn(
    rows: int, columns: int, surround: float, turn: tuple[bool, bool], noise: float = 0.0
) -> np.ndarray:
    """Draw steps of 0.15 from 0.05 into the middle of a plane of densities."""
    steps = 0.05 + 0.15 * np.arange(rows * columns).reshape(rows, columns)
    steps = steps[:: -1 if turn[0] else 1, :: -1 if turn[1] else 1]
    plane = np.full(LIT.shape, surround, np.float32)
    # Up to 7 rows of 22 pixels, up to 21 columns of 12.
    high, wide = 140 // rows, 252 // columns
    tablet = np.kron(steps, np.ones((high, wide)))
    plane[30 : 30 + high * rows, 24 : 24 + wide * columns] = tablet
    rng = np.random.default_rng(3)
    return (plane + rng.normal(0, noise, plane.shape)).astype(np.float32)


@given(
    st.sampled_from([(1, 21), (3, 7), (7, 3), (2, 8), (1, 11), (4, 4)]),
    st.sampled_from([0.0, 0.05]),
    st.tuples(st.booleans(), st.booleans()),
)
def test_found_in_any_arrangement_from_any_corner(
    shape: tuple[int, int], surround: float, turn: tuple[bool, bool]
) -> None:
    plane = drawn(*shape, surround, turn, noise=0.01)
    placed = find_tablet(plane, LIT, shape[0] * shape[1])
    assert placed is not None
    assert (placed.rows, placed.columns) == shape
    read = read_steps(plane, placed.boxes)
    np.testing.assert_allclose(read, 0.05 + 0.15 * np.arange(len(read)), atol=0.02)


def test_a_tablet_that_stands_upright() -> None:
    plane = drawn(1, 21, 0.05, (False, True)).T.copy()
    placed = find_tablet(plane, LIT.T.copy(), 21)
    assert placed is not None
    assert (placed.rows, placed.columns) == (21, 1)


def test_what_lies_behind_the_gates_mask_does_not_count() -> None:
    plane = drawn(3, 7, 0.05, (False, False))
    lit = LIT.copy()
    lit[:20] = lit[:, -12:] = False
    plane[~lit] = 2.0
    assert find_tablet(plane, lit, 21) is not None


@pytest.mark.parametrize("steps", [20, 22, 15])
def test_another_number_of_steps_is_not_made_to_fit(steps: int) -> None:
    assert find_tablet(drawn(3, 7, 0.0, (False, False)), LIT, steps) is None


def test_no_tablet_is_none() -> None:
    rng = np.random.default_rng(1)
    assert find_tablet(np.zeros(LIT.shape, np.float32), LIT, 21) is None
    assert find_tablet(rng.random(LIT.shape, np.float32) * 3, LIT, 21) is None
    slope = np.tile(np.linspace(0, 3, 300, dtype=np.float32), (200, 1))
    slope += rng.normal(0, 0.3, slope.shape).astype(np.float32)
    assert find_tablet(slope, LIT, 21) is None
    assert find_tablet(slope, np.zeros_like(LIT), 21) is None
