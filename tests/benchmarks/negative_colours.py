"""Colour negatives of photographs through dyes and a sensor: how near their positives come.

Run ``python -m tests.benchmarks.negative_colours [--rolls N] [--fitted N]``. Prints the mean
CIEDE2000 (ISO/CIE 11664-6, as scikit-image computes it) of the positives of each roll against the
photographs, as they are made, and with a 3 x 3 matrix of balanced densities whose rows sum to 1
(grey stays grey). The matrix is fitted to other rolls, with other dyes, sensors and lamps. Each
positive is also printed darker and lighter, as a person may, and the nearest is taken: what is
left is colour and contrast. Film, dyes and exposures are those of the varied bench, without grain.
"""

from __future__ import annotations

import argparse
import os
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from skimage.color import deltaE_ciede2000, rgb2lab

from tests.benchmarks.varied.emulsion import Curves, Dyes
from tests.benchmarks.varied.photographs import find_photographs, photograph
from tests.benchmarks.varied.ranges import FRAME, ROLL, Draws
from tether.film import FilmProcess
from tether.positive.rendering import Brief, Rendering, roll_renderings
from tether.positive.sample import Sample
from tether.positive.tones import encoded, print_luminance
from tether.settings import PositiveSettings

Floats = NDArray[np.float64]

_SIZE = (180, 120)
_FRAMES = 8
_FIRST_UNSEEN = 5001
_STRENGTHS = (0.0, 0.5, 0.75, 1.0)
"""Share of the fitted matrix; 0 is the identity: positives as they are made."""
_LIGHTER = np.arange(-0.45, 0.46, 0.15)
_FILM_GAMMA = 0.6
"""Density per log exposure that a photograph's scene is brought to for the fit."""


@dataclass
class Frame:
    """A photograph, its light, its densities above base after the roll's balance; (h, w, 3)."""

    shown: Floats
    light: Floats
    balanced: Floats
    rendering: Rendering


def linear(values: Floats) -> Floats:
    """Return light of sRGB values 0..1 (IEC 61966-2-1), and a little everywhere."""
    light = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
    return np.asarray(light + 2e-4)


def roll(seed: int) -> list[Frame]:
    """Expose, develop and photograph a roll; balance it as a delivery does."""
    rng = np.random.default_rng((seed, 1))
    draws = Draws.of(ROLL, rng)
    dyes, process = Dyes.of(rng), FilmProcess.COLOUR_NEGATIVE
    curves = Curves.of(process, draws, rng)
    pictures = find_photographs()
    shown, signals = [], []

    def through(layers: list[NDArray[np.float32]]) -> Floats:
        parts = [
            dyes.white[k] * 10 ** -(dyes.density(k, layers) + curves.base[k]) for k in range(3)
        ]
        return np.stack(parts, axis=-1).astype(np.float64)

    base = through([np.full((1, 1), v, np.float32) for v in curves.unexposed])[0, 0]
    for index in rng.permutation(len(pictures))[:_FRAMES]:
        small = photograph(pictures[index]).resize(_SIZE, Image.Resampling.BOX)
        values = np.asarray(small, np.float64) / 255
        own, share = Draws.of(FRAME, rng), draws["inter_layer"]
        cast = 2 ** own["exposure_ev"] * 10 ** (draws["cast"] * np.array([1.0, 0.0, -1.0]))
        r, g, b = np.moveaxis(linear(values) * cast, 2, 0)
        seen = (
            r * (1 - share) + g * share,
            g * (1 - share) + (r + b) * (share / 2),
            b * (1 - share) + g * share,
        )
        layers = [curves.density(k, part.astype(np.float32)) for k, part in enumerate(seen)]
        shown.append(values)
        signals.append(through(layers))
    level = (float(base[0]), float(base[1]), float(base[2]))
    briefs = []
    for number, signal in enumerate(signals):
        flat = signal.reshape(-1, 3)
        picked = flat[:: len(flat) // 400][:400].tolist()
        sample = Sample(1.0, level, (1.0, 1.0, 1.0), tuple((r, g, b) for r, g, b in picked))
        briefs.append(Brief(str(number), sample, base=level))
    made = roll_renderings(process, briefs, PositiveSettings(), half=True)
    frames = []
    for number, (values, signal) in enumerate(zip(shown, signals, strict=True)):
        rendering = made[str(number)]
        density = -np.log10(np.maximum(signal / base, 1e-5))
        balanced = density * rendering.balance.gains + rendering.balance.offsets
        frames.append(Frame(values, linear(values), balanced, rendering))
    return frames


def fitted(frames: list[Frame]) -> Floats:
    """Return the matrix that brings balanced densities nearest to the scenes' colours."""
    density, wanted = [], []
    for frame in frames:
        within = ((frame.light > 0.004) & (frame.light < 0.9)).all(axis=-1)
        density.append(frame.balanced[within][::5])
        wanted.append(_FILM_GAMMA * np.log10(frame.light[within][::5]))
    d, t = np.concatenate(density), np.concatenate(wanted)
    rows = np.eye(3)
    for k in range(3):
        one, other = (j for j in range(3) if j != k)
        apart = np.stack([d[:, k] - d[:, one], d[:, k] - d[:, other]], axis=1)
        missing = (t[:, k] - t.mean(axis=1)) - (d[:, k] - d.mean(axis=1))
        a, b = np.linalg.lstsq(apart, missing, rcond=None)[0]
        rows[k, k] += a + b
        rows[k, one] -= a
        rows[k, other] -= b
    return rows


def difference(frame: Frame, matrix: Floats) -> tuple[float, float]:
    """Return the mean CIEDE2000 of a positive as made, and of the nearest print of it."""
    rendering, target = frame.rendering, rgb2lab(frame.shown)
    settings = rendering.settings
    density = frame.balanced @ matrix.T + rendering.shift - settings.mid_density
    found = {}
    for lighter in _LIGHTER.tolist():
        tones = encoded(print_luminance(settings.contrast * (density + lighter), settings))
        found[round(lighter, 2)] = float(deltaE_ciede2000(rgb2lab(tones), target).mean())
    return found[0.0], min(found.values())


def main() -> None:
    """Fit on some rolls, print others."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--rolls", type=int, default=9)
    parser.add_argument("--fitted", type=int, default=14)
    given = parser.parse_args()
    os.nice(19)
    matrix = fitted([frame for seed in range(1, given.fitted + 1) for frame in roll(seed)])
    print(f"Matrix, fitted to {given.fitted} rolls:\n{np.round(matrix, 3)}\n")
    print(f"| Roll | {' | '.join(f'{s:g} of it' for s in _STRENGTHS)} |")
    print("| --- " + "| ---: " * len(_STRENGTHS) + "|")
    total = []
    for seed in range(_FIRST_UNSEEN, _FIRST_UNSEEN + given.rolls):
        frames = roll(seed)
        means = []
        for strength in _STRENGTHS:
            mixing = np.eye(3) + strength * (matrix - np.eye(3))
            means.append(np.mean([difference(frame, mixing) for frame in frames], axis=0))
        total.append(means)
        cells = " | ".join(f"{raw:.1f} ({near:.1f})" for raw, near in means)
        print(f"| {seed} | {cells} |", flush=True)
    cells = " | ".join(f"{raw:.1f} ({near:.1f})" for raw, near in np.mean(total, axis=0))
    print(f"| mean | {cells} |")
    print("\nMean CIEDE2000 as made; in brackets that of the nearest print, darker or lighter.")


if __name__ == "__main__":
    main()
