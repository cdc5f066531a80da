"""Film of every format under a made live view, from photographs: for tests and a benchmark.

The photographs are those that scikit-image carries (objects, an animal, surfaces, the sky); none
was used to choose a threshold of `tether.bench.film_watch`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np
from numpy.typing import NDArray
from skimage import color, data, transform

from tether.film import FILM_FORMATS, FilmFormat

FloatArray = NDArray[np.float32]

LIVE = (384, 256)
"""Width and height of the live picture in pixels."""
_NAMES = ("coffee", "chelsea", "rocket", "brick", "grass", "gravel", "moon")
PHOTOGRAPHS = 4 * len(_NAMES)
_PERFORATION = (4.75, 1.98, 2.8)
"""Pitch, length and width of the perforations of 135 film (ISO 1007), in millimetres."""


@cache
def photograph(which: int, width: int, height: int) -> FloatArray:
    """Return a photograph as linear light; there are `PHOTOGRAPHS`, most of them turned over."""
    turn, index = divmod(which, len(_NAMES))
    picture = getattr(data, _NAMES[index])()[:: (1, -1)[turn % 2], :: (1, -1)[turn // 2]]
    grey = color.rgb2gray(picture) if picture.ndim == 3 else picture / 255.0
    made = transform.resize(grey, (height, width), anti_aliasing=True) ** 2.2
    light: FloatArray = np.maximum(made, 0.004).astype(np.float32)
    return light


@dataclass(frozen=True)
class Scene:
    """What the camera looks at.

    Attributes
    ----------
    form, negative, view
        The film, and how much of it is in view: "rebate", "wide" or "tight".
    flicker, gain
        Share of light by which bands run through live view; whether it brightens by itself.
    late
        By how many pictures live view lags behind.
    """

    form: FilmFormat = FILM_FORMATS["135"]
    negative: bool = True
    view: str = "rebate"
    flicker: float = 0.0
    gain: bool = False
    late: int = 0
    noise: float = 0.006
    gate: tuple[float, float] = field(init=False)
    scale: float = field(init=False)

    def __post_init__(self) -> None:
        """Lay out the gate (along, across, in millimetres) and the scale in pixels a millimetre."""
        form, gap = self.form, self.form.pitch - self.form.picture_along
        if self.view == "wide":
            gate = (form.pitch + 6, form.film_width + 2)
        else:
            beside = 0.6 if form.perforated else 0.025 * form.picture_across
            gate = (
                form.picture_along + 2 * min(0.4 * gap, 0.025 * form.picture_along),
                form.picture_across + 2 * beside,
            )
        shown = gate
        if self.view == "tight":
            shown = (0.95 * form.picture_along, 0.95 * form.picture_across)
        fits = (self.size[0] / shown[0], self.size[1] / shown[1])
        scale = max(fits) if self.view == "tight" else min(fits) / 1.02
        object.__setattr__(self, "gate", gate)
        object.__setattr__(self, "scale", scale)

    @property
    def turned(self) -> bool:
        """Whether the film runs up and down the live picture."""
        return self.form.picture_across > self.form.picture_along

    @property
    def size(self) -> tuple[int, int]:
        """Pixels of the live picture along and across the film."""
        return (LIVE[1], LIVE[0]) if self.turned else LIVE


class Strip:
    """A strip of film in front of a lamp: its first frame has its middle at half a pitch.

    ``pictures`` are the photographs on it, in order.
    """

    def __init__(self, scene: Scene, pictures: Sequence[int], rng: np.random.Generator) -> None:
        self.scene = scene
        form, scale = scene.form, scene.scale
        across = scene.size[1]
        # As far as any view reaches beyond either end.
        self._before = round(1.6 * form.pitch * scale) + scene.size[0]
        length = round(len(pictures) * form.pitch * scale)
        self._light = np.full((across, length + 2 * self._before), 1.0, np.float32)
        self._draw_film(length, rng)
        wide, high = round(form.picture_along * scale), round(form.picture_across * scale)
        for index, which in enumerate(pictures):
            picture = photograph(int(which), wide, high)
            left = self._before + round((index + 0.5) * form.pitch * scale) - wide // 2
            self._lay(picture, left, high, rng)
        self._gate = self._mask()

    def _draw_film(self, length: int, rng: np.random.Generator) -> None:
        scene, middle = self.scene, self.scene.size[1] / 2
        half = scene.form.film_width * scene.scale / 2
        top, bottom = max(0, round(middle - half)), min(scene.size[1], round(middle + half))
        base = 0.7 if scene.negative else 0.002
        self._base = base * float(rng.uniform(0.8, 1.0))
        film = self._light[top:bottom, self._before : self._before + length]
        film[:] = 0.0 if scene.form.mounted else self._base
        if scene.form.perforated:
            pitch, long, high = (v * scene.scale for v in _PERFORATION)
            first = rng.uniform(0, pitch)
            for row in (2.0 * scene.scale, film.shape[0] - 2.0 * scene.scale - high):
                if film.shape[0] < 0.95 * 2 * half:
                    continue
                for at in np.arange(first, length, pitch):
                    film[round(row) : round(row + high), round(at) : round(at + long)] = 1.0

    def _lay(self, picture: FloatArray, left: int, high: int, rng: np.random.Generator) -> None:
        across = self._light.shape[0]
        top = across // 2 - high // 2
        rows = slice(max(0, top), min(across, top + high))
        inner = picture[max(0, -top) : max(0, -top) + rows.stop - rows.start]
        if self.scene.negative:
            inner = self._base * (0.004 / inner) ** 0.55 * np.float32(rng.uniform(0.8, 1.0))
        self._light[rows, left : left + inner.shape[1]] = inner

    def _mask(self) -> FloatArray:
        """The gate: 1 where light comes through, 0 on its mask."""
        along, across = self.scene.size
        mask = np.ones((across, along), np.float32)
        if self.scene.view != "tight":
            half_x, half_y = (length * self.scene.scale / 2 for length in self.scene.gate)
            x = np.abs(np.arange(along) + 0.5 - along / 2) <= half_x
            y = np.abs(np.arange(across) + 0.5 - across / 2) <= half_y
            mask = (y[:, None] & x[None, :]).astype(np.float32)
        return mask

    def seen(self, start_mm: float, end_mm: float) -> FloatArray:
        """Return the light in view while the film goes from one place to another.

        Shape (across, along), before it is turned; places are what lies at the view's middle.
        """
        along, scale = self.scene.size[0], self.scene.scale
        parts = max(1, min(6, round(abs(end_mm - start_mm) * scale / 3)))
        total = np.zeros((self._light.shape[0], along), np.float32)
        for at in np.linspace(start_mm, end_mm, parts) if parts > 1 else (end_mm,):
            left = self._before + at * scale - along / 2
            left = float(np.clip(left, 0, self._light.shape[1] - along - 2))
            whole = int(left)
            rest = np.float32(left - whole)
            piece = self._light[:, whole : whole + along + 1]
            total += piece[:, :-1] * (1 - rest) + piece[:, 1:] * rest
        return total * (self._gate / np.float32(parts))

    def still(self, at_mm: float, rng: np.random.Generator) -> FloatArray:
        """Return the live picture of film at rest, with noise; shape (across, along), 0..1."""
        light = self.seen(at_mm, at_mm)
        noise = rng.normal(0, self.scene.noise, light.shape).astype(np.float32)
        picture: FloatArray = np.clip(0.85 * light + noise, 0, 1)
        return picture


def open_gate(scene: Scene) -> FloatArray:
    """Return the light in view without film."""
    empty = Strip.__new__(Strip)
    empty.scene = scene
    return empty._mask()


def finger(scene: Scene, reach: float) -> FloatArray:
    """Return what a finger leaves of the light; ``reach`` is how far it comes in, 0..1."""
    along, across = scene.size
    x = (np.arange(along) - 0.6 * along) / (0.13 * along)
    y = (np.arange(across) - across * (1 - reach)) / (0.08 * across)
    inside = np.clip((1.3 - np.abs(x))[None, :] * 2, 0, 1) * np.clip(y[:, None] + 0.5, 0, 1)
    left: FloatArray = (1 - 0.995 * inside).astype(np.float32)
    return left
