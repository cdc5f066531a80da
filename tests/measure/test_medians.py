"""Medians of rows, against NumPy's own."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as made

from tether.measure.levels import row_medians

SHAPES = st.tuples(st.integers(1, 5), st.integers(1, 40))


@given(made.arrays(np.float32, SHAPES, elements=st.floats(-1e6, 1e6, width=32)))
def test_as_numpy_has_it(rows: np.ndarray) -> None:
    assert np.array_equal(row_medians(rows), np.median(rows, axis=1))
    assert row_medians(rows).dtype == np.float32
