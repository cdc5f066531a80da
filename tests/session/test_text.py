"""Numbers made pleasant to read."""

from __future__ import annotations

import pytest

from tether.text import percent


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.0, "0 %"),
        (4e-7, "under 0.001 %"),
        (1.3e-4, "0.013 %"),
        (0.0028, "0.28 %"),
        (0.056, "5.6 %"),
        (0.1471, "15 %"),
        (1.0, "100 %"),
    ],
)
def test_a_share_is_as_exact_as_it_is_of_use(share: float, words: str) -> None:
    assert percent(share) == words
