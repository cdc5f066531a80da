"""Renderings: which outlines are trusted, and digests that tell changes apart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tether.facts import Facts
from tether.film import FilmProcess
from tether.positive.rendering import (
    Brief,
    Rendering,
    evening,
    outline_of,
    roll_balance,
    roll_base,
    roll_renderings,
    roll_white,
)
from tether.positive.sample import Sample
from tether.settings import PositiveSettings

GOOD = {
    "corners": [[10, 10], [1490, 12], [1488, 1000], [8, 998]],
    "seen": ["left", "top", "right"],
    "missing_mm": {"left": 0.0, "bottom": 0.4},
}


def test_a_sure_outline_is_taken() -> None:
    found = outline_of(Facts.read({"framing": GOOD}).framing)
    assert found is not None
    assert found[1] == (1490.0, 12.0)


@pytest.mark.parametrize(
    "wrong",
    [
        {"seen": ["left", "top"]},
        {"missing_mm": {"bottom": 19.6}},
        {"missing_mm": {"bottom": None}},
        {"corners": [[10, 10], [1490, 12], [1488, 1000]]},
        {"corners": [[10, 10], [1490, "x"], [1488, 1000], [8, 998]]},
        {"corners": [[1490, 1000], [0, 0], [10, 10], [3, 3]]},
        {"corners": None},
    ],
)
def test_an_unsure_or_damaged_outline_crops_nothing(wrong: dict[str, object]) -> None:
    assert outline_of(Facts.read({"framing": GOOD | wrong}).framing) is None
    assert outline_of(None) is None
    assert Facts.read({"framing": "text"}).framing is None


def test_digests_follow_everything_that_matters() -> None:
    rendering = Rendering(FilmProcess.BW_NEGATIVE, (0.5, 0.6, 0.4))
    assert rendering.digest("a") == Rendering(FilmProcess.BW_NEGATIVE, (0.5, 0.6, 0.4)).digest("a")
    changed = [
        rendering.digest("b"),
        replace(rendering, turn=90).digest("a"),
        replace(rendering, shift=0.01).digest("a"),
        replace(rendering, half=True).digest("a"),
        replace(rendering, settings=replace(rendering.settings, contrast=1.81)).digest("a"),
    ]
    assert len({rendering.digest("a"), *changed}) == 6


@pytest.mark.parametrize("process", list(FilmProcess))
def test_lamp_and_strobe_on_one_roll_each_have_their_own_base(process: FilmProcess) -> None:
    """Alike but for their light; their times, which say nothing of a strobe, do not mix them up."""
    signals = tuple((x, 0.9 * x, 0.8 * x) for x in np.geomspace(0.02, 0.5, 40).tolist())
    lamp = Sample(1 / 15 / 64, (0.7, 0.6, 0.5), (1.0, 1.0, 1.0), signals)
    flash = replace(lamp, light=1 / 64)
    briefs = [Brief("a", lamp), Brief("b", lamp), Brief("c", flash, strobe=True)]
    made = roll_renderings(process, briefs, PositiveSettings(), half=True)
    alone = roll_renderings(process, briefs[:2], PositiveSettings(), half=True)
    assert made["a"].base == pytest.approx(alone["a"].base)
    assert made["c"].base == pytest.approx(alone["a"].base)
    assert made["c"].shift == made["a"].shift


def test_balance_finds_the_layers_slopes_from_coloured_pictures() -> None:
    """Slopes as made here: red 0.56, green 0.60, blue 0.64; half of all samples are coloured."""
    rng = np.random.default_rng(5)
    light = rng.uniform(0.2, 2.0, (4000, 1)) * np.ones(3)
    light[:2000] += rng.normal((0.2, 0.0, -0.2), 0.35, (2000, 3))
    density = light * (0.56, 0.60, 0.64)
    balance = roll_balance(density, 0.1)
    grey = density[2000:]
    even = grey * balance.gains + balance.offsets
    before, after = (np.abs(d - d[:, 1:2]).mean() for d in (grey, even))
    assert after < 0.4 * before


def test_too_few_samples_change_nothing() -> None:
    assert roll_balance(np.ones((5, 3)), 0.1).gains == (1.0, 1.0, 1.0)


def test_base_is_that_of_most_frames_and_white_has_the_lamps_colour() -> None:
    shown, hidden = (0.4, 0.7, 0.5), (0.1, 0.2, 0.1)
    assert roll_base([shown] * 6 + [hidden] * 2) == pytest.approx(shown)
    white = roll_white([(0.2, 0.5, 0.3), (0.5, 0.6, 0.3)], (0.5, 1.0, 0.7))
    assert white == pytest.approx((0.5, 1.0, 0.7))


def test_only_very_thin_or_dense_frames_are_evened() -> None:
    assert evening(0.9, 0.78, 0.4, 0.6) == 0
    assert evening(0.2, 0.78, 0.4, 0.6) == pytest.approx(0.18)
    assert evening(2.5, 0.78, 0.4, 0.6) == -0.6
