"""Dust on one frame's film: found where it stands alone, and not in a picture's detail."""

from __future__ import annotations

import numpy as np
import pytest

from tests.measure.on_bench import plain
from tests.measure.test_room_light import Roll, codes
from tether.film import FilmProcess
from tether.findings import Severity
from tether.measure.film.dust import dark_places
from tether.measure.film.specks import dust_findings, specks_of
from tether.settings import SpeckSettings

LIMITS = SpeckSettings()
HEIGHT, WIDTH = 800, 1200


def grey(level: float = 0.2) -> np.ndarray:
    return np.full((HEIGHT, WIDTH), level, np.float32)


def with_specks(picture: np.ndarray, places: list[tuple[int, int]], depth: float) -> np.ndarray:
    picture = picture.copy()
    for y, x in places:
        picture[y - 1 : y + 3, x - 1 : x + 3] *= 1 - depth
    return picture


def spread(count: int, seed: int = 1) -> list[tuple[int, int]]:
    """Return places on a grid with gaps, a few of them, so that none is in a crowd."""
    rng = np.random.default_rng(seed)
    grid = [(y, x) for y in range(100, 700, 100) for x in range(100, 1100, 100)]
    return [grid[int(i)] for i in rng.permutation(len(grid))[:count]]


def found(picture: np.ndarray, clear_ev: float | None = -0.5) -> np.ndarray:
    return specks_of(dark_places(plain(picture)), clear_ev, LIMITS)


def test_specks_are_found_where_they_are() -> None:
    places = spread(9)
    specks = found(with_specks(grey(), places, 0.7))
    true = np.array(sorted(places)) / [HEIGHT, WIDTH]
    seen = specks[np.lexsort((specks[:, 1], specks[:, 0])), :2]
    assert seen.shape == true.shape
    assert np.abs(seen - true).max() < 0.006


def test_a_crowd_a_large_spot_an_edge_and_a_lamp_on_clear_film_are_none() -> None:
    crowd = [(y, x) for y in range(300, 400, 14) for x in range(300, 400, 14)]
    assert len(found(with_specks(grey(), crowd, 0.7))) == 0
    large = grey()
    large[300:330, 300:330] *= 0.3
    assert len(found(large)) == 0
    edges = grey()
    edges[:, 600:] *= 0.4
    assert len(found(with_specks(edges, [(400, 601), (200, 603)], 0.5))) == 0
    night = with_specks(grey(0.65), spread(9), 0.7)
    assert len(found(night)) == 0
    assert len(found(night, None)) == 9, "a slide has no clear film to lie on"


def test_how_many_there_are_against_the_rolls_usual_decides() -> None:
    def told(count: int, counts: list[int]) -> Severity | None:
        specks = found(with_specks(grey(), spread(count), 0.7))
        findings, own = dust_findings(specks, [], counts, 0.004, LIMITS)
        assert len(own) == count
        return findings[0].severity if findings else None

    assert told(4, [0, 0, 0]) is None
    assert told(8, [0, 0, 0]) is Severity.NOTE
    assert told(20, [0, 1, 0]) is Severity.LOOK
    assert told(20, [10, 12, 9]) is Severity.NOTE, "the whole roll is dusty"
    assert told(20, [0, 0]) is Severity.NOTE, "the roll is not known yet"


def test_spots_that_earlier_frames_have_are_not_on_the_film() -> None:
    specks = found(with_specks(grey(), spread(12), 0.7))
    before = found(with_specks(grey(0.3), spread(12), 0.5))
    assert dust_findings(specks, [before], [0, 0, 0], 0.004, LIMITS)[0] == []


@pytest.mark.parametrize("process", list(FilmProcess))
def test_a_dusty_frame_on_the_bench_is_told_and_clean_ones_are_not(process: FilmProcess) -> None:
    roll = Roll(process, "rebate", seed=1)
    for frame in (4, 10, 11):
        assert "dust-on-film" not in codes(roll.shoot(frame))
    shot = roll.shoot(7, "dusty", keep=False)
    (finding,) = [f for f in shot.findings if f.code == "dust-on-film"]
    assert finding.value == len(shot.specks) == len(shot.as_json()["specks"])
    assert "dust-on-film" not in codes(roll.shoot(7))
