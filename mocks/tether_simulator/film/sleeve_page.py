"""A page of sleeves on a light table, as a camera above it sees it: strips in rows, and no frame
exactly where it should be.

All figures are invented but for the film's own (see `edges` and `tether.film`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tether.film import FilmFormat
from tether_simulator.film.curve import UNEXPOSED, Film
from tether_simulator.film.edges import interval, perforations

FloatArray = NDArray[np.float32]

#: Makes a frame's picture: (frame, width, height) to log exposure (3, height, width).
Painter = Callable[[int, int, int], FloatArray]

_ROOM = 0.02
"""Light beyond the light table."""


@dataclass(frozen=True, slots=True)
class SleevePage:
    """A page and how it lies.

    Attributes
    ----------
    film, form
        Of all strips.
    strips
        Frames of each row's strip from the top, 0 for an empty pocket.
    scale
        Pixels per millimetre.
    seed
        Of everything that varies.
    tilt_degrees, perspective
        How the page is turned in the view, and how much of its width the view narrows over it.
    plastic
        Whether the strips lie in sleeves, with seams, a haze and glare.
    jitter_mm
        How far frames lie from where they should, along the strip (standard deviation).
    blank
        Frames that saw no light.
    """

    film: Film
    form: FilmFormat
    strips: tuple[int, ...]
    scale: float = 6.0
    seed: int = 1
    tilt_degrees: float = 0.0
    perspective: float = 0.0
    plastic: bool = True
    jitter_mm: float = 0.3
    blank: frozenset[int] = field(default_factory=frozenset)


def photographed(page: SleevePage, painter: Painter) -> tuple[Image.Image, list[FloatArray]]:
    """Return the page as a camera's JPEG has it, and the corners of each frame in it.

    Corners are (4, 2) in pixels, x and y, top left first and clockwise as the page is held; the
    frames are in the order of their numbers, row by row from the top.
    """
    rng = np.random.default_rng((page.seed, 19))
    light, corners = _flat(page, painter, rng)
    table, tint = _table(light.shape[1:], rng), rng.uniform(0.88, 1.0, 3).astype(np.float32)
    light *= tint[:, None, None] * table
    picture, corners = _seen(page, light, corners, rng)
    noise = rng.normal(0, 0.004, picture.shape).astype(np.float32)
    value = np.clip(picture + noise, 0, 1)
    encoded = np.where(value <= 0.0031308, 12.92 * value, 1.055 * value ** (1 / 2.4) - 0.055)
    image = Image.fromarray(np.moveaxis(np.round(255 * encoded).astype(np.uint8), 0, -1))
    return image, corners


def _flat(
    page: SleevePage, painter: Painter, rng: np.random.Generator
) -> tuple[FloatArray, list[FloatArray]]:
    form, scale = page.form, page.scale
    pocket, margin = form.film_width + 6.0, float(rng.uniform(15, 40))
    longest = max(page.strips) * form.pitch + 24.0
    width = round((longest + 2 * margin) * scale)
    height = round((len(page.strips) * pocket + 2 * margin) * scale)
    out = np.ones((3, height, width), np.float32)
    corners: list[FloatArray] = []
    number = 0
    for row, frames in enumerate(page.strips):
        middle = margin + (row + 0.5) * pocket
        if frames:
            strip, quads = _strip(page, frames, number, painter, rng)
            number += frames
            tilted, moved = _turned(strip, quads, float(rng.normal(0, 0.35)))
            left = round((margin + float(rng.uniform(0, 10))) * scale)
            top = round(middle * scale - tilted.shape[1] / 2 + float(rng.normal(0, 0.8)) * scale)
            h = min(tilted.shape[1], height - top)
            w = min(tilted.shape[2], width - left)
            out[:, top : top + h, left : left + w] *= tilted[:, :h, :w]
            corners += [quad + np.array([left, top], np.float32) for quad in moved]
        if page.plastic:
            seam = round((margin + row * pocket) * scale)
            out[:, seam : seam + max(1, round(0.8 * scale))] *= np.float32(rng.uniform(0.75, 0.95))
    if page.plastic:
        out *= np.float32(0.93)
    return out, corners


def _strip(
    page: SleevePage, frames: int, before: int, painter: Painter, rng: np.random.Generator
) -> tuple[FloatArray, list[FloatArray]]:
    """Return a strip that lies straight, with a border of bare light, and its frames' corners."""
    form, scale = page.form, page.scale
    lead, tail = rng.uniform(0.5, 1.5), rng.uniform(0.5, 1.5)
    if rng.random() < 0.25:
        lead += rng.uniform(2, 14)
    length = frames * form.pitch + lead + tail - (form.pitch - form.picture_along)
    border = 2.0
    width = round((length + 2 * border) * scale)
    height = round((form.film_width + 2 * border) * scale)
    u = (np.arange(width, dtype=np.float32) + 0.5) / scale - border
    v = (np.arange(height, dtype=np.float32) + 0.5 - height / 2) / scale
    exposure = np.full((3, height, width), UNEXPOSED, np.float32)
    quads = []
    across = np.float32(rng.normal(0, 0.2))
    for index in range(frames):
        at = lead + index * form.pitch + float(np.clip(rng.normal(0, page.jitter_mm), -0.9, 0.9))
        x0 = round((at + border) * scale)
        y0 = round((across - form.picture_across / 2) * scale + height / 2)
        w, h = round(form.picture_along * scale), round(form.picture_across * scale)
        x1 = min(x0 + w, width)
        if before + index + 1 not in page.blank:
            exposure[:, y0 : y0 + h, x0:x1] = painter(before + index + 1, w, h)[:, :, : x1 - x0]
        box = [(x0, y0), (x0 + w, y0), (x0 + w, y0 + h), (x0, y0 + h)]
        quads.append(np.array(box, np.float32))
    out = page.film.transmittance(exposure)
    film = np.outer(
        interval(v, -form.film_width / 2, form.film_width / 2, 1 / scale),
        interval(u, 0.0, length, 1 / scale),
    )
    if form.perforated:
        shift = np.float32(rng.uniform(0, 4.75))
        film *= 1 - perforations(u + shift, v, form.film_width, 1 / scale)
    return (1 - film + film * out).astype(np.float32), quads


