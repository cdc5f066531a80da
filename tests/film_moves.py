"""Film that a made hand moves under live view, from photographs: for tests and a benchmark.

The photographs are those that scikit-image carries (objects, an animal, surfaces, the sky); none
was used to choose a threshold of `tether.bench.film_watch`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from skimage import color, data, transform

from tether.bench.film_watch import FilmMotion, FilmState, FilmWatch, FrameCounter, Lies
from tether.film import FILM_FORMATS
from tether.settings import HandsFreeSettings

FloatArray = NDArray[np.float32]

SCALE = 16
"""Pixels a millimetre, as 600 pixels over 38 mm give."""
PITCH, ALONG, ACROSS = 38.0, 36.0, 24.0
_NAMES = ("coffee", "chelsea", "rocket", "brick", "grass", "gravel", "moon")
_BEFORE = 1200


@cache
def photographs() -> tuple[FloatArray, ...]:
    """Return the photographs as linear light, each as large as a frame."""
    size = (round(ACROSS * SCALE), round(ALONG * SCALE))
    made = []
    for name in _NAMES:
        picture = getattr(data, name)()
        grey = color.rgb2gray(picture) if picture.ndim == 3 else picture / 255.0
        made.append((transform.resize(grey, size, anti_aliasing=True) ** 2.2).astype(np.float32))
    return tuple(made)


def strip(rng: np.random.Generator, frames: int = 6) -> FloatArray:
    """Return a strip of negatives as transmitted light, with bare light before and after it."""
    chosen = rng.choice(len(photographs()), frames, replace=False)
    out = np.full((round((ACROSS + 2) * SCALE), round(frames * PITCH * SCALE)), 0.7, np.float32)
    for index, which in enumerate(chosen):
        left = round((index * PITCH + 1) * SCALE)
        picture = np.maximum(photographs()[which], 0.005)
        negative = 0.7 * (0.005 / picture) ** 0.55 * rng.uniform(0.8, 1.0)
        out[SCALE : SCALE + picture.shape[0], left : left + picture.shape[1]] = negative
    return np.pad(out, ((0, 0), (_BEFORE, _BEFORE)), constant_values=1.0)


def seen(
    film: FloatArray,
    at_mm: float,
    rng: np.random.Generator,
    *,
    blur_mm: float = 0.0,
    width: int = 608,
) -> FloatArray:
    """Return the live picture with ``at_mm`` of film at its middle, blurred by its movement."""
    total = np.zeros((film.shape[0], width), np.float32)
    parts = max(1, round(abs(blur_mm) * SCALE / 3))
    for part in np.linspace(-blur_mm / 2, blur_mm / 2, parts) if parts > 1 else (0.0,):
        left = _BEFORE + (at_mm + part) * SCALE - width / 2
        whole = int(np.floor(left))
        rest = np.float32(left - whole)
        piece = film[:, whole : whole + width + 1]
        total += piece[:, :-1] * (1 - rest) + piece[:, 1:] * rest
    total /= parts
    gate = SCALE // 2
    total[:, :gate] = total[:, -gate:] = 0.0
    total += rng.normal(0, 0.008, total.shape).astype(np.float32)
    return np.clip(total, 0, 1)


@dataclass(frozen=True, slots=True)
class Move:
    """One move: from where to where, in millimetres, how fast at most, and in what manner."""

    start: float
    end: float
    speed: float
    manner: str

    def places(self, interval: float) -> Iterator[float]:
        """Yield where the film is at each live picture."""
        way = np.sign(self.end - self.start)
        if self.manner == "overshoot":
            yield from self._eased(self.start, self.end + 4 * way, interval)
            yield from self._eased(self.end + 4 * way, self.end, interval)
        elif self.manner == "stops":
            middle = self.start + 0.4 * (self.end - self.start)
            yield from self._eased(self.start, middle, interval)
            yield from [middle] * 3
            yield from self._eased(middle, self.end, interval)
        elif self.manner == "jerks":
            for part in np.linspace(0, 1, 13)[1:]:
                yield from [self.start + part * (self.end - self.start)] * 2
        else:
            yield from self._eased(self.start, self.end, interval)

    def _eased(self, start: float, end: float, interval: float) -> Iterator[float]:
        """From one place to another, slow at first and at the end."""
        seconds = abs(end - start) * np.pi / 2 / self.speed
        for part in np.linspace(0, 1, max(2, round(seconds / interval)) + 1)[1:]:
            yield start + (end - start) * (0.5 - 0.5 * np.cos(np.pi * part))


MANNERS = ("smooth", "overshoot", "stops", "jerks")


@dataclass
class Tally:
    """What came of many moves."""

    moves: int = 0
    right: int = 0
    told: int = 0
    lost: int = 0
    false: int = 0
    worst_mm: float = 0.0


def try_moves(moves: int, seed: int, *, fastest: float = 150.0) -> Tally:
    """Move made strips by a made hand, and count what the frame counter says at rest.

    One move in five goes wrong: not moved, two frames on, one back, or 4 to 30 mm off. ``false``
    is a place called right that is not, ``told`` a wrong one that was told.
    """
    rng = np.random.default_rng(seed)
    tally = Tally()
    while tally.moves < moves:
        _one_strip(rng, tally, fastest)
    return tally


def _one_strip(rng: np.random.Generator, tally: Tally, fastest: float) -> None:
    settings = HandsFreeSettings()
    watch = FilmWatch(settings, FILM_FORMATS["135"])
    counter = FrameCounter(watch, PITCH, settings)
    film, interval, clock = strip(rng), 1 / rng.uniform(15, 30), 0.0
    # Which way the film is moved: the frames come from the left or from the right.
    order = list(range(6)) if rng.random() < 0.5 else list(range(5, -1, -1))
    at = (order[0] + 0.5) * PITCH
    for step in range(len(order)):
        clock, place = _rest(watch, film, at, clock, interval, rng)
        lies, off = counter.lies(place, 1) if step else (Lies.RIGHT, 0.0)
        if step:
            tally.moves += 1
            tally.right += lies is Lies.RIGHT
            tally.lost += lies is Lies.UNKNOWN
            tally.worst_mm = max(tally.worst_mm, abs(off) if lies is Lies.RIGHT and step > 1 else 0)
        counter.begin()
        counter.confirmed()
        if step + 1 == len(order):
            return
        wanted = (order[step + 1] + 0.5) * PITCH
        wrong = _mistake(at, wanted, rng) if step and rng.random() < 0.2 else wanted
        if abs(wrong - wanted) > 6:
            clock = _move(watch, film, at, wrong, clock, interval, rng, fastest)
            clock, place = _rest(watch, film, wrong, clock, interval, rng)
            tally.moves += 1
            lies, _ = counter.lies(place, 1)
            tally.false += lies is Lies.RIGHT
            tally.told += lies in (Lies.OFF, Lies.NOT_MOVED)
            tally.lost += lies is Lies.UNKNOWN
            at = wrong
        clock = _move(watch, film, at, wanted, clock, interval, rng, fastest)
        at = wanted


def _mistake(at: float, wanted: float, rng: np.random.Generator) -> float:
    """Return where a hand leaves the film that goes wrong; not off the strip's ends."""
    wrong = at + float(rng.choice([0.0, 2.0, -1.0])) * (wanted - at)
    if rng.random() < 0.5:
        wrong = wanted + float(rng.choice([-1, 1])) * rng.uniform(6, 30)
    return float(np.clip(wrong, 0.5 * PITCH, 5.5 * PITCH))


def _move(
    watch: FilmWatch,
    film: FloatArray,
    start: float,
    end: float,
    clock: float,
    interval: float,
    rng: np.random.Generator,
    fastest: float,
) -> float:
    move = Move(start, end, rng.uniform(30, fastest), str(rng.choice(MANNERS)))
    last = start
    for at in move.places(interval):
        # A shutter of half the interval and more blurs what moves.
        picture = seen(film, at, rng, blur_mm=0.4 * (at - last))
        watch.take(picture, clock)
        last, clock = at, clock + interval
    return clock


def _rest(
    watch: FilmWatch,
    film: FloatArray,
    at: float,
    clock: float,
    interval: float,
    rng: np.random.Generator,
) -> tuple[float, FilmMotion]:
    """Let the film rest until the watch says so."""
    shake = 0.05 * rng.standard_normal()
    for _ in range(60):
        place = watch.take(seen(film, at + shake, rng), clock)
        clock += interval
        if place.state is FilmState.RESTING:
            return clock, place
    raise AssertionError("the film rests, and the watch does not say so")
