"""A handful of frames of the varied bench, without photographs: outlines, and careful frames.

The bench itself, with photographs, is ``python -m tests.benchmarks.varied``.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.varied.geometry import Lie
from tests.benchmarks.varied.ranges import ROLL
from tests.benchmarks.varied.stand import Shot, Stand
from tests.benchmarks.varied.summary import RIGHT_MM, wilson
from tether.film import FilmProcess
from tether.measure.framing.position import find_framing, rests_on_rebate
from tether.measure.survey import survey
from tether.settings import FramingSettings


@pytest.mark.parametrize(("seed", "process"), [
    (3, FilmProcess.BW_NEGATIVE), (6, FilmProcess.COLOUR_NEGATIVE), (10, FilmProcess.TRANSPARENCY),
])  # fmt: skip
def test_an_outline_is_found_on_varied_film(seed: int, process: FilmProcess) -> None:
    stand = Stand(seed, process=process, megapixels=0.6, tile=256)
    lie = Lie(0.2, 0.05, 0.3)
    picture = survey(stand.photograph(Shot(1, lie)))
    framing = find_framing(picture, stand.setting.form, process.is_negative, FramingSettings())
    assert framing is not None
    assert rests_on_rebate(framing, picture, process.is_negative)
    found = np.asarray(framing.picture.corners)
    apart = np.linalg.norm(stand.setting.corners(lie)[:, None] - found[None], axis=2).min(axis=1)
    assert apart.max() / stand.setting.scale < RIGHT_MM


def test_a_roll_follows_from_its_seed_alone() -> None:
    first, second = (Stand(5, megapixels=0.3, tile=256) for _ in range(2))
    assert first.draws == second.draws
    assert all(ROLL[name].low <= value <= ROLL[name].high
               for name, value in first.draws.items() if name != "megapixels")  # fmt: skip
    np.testing.assert_array_equal(first.photograph(Shot(2)).data, second.photograph(Shot(2)).data)


def test_a_blur_disc_leaves_the_share_of_grain_that_was_asked_for() -> None:
    grain = Stand(5, megapixels=0.3, tile=256).grain
    assert grain.amplitude(grain.disc_for(0.4)) == pytest.approx(0.4, abs=0.01)
    sharp, soft = grain.fields(0.0)[1], grain.fields(grain.disc_for(0.4))[1]
    # The finest structure: each photosite against its diagonal neighbours.
    fine = [np.std(f[1:, 1:] - f[:-1, :-1]) for f in (sharp, soft)]
    assert fine[1] < 0.8 * fine[0]


def test_confidence_limits_are_those_of_wilson() -> None:
    # E. B. Wilson's interval for 9 of 10 at 95 per cent, as textbooks work it out (from memory).
    assert wilson(9, 10) == pytest.approx((0.596, 0.982), abs=0.001)
    assert wilson(0, 3000)[1] == pytest.approx(0.00128, abs=1e-5)
