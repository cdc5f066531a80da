"""Film that a made hand moves: what the watch sees of it, and which frame lies there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.film_scenes import Scene, Strip, finger
from tests.hands_free_moves import MadeHand, Tally, try_roll
from tether.bench.film_watch import FilmState, FilmWatch
from tether.bench.frame_counter import FrameCounter, Lies
from tether.film import FILM_FORMATS
from tether.settings import HandsFreeSettings

SETTINGS = HandsFreeSettings()
FORM = FILM_FORMATS["135"]


PITCH = FORM.pitch


def strip(rng: np.random.Generator) -> Strip:
    return Strip(Scene(), range(6), rng)


def seen(film: Strip, at_mm: float, rng: np.random.Generator) -> np.ndarray:
    return film.still(at_mm, rng)


def rest(watch: FilmWatch, picture: np.ndarray, begin: float) -> list[FilmState]:
    return [watch.take(picture, begin + i / 20).state for i in range(10)]


def test_a_roll_that_a_hand_moves_is_shot_right_and_its_mistakes_are_told() -> None:
    tally = Tally()
    assert try_roll(8, tally)
    assert tally.wrong == []
    assert tally.counts["releases"] >= 8


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
    bare = np.clip(0.99 + rng.normal(0, 0.004, (256, 384)), 0, 1).astype(np.float32)
    assert watch.take(bare, 1.0).state is FilmState.OPEN_GATE
    assert watch.take(0.001 * bare, 1.1).state is FilmState.DARK
    place = None
    for i in range(12):
        place = watch.take(seen(film, 57.0, rng), 1.2 + i / 20)
    assert place is not None
    assert place.state is FilmState.RESTING
    assert not place.certain
    counter = FrameCounter(watch, FORM, SETTINGS)
    assert counter.lies(place, 1)[0] is Lies.UNKNOWN


def test_a_live_picture_of_twice_as_much_film_is_learned_from_the_first_frame() -> None:
    rng = np.random.default_rng(4)
    film = strip(rng)
    watch = FilmWatch(SETTINGS, replace(FORM, picture_along=1.15 * FORM.picture_along))
    counter = FrameCounter(watch, FORM, SETTINGS)
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
        counter.begin(step)
        counter.confirmed()
        hand = MadeHand(at)
        hand.go(clock, at + PITCH, 60.0, "smooth")
        while clock < hand.end:
            watch.take(seen(film, hand.at(clock), rng), clock)
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


def test_a_finger_over_the_films_edge_is_no_film_at_rest() -> None:
    rng = np.random.default_rng(6)
    film = strip(rng)
    watch = FilmWatch(SETTINGS, FORM)
    alone = film.still(57.0, rng)
    assert rest(watch, alone, 0.0)[-1] is FilmState.RESTING
    covered = alone * finger(Scene(), 0.3)
    assert rest(watch, covered, 1.0)[-1] is FilmState.HAND
    assert rest(watch, alone, 2.0)[-1] is FilmState.RESTING


def test_a_knock_makes_the_film_rest_for_longer() -> None:
    rng = np.random.default_rng(7)
    film = strip(rng)
    watch = FilmWatch(SETTINGS, FORM)
    rest(watch, film.still(57.0, rng), 0.0)
    watch.take(film.still(57.5, rng), 1.0)
    states = [watch.take(film.still(57.0, rng), 1.05 + i / 20).state for i in range(14)]
    assert states[7] is FilmState.MOVING, "0.35 s after the knock"
    assert states[-1] is FilmState.RESTING


def test_film_that_was_lost_is_found_by_a_frame_that_was_seen() -> None:
    rng = np.random.default_rng(8)
    film = strip(rng)
    watch = FilmWatch(SETTINGS, FORM)
    counter = FrameCounter(watch, FORM, SETTINGS)
    rest(watch, film.still(19.0, rng), 0.0)
    counter.begin(1)
    watch.lose_count()
    rest(watch, film.still(22.0, rng), 1.0)
    seen_again = counter.recognise()
    assert seen_again is not None
    assert seen_again.frame == 1
    assert counter.count_from(seen_again)
    place = watch.take(film.still(22.0, rng), 2.0)
    assert place.certain
    assert abs(place.moved_mm) == pytest.approx(3.0, abs=0.3)
    rest(watch, film.still(57.0, rng), 3.0)
    assert counter.recognise() is None, "a frame that was not shot"
