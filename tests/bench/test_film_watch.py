"""Film that a made hand moves: what the watch sees of it, and which frame lies there."""

from __future__ import annotations

import numpy as np
import pytest

from tests.film_moves import PITCH, Move, seen, strip, try_moves
from tether.bench.film_watch import FilmState, FilmWatch, FrameCounter, Lies
from tether.film import FILM_FORMATS
from tether.settings import HandsFreeSettings

SETTINGS = HandsFreeSettings()
FORM = FILM_FORMATS["135"]


def rest(watch: FilmWatch, picture: np.ndarray, begin: float) -> list[FilmState]:
    return [watch.take(picture, begin + i / 20).state for i in range(10)]


def test_moves_of_a_hand_are_counted_and_its_mistakes_told() -> None:
    tally = try_moves(40, seed=21)
    assert tally.false == 0
    assert tally.lost <= 2
    assert tally.right + tally.told + tally.lost == tally.moves
    assert tally.worst_mm <= SETTINGS.placement_mm


def test_film_rests_once_it_has_lain_still_for_the_settle_time() -> None:
    rng = np.random.default_rng(1)
    film = strip(rng)
    watch = FilmWatch(SETTINGS, FORM)
    states = rest(watch, seen(film, 57.0, rng), 0.0)
    assert states[:6] == [FilmState.MOVING] * 6
    assert set(states[7:]) == {FilmState.RESTING}


def test_creeping_film_does_not_rest() -> None:
    rng = np.random.default_rng(2)
    film = strip(rng)
    watch = FilmWatch(SETTINGS, FORM)
    states = {watch.take(seen(film, 57.0 + 0.1 * i, rng), i / 20).state for i in range(30)}
    assert states == {FilmState.MOVING}


def test_an_open_gate_and_darkness_are_seen_and_the_count_is_lost() -> None:
    rng = np.random.default_rng(3)
    film = strip(rng)
    watch = FilmWatch(SETTINGS, FORM)
    rest(watch, seen(film, 57.0, rng), 0.0)
    watch.mark()
    bare = np.clip(0.99 + rng.normal(0, 0.004, (416, 608)), 0, 1).astype(np.float32)
    assert watch.take(bare, 1.0).state is FilmState.OPEN_GATE
    assert watch.take(0.001 * bare, 1.1).state is FilmState.DARK
    place = None
    for i in range(12):
        place = watch.take(seen(film, 57.0, rng), 1.2 + i / 20)
    assert place is not None
    assert place.state is FilmState.RESTING
    assert not place.certain
    counter = FrameCounter(watch, PITCH, SETTINGS)
    assert counter.lies(place, 1)[0] is Lies.UNKNOWN


def test_a_live_picture_of_twice_as_much_film_is_learned_from_the_first_frame() -> None:
    rng = np.random.default_rng(4)
    film = strip(rng)
    watch = FilmWatch(SETTINGS, FORM)
    watch._view_mm *= 1.15  # as a wide view would have it
    counter = FrameCounter(watch, PITCH, SETTINGS)
    clock, offs = 0.0, []
    at = PITCH / 2
    for step in range(4):
        for _ in range(12):
            place = watch.take(seen(film, at, rng), clock)
            clock += 1 / 20
        if step:
            lies, off = counter.lies(place, 1)
            assert lies is Lies.RIGHT
            offs.append(abs(off))
        counter.begin()
        counter.confirmed()
        for on_the_way in Move(at, at + PITCH, 60.0, "smooth").places(1 / 20):
            watch.take(seen(film, on_the_way, rng), clock)
            clock += 1 / 20
        at += PITCH
    assert offs[0] > 4
    assert max(offs[1:]) < 2


@pytest.mark.parametrize(("key", "shape", "rows"), [
    ("135", (400, 600), True), ("135", (600, 400), False),
    ("135-half", (400, 600), False), ("120-6x6", (400, 600), True),
    ("120-645", (400, 600), False), ("120-6x9", (400, 600), True),
])  # fmt: skip
def test_the_pictures_long_side_lies_on_the_sensors(
    key: str, shape: tuple[int, int], rows: bool
) -> None:
    assert FilmWatch(SETTINGS, FILM_FORMATS[key])._runs_along_rows(*shape) is rows
