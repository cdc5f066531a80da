"""Step tablets: what is read against what is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tether.measure.density import read_steps, tablet_boxes, tablet_report


def test_a_perfect_reading() -> None:
    # 21 steps of 0.15 (common practice, no published source).
    report = tablet_report([0.05 + 0.15 * n for n in range(21)])
    assert report.slope == pytest.approx(1)
    assert report.offset == pytest.approx(0, abs=1e-9)
    assert report.largest_error == pytest.approx(0, abs=1e-9)
    assert report.density_range == pytest.approx(3.0)
    assert report.monotonic
    assert report.dense_from is None


def test_stray_light_bends_the_dense_end() -> None:
    known = np.array([0.05 + 0.15 * n for n in range(21)])
    stray = 0.002
    read = -np.log10((10**-known + stray) / (1 + stray))
    report = tablet_report(list(read))
    # A share s of stray light leaves -log10((T + s) / (1 + s)): 0.1 is lost where T = s / 0.26.
    lost = next(n for n in range(21) if 10 ** -known[n] < stray / (10**0.1 - 1))
    assert report.dense_from is not None
    assert abs(report.dense_from - lost) <= 1
    assert report.slope < 1


def test_steps_out_of_order_are_told() -> None:
    assert not tablet_report([0.1, 0.2, 0.19, 0.5], [0.1, 0.2, 0.3, 0.4]).monotonic


@given(st.floats(0.5, 1.5), st.floats(-0.2, 0.2), st.integers(3, 31))
def test_a_straight_line_comes_back(slope: float, offset: float, count: int) -> None:
    known = [0.05 + 0.15 * n for n in range(count)]
    report = tablet_report([slope * k + offset for k in known], known)
    assert report.slope == pytest.approx(slope)
    assert report.offset == pytest.approx(offset, abs=1e-9)


def test_boxes_lie_inside_their_patches() -> None:
    plane = np.repeat(np.repeat(np.arange(21.0).reshape(3, 7), 40, axis=0), 30, axis=1)
    assert read_steps(plane, tablet_boxes((0, 0, 210, 120))) == tuple(range(21))


@pytest.mark.parametrize(("read", "known"), [([0.1, 0.2], [0.1, 0.2]), ([0.1] * 4, [0.1] * 3)])
def test_what_is_no_tablet_is_refused(read: list[float], known: list[float]) -> None:
    with pytest.raises(ValueError, match="at least three steps"):
        tablet_report(read, known)
