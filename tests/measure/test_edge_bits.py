"""The bits of the edge code, against what zxing-cpp writes and reads."""

from __future__ import annotations

import numpy as np
import zxingcpp
from hypothesis import given
from hypothesis import strategies as st
from tether_simulator.film.edges import film_edge_code

from tether.measure.film.edge_code import EdgeBits, frame_label, read_bits

NUMBERS = st.tuples(st.integers(1, 127), st.integers(0, 15), st.integers(0, 63), st.booleans())


def track_of(number: int, extract: int, frame: int, half: bool) -> np.ndarray:
    """Stops of the data track, printed a stop and a half above what is not."""
    return np.where(film_edge_code(number, extract, frame, half)[1], 1.0, -0.5)


@given(NUMBERS)
def test_what_zxing_writes_is_read(numbers: tuple[int, int, int, bool]) -> None:
    number, extract, frame, half = numbers
    text = f"{number}-{extract}/{frame}{'A' if half else ''}"
    code = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.DXFilmEdge)
    data = np.array(code.to_image(scale=1))[-1, 1:-1] < 128
    bits = read_bits(np.where(data, 1.0, 0.0))
    assert bits == EdgeBits(f"{number}-{extract}", frame + 0.5 * half)
    assert bits.text == text


@given(NUMBERS, st.integers(0, 30))
def test_one_module_that_is_wrong_is_noticed(
    numbers: tuple[int, int, int, bool], which: int
) -> None:
    track = track_of(*numbers)
    track[which] = 0.5 - track[which]
    assert read_bits(track) is None


@given(NUMBERS, st.integers(0, 30))
def test_a_module_that_cannot_be_told_is_not_guessed(
    numbers: tuple[int, int, int, bool], which: int
) -> None:
    track = track_of(*numbers)
    track[which] = 0.25
    assert read_bits(track) is None


def test_grain_is_no_code() -> None:
    rng = np.random.default_rng(1)
    read = [read_bits(rng.normal(0, 1, 31)) for _ in range(20_000)]
    # Ten modules never change, two more are always empty, one is the parity, all must be plain.
    assert sum(bits is not None for bits in read) <= 1
    assert read_bits(np.zeros(31)) is None


def test_halves_carry_an_a() -> None:
    assert [frame_label(v) for v in (0.0, 4.0, 4.5, 36.5)] == ["0", "4", "4A", "36A"]
