"""The same picture again: against scikit-image's and SciPy's own correlation, and on the bench."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import pearsonr
from skimage.registration import phase_cross_correlation
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.sensor import SensorConfig

from tests.measure.on_bench import photographed
from tether.film import FILM_FORMATS, FilmProcess
from tether.measure.film.same_picture import (
    COLUMNS,
    ROWS,
    UNSEEN,
    compare,
    repeat_findings,
    signature,
)
from tether.measure.framing.position import find_framing, seen_area
from tether.measure.shapes import Quad
from tether.measure.survey import Survey, survey
from tether.settings import AdvanceSettings, FramingSettings


def speckle(seed: int = 1) -> np.ndarray:
    """Return a signature of chance."""
    rng = np.random.default_rng(seed)
    return np.clip(rng.standard_normal((ROWS, COLUMNS)) * 32, -127, 127).astype(np.int8)


def test_the_correlation_is_pearsons() -> None:
    """Reference: scipy.stats.pearsonr."""
    first = speckle()
    second = np.clip(first * 0.6 + speckle(2) * 0.5, -127, 127).astype(np.int8)
    expected = pearsonr(first.ravel().astype(float), second.ravel().astype(float)).statistic
    assert compare(first, second).correlation == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize("shift", [(0, 0), (5, -9), (-3, 12)])
def test_the_shift_is_that_of_scikit_image(shift: tuple[int, int]) -> None:
    """Reference: skimage.registration.phase_cross_correlation, which states the opposite move."""
    first = speckle()
    second = np.roll(first, shift, axis=(0, 1))
    back, _, _ = phase_cross_correlation(first.astype(float), second.astype(float))
    found = compare(first, second)
    assert (-found.shift[1] * ROWS, -found.shift[0] * COLUMNS) == pytest.approx(tuple(back))
    assert found.correlation > 0.99


def test_what_was_out_of_view_does_not_count() -> None:
    first = speckle()
    second = first.copy()
    second[:, : COLUMNS // 3] = UNSEEN
    assert compare(first, second).correlation == pytest.approx(1.0)
    second[:, : COLUMNS - 5] = UNSEEN
    assert compare(first, second).correlation == 0.0


def test_within_its_outline_the_same_picture_lies_at_the_same_place() -> None:
    first = speckle()
    for shift, outlined, same in (
        (0, True, True), (1, True, True), (12, True, False), (12, False, True),
    ):  # fmt: skip
        moved = np.roll(first, shift, axis=1)
        found = repeat_findings(
            moved, [(3, speckle(2)), (4, first)], AdvanceSettings(), [outlined] * 2
        )
        assert [f.text[-8:] for f in found] == ["frame 4."] * same, (shift, outlined)


def test_two_pictures_of_a_like_motif_have_to_agree_better_where_one_is_moved() -> None:
    # Mixed so that they correlate at 0.965: between the limit and what one that is moved needs.
    first, noise = speckle() * 0.6, speckle(2) * 0.6
    other = np.rint(first + noise * np.sqrt(1 / 0.965**2 - 1)).astype(np.int8)
    mark = np.rint(first).astype(np.int8)
    assert compare(mark, other).correlation == pytest.approx(0.965, abs=0.003)
    assert len(repeat_findings(other, [(4, mark)], AdvanceSettings())) == 1
    assert repeat_findings(np.roll(other, 12, axis=1), [(4, mark)], AdvanceSettings()) == []


def test_an_even_picture_has_no_signature() -> None:
    plain = Survey(np.full((4, 200, 300), 0.3, np.float32), 4, ("R", "G1", "B", "G2"))
    assert signature(plain, Quad.whole(1200, 800)) is None
    assert repeat_findings(None, [(1, speckle())], AdvanceSettings()) == []


def taken(bench: CopyStand, seconds: float) -> np.ndarray | None:
    """Photograph what lies in the gate and return its signature."""
    negative = bench.config.process.is_negative
    picture = survey(photographed(bench, CameraExposure(seconds, 8.0, 100.0)))
    scale = bench.view.scale  # as the roll's earlier frames showed it
    framing = find_framing(picture, FILM_FORMATS["135"], negative, FramingSettings(), scale)
    seen = seen_area(picture, negative)
    return signature(picture, framing.picture if framing else seen.shrunk(0.08), seen)


@pytest.mark.parametrize("process", list(FilmProcess))
def test_a_frame_is_known_again_and_no_other_is_taken_for_it(process: FilmProcess) -> None:
    sensor = SensorConfig(width=1152, height=768)
    bench = CopyStand(BenchConfig(process=process, seed=8, sensor=sensor))
    kept: list[tuple[int, np.ndarray]] = []
    for frame in range(1, 13):
        bench.hand.go_to(frame)
        mark = taken(bench, 1 / 15)
        assert mark is not None
        assert repeat_findings(mark, kept, AdvanceSettings()) == [], frame
        kept.append((frame, mark))
    bench.hand.go_to(5)
    (again,) = repeat_findings(taken(bench, 1 / 40), kept, AdvanceSettings())
    assert again.code == "not-advanced"
    assert "frame 5" in again.text
    bench.hand.mishap("slipped")
    bench.hand.go_to(7)
    (moved,) = repeat_findings(taken(bench, 1 / 15), kept, AdvanceSettings())
    assert "frame 7" in moved.text
