"""How many frames are found on made sleeve pages, how many are cut wrongly, and in what time.

Run ``python -m tests.benchmarks.proof_pages --seeds 1-300``. The pictures are real photographs
where the packages of `tests.benchmarks.varied.photographs` are installed, else textures with their
statistics. Pages are drawn at random over films, formats, strips, tilt, perspective, plastic and
glare. A frame is found where its middle lies within 4 mm, cut wrongly where a corner is more than
1.5 mm off, and a page is right where every frame is found and has its number.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from functools import lru_cache

import numpy as np
from PIL import Image
from tether_simulator.film.curve import FILMS
from tether_simulator.film.sleeve_page import FloatArray, SleevePage, photographed

from tests.benchmarks.varied.photographs import find_photographs, photograph, texture
from tether.film import FILM_FORMATS, FilmProcess
from tether.measure.proof.frames import find_frames
from tether.measure.proof.strips import find_strips

_FORMATS = ("135", "135", "135", "120-6x6", "120-645")
_USUAL = {"135": (4, 6), "120-6x6": (3, 3), "120-645": (4, 4)}


@lru_cache(maxsize=1)
def pictures() -> list[Image.Image]:
    """Return the photographs, small, or textures in their place."""
    try:
        images = [photograph(path) for path in find_photographs()]
    except SystemExit:
        images = [texture(n, (600, 400)) for n in range(24)]
    return [image.resize((600, 400)) for image in images]


def made(seed: int) -> tuple[SleevePage, Image.Image, list[FloatArray]]:
    """Draw a page at random; return what it is, its picture, and its frames' corners."""
    rng = np.random.default_rng((seed, 3))
    process = list(FilmProcess)[int(rng.integers(3))]
    form = FILM_FORMATS[_FORMATS[int(rng.integers(len(_FORMATS)))]]
    low, high = _USUAL[form.key]
    usual = int(rng.integers(low, high + 1))
    rows = int(rng.integers(1, 8 if form.key == "135" else 5))
    strips = [usual] * rows
    if rows > 1 and rng.random() < 0.6:
        strips[-1] = int(rng.integers(1, usual + 1))
    if rows > 2 and rng.random() < 0.2:
        strips[int(rng.integers(1, rows - 1))] = 0
    count = sum(strips)
    blank = frozenset(int(n) for n in rng.integers(1, count + 1, int(rng.random() < 0.2)))
    page = SleevePage(
        FILMS[process], form, tuple(strips), scale=5.0, seed=seed,
        tilt_degrees=float(rng.normal(0, 2)), perspective=float(rng.uniform(0, 0.05)),
        plastic=bool(rng.random() < 0.8), blank=blank,
    )  # fmt: skip
    images = pictures()

    def paint(frame: int, width: int, height: int) -> FloatArray:
        own = np.random.default_rng((seed, frame))
        image = images[int(own.integers(len(images)))]
        if height > width:
            image = image.transpose(Image.Transpose.ROTATE_90)
        value = np.asarray(image.resize((width, height)), np.float32) / 255
        light = np.maximum(value**2.2, 1e-3)
        if process is FilmProcess.BW_NEGATIVE:
            light[:] = light.mean(axis=2, keepdims=True)
        stops = np.float32(own.normal(0, 0.8))
        return np.moveaxis(np.log10(light / 0.18) + stops * np.float32(0.301), -1, 0)

    image, corners = photographed(page, paint)
    return page, image, corners


def found_on(image: Image.Image, page: SleevePage) -> list[np.ndarray]:
    """Return the frames that are found on a picture."""
    process = next(p for p, film in FILMS.items() if film is page.film)
    value = np.asarray(image, np.float32) / 255
    light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    grey = light.mean(axis=2).astype(np.float32)
    return [
        corners
        for strip in find_strips(grey, page.form)
        for corners in find_frames(strip, page.form, process)
    ]


def compared(truth: list[FloatArray], found: list[np.ndarray], page: SleevePage) -> Counter[str]:
    """Count the frames that were made, found, cut wrongly, and found where there are none.

    A blank frame has no picture that could be cut.
    """
    scale = page.scale
    counts = Counter(made=len(truth), pages=1)
    free = list(range(len(found)))
    order = []
    for number, corners in enumerate(truth, 1):
        away = [float(np.hypot(*(found[i].mean(0) - corners.mean(0)))) for i in free]
        if not away or min(away) > 4 * scale:
            continue
        index = free.pop(int(np.argmin(away)))
        order.append(index)
        counts["found"] += 1
        off = float(np.hypot(*(found[index] - corners).T).max())
        counts["cut wrongly"] += off > 1.5 * scale and number not in page.blank
    counts["too many"] = len(free)
    counts["right"] = int(len(order) == len(truth) and not free and order == sorted(order))
    return counts


def main() -> None:
    """Make pages, look for their frames, and print the counts."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", default="1-40")
    first, last = (int(n) for n in parser.parse_args().seeds.split("-"))
    total: Counter[str] = Counter()
    seconds = []
    for seed in range(first, last + 1):
        page, image, truth = made(seed)
        began = time.process_time()
        found = found_on(image, page)
        seconds.append(time.process_time() - began)
        counts = compared(truth, found, page)
        total += counts
        if not counts["right"] or counts["cut wrongly"]:
            process = next(p for p, film in FILMS.items() if film is page.film)
            print(f"seed {seed}, {process}, {page.form.key}, {page.strips}: {dict(counts)}")
    print(dict(total), f"median {np.median(seconds):.2f} s of processor time a page")


if __name__ == "__main__":
    main()
