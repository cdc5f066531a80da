"""What lies on film and glass: specks, fibres, scratches, lettering; spots on the sensor."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from tests.benchmarks.varied.geometry import Homography, Setting
from tests.benchmarks.varied.ranges import Generator
from tether.film import FilmFormat

Floats = NDArray[np.float32]

_PER_MM = 24
"""Pixels of a drawn strip's lettering per millimetre."""
_LETTERS = "ABCDEFGHJKLMNPRSTUVWXYZ"


def on_film(setting: Setting, specks: int, fibres: int, rng: Generator) -> Floats | None:
    """Return how much light passes the dust on a frame, (height, width); None for no dust.

    Specks of 5 to 150 um and hairs up to 8 mm long, from faint to opaque.
    """
    if specks + fibres == 0:
        return None
    image = Image.new("L", (setting.width, setting.height), 255)
    draw = ImageDraw.Draw(image)
    scale = setting.scale
    for _ in range(specks):
        x, y = rng.uniform(0, setting.width), rng.uniform(0, setting.height)
        radius = 0.0025 * np.exp(rng.exponential(0.9)) * scale
        through = int(255 * rng.uniform(0.05, 0.9))
        if radius < 0.5:  # smaller than a photosite: fainter instead
            through, radius = int(255 - (255 - through) * 4 * radius**2), 0.5
        wide, high = radius * rng.uniform(0.7, 1.4), radius
        draw.ellipse((x - wide, y - high, x + wide, y + high), fill=through)
    for _ in range(fibres):
        length = rng.uniform(0.4, 8.0) * scale
        angle = rng.uniform(0, 6.3) + np.cumsum(rng.normal(0, 0.25, 24))
        along = rng.uniform(0, setting.width) + np.cumsum(np.cos(angle)) * length / 24
        down = rng.uniform(0, setting.height) + np.cumsum(np.sin(angle)) * length / 24
        width = max(1, round(rng.uniform(0.008, 0.035) * scale))
        path = [(float(a), float(b)) for a, b in zip(along, down, strict=True)]
        draw.line(path, fill=int(255 * rng.uniform(0.1, 0.7)), width=width, joint="curve")
    sharp = np.asarray(image, np.float32) / np.float32(255)
    # As the sharpest lens draws it: means of 2 x 2.
    tall = sharp[1:] + sharp[:-1]
    soft = np.ones_like(sharp)
    soft[1:, 1:] = (tall[:, 1:] + tall[:, :-1]) / 4
    return soft


def scratches(setting: Setting, film: Homography, count: int, rng: Generator) -> Floats | None:
    """Return what scratches along the film do to its light, (height, width): below or above 1.

    In the emulsion a scratch is clear, in the base it scatters and is dark.
    """
    if count == 0:
        return None
    back = np.linalg.inv(film)
    out = np.ones((setting.height, setting.width), np.float32)
    for _ in range(count):
        across = rng.uniform(-0.5, 0.5) * setting.picture[1]
        begin = rng.uniform(-0.7, 0.3) * setting.form.pitch
        ends = np.array(
            [[begin, across, 1], [begin + rng.uniform(0.2, 1.5) * setting.form.pitch, across, 1]]
        )
        line = ends @ back.T
        (ax, ay), (bx, by) = line[:, :2] / line[:, 2:]
        image = Image.new("L", (setting.width, setting.height), 0)
        width = max(1, round(rng.uniform(0.004, 0.02) * setting.scale))
        ImageDraw.Draw(image).line((ax, ay, bx, by), fill=255, width=width)
        depth = np.asarray(image, np.float32) * np.float32(rng.uniform(0.1, 0.6) / 255)
        out *= 1 + depth if rng.random() < 0.5 else 1 - depth
    return out


def spots(shape: tuple[int, int], deepest: float, count: int, rng: Generator) -> Floats:
    """Return how much light passes the spots on a sensor or lens, (height, width).

    Soft discs, a quarter of a thousandth to a hundredth of the width in radius; the first one is
    the deepest, and lies in the middle part and is no smaller than two thousandths.
    """
    height, width = shape
    out = np.ones(shape, np.float32)
    for index in range(count):
        first = index == 0
        radius = width * float(np.exp(rng.uniform(np.log(0.002 if first else 7e-4), np.log(0.009))))
        inset = 0.2 if first else 0.03
        cx = rng.uniform(inset, 1 - inset) * width
        cy = rng.uniform(inset, 1 - inset) * height
        soft = radius * rng.uniform(0.15, 0.6) + 0.5
        reach = radius + 4 * soft
        top, left = max(0, int(cy - reach)), max(0, int(cx - reach))
        part = np.s_[top : int(cy + reach) + 2, left : int(cx + reach) + 2]
        rows, columns = out[part].shape
        y = (np.arange(rows, dtype=np.float32) + top + 0.5 - cy)[:, None]
        x = (np.arange(columns, dtype=np.float32) + left + 0.5 - cx)[None, :]
        edge = (np.hypot(x, y) - radius) / soft
        depth = deepest if first else deepest * rng.uniform(0.2, 1.0)
        out[part] *= 1 - np.float32(depth) / (1 + np.exp(np.clip(4 * edge, -30, 30)))
    return out


def lettering(form: FilmFormat, frame: int, words: str) -> Image.Image:
    """Draw what film makers expose on the edges beside one frame: 255 where exposed.

    A strip of one pitch and the film's width, 24 pixels a millimetre: words and frame numbers,
    on perforated film between perforations and edge, on other film beside the picture.
    """
    width, height = round(form.pitch * _PER_MM), round(form.film_width * _PER_MM)
    image = Image.new("L", (width, height), 0)
    draw = ImageDraw.Draw(image)
    room = 2.0 if form.perforated else (form.film_width - form.picture_across) / 2
    size = 0.8 * min(room, 2.2) * _PER_MM
    font = ImageFont.load_default(size=size)
    up, down = 0.1 * room * _PER_MM, height - 0.9 * room * _PER_MM
    draw.text((0.08 * width, up), words, fill=255, font=font)
    draw.text((0.52 * width, down), f"{frame}", fill=255, font=font)
    draw.text((0.02 * width, down), f"{frame - 1}A", fill=255, font=font)
    return image


def words(rng: Generator) -> str:
    """Make up a film's name: letters and a speed."""
    name = "".join(rng.choice(list(_LETTERS), int(rng.integers(2, 6))))
    return f"{name} {rng.choice([50, 100, 125, 200, 400, 800])}"