def _turned(
    strip: FloatArray, quads: list[FloatArray], degrees: float
) -> tuple[FloatArray, list[FloatArray]]:
    height, width = strip.shape[1:]
    turn = np.deg2rad(degrees)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    corners = np.array([(0, 0), (width, 0), (width, height), (0, height)]) @ rotation.T
    low = corners.min(axis=0)
    size = np.ceil(np.ptp(corners, axis=0)).astype(int)
    back = rotation.T
    offset = back @ low
    data = (back[0, 0], back[0, 1], offset[0], back[1, 0], back[1, 1], offset[1])
    planes = [
        np.asarray(
            Image.fromarray(plane).transform(
                (int(size[0]), int(size[1])), Image.Transform.AFFINE, data,
                Image.Resampling.BILINEAR, fillcolor=1.0,
            )
        )
        for plane in strip
    ]  # fmt: skip
    return np.stack(planes), [(quad @ rotation.T - low).astype(np.float32) for quad in quads]


def _table(shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    """Return the light table's light over a page, 0..1: brightest somewhere near the middle."""
    height, width = shape
    y, x = np.ogrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]
    cx, cy, fall = rng.uniform(-0.3, 0.3), rng.uniform(-0.3, 0.3), rng.uniform(0.05, 0.25)
    level = 1 - fall * ((x - cx) ** 2 + (y - cy) ** 2) + rng.uniform(-0.05, 0.05) * x
    return np.asarray(0.85 * np.clip(level, 0.3, None) / level.max(), np.float32)


def _seen(
    page: SleevePage, light: FloatArray, corners: list[FloatArray], rng: np.random.Generator
) -> tuple[FloatArray, list[FloatArray]]:
    """Return the page turned, in perspective, with its surroundings, and the corners there."""
    height, width = light.shape[1:]
    border = 0.06
    size = (round(width * (1 + 2 * border)), round(height * (1 + 2 * border)))
    flat = np.array([(0, 0), (width, 0), (width, height), (0, height)], float)
    turn = np.deg2rad(page.tilt_degrees)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    middle = np.array([width, height]) / 2
    shown = (flat - middle) @ rotation.T * 0.97 + np.array(size) / 2
    narrow = page.perspective * width * rng.choice([-1, 1]) / 2
    shown[0, 0] += narrow
    shown[1, 0] -= narrow
    to_view, back = homography(flat, shown), homography(shown, flat)
    data = tuple((back / back[2, 2]).ravel()[:8])
    planes = [
        np.asarray(
            Image.fromarray(plane).transform(
                size, Image.Transform.PERSPECTIVE, data, Image.Resampling.BILINEAR,
                fillcolor=_ROOM,
            )
        )
        for plane in light
    ]  # fmt: skip
    seen = np.stack(planes)
    if page.plastic:
        seen = seen + _glare(seen.shape[1:], rng)
    return seen, [through(to_view, quad).astype(np.float32) for quad in corners]


def _glare(shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    """Return reflections of the room on plastic: a few soft streaks."""
    height, width = shape
    y, x = np.ogrid[0 : 1 : height * 1j, 0 : 1 : width * 1j]
    out = np.zeros(shape, np.float32)
    for _ in range(int(rng.integers(0, 4))):
        cx, cy, turn = rng.uniform(0, 1), rng.uniform(0, 1), rng.uniform(0, np.pi)
        along = (x - cx) * np.cos(turn) + (y - cy) * np.sin(turn)
        across = (y - cy) * np.cos(turn) - (x - cx) * np.sin(turn)
        spread = (along / rng.uniform(0.05, 0.3)) ** 2 + (across / rng.uniform(0.005, 0.03)) ** 2
        out += np.float32(rng.uniform(0.01, 0.12)) * np.exp(-spread).astype(np.float32)
    return out


def homography(source: NDArray[np.floating], target: NDArray[np.floating]) -> NDArray[np.float64]:
    """Return the 3 x 3 matrix that brings four points (4, 2) to four others."""
    rows = []
    for (x, y), (u, v) in zip(source, target, strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y, -u])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y, -v])
    return np.asarray(np.linalg.svd(np.array(rows, np.float64))[2][-1].reshape(3, 3))


def through(matrix: NDArray[np.floating], points: NDArray[np.floating]) -> NDArray[np.float64]:
    """Return points (n, 2) as a homography brings them."""
    moved = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return np.asarray(moved[:, :2] / moved[:, 2:], np.float64)
