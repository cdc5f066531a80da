"""Invented landscapes."""

from __future__ import annotations

import numpy as np

from tether_simulator.film.canvas import Canvas, Colour, FloatArray, step


def hills(c: Canvas) -> None:
    """Ranges of hills behind a meadow, sun and clouds."""
    horizon = c.chance(0.42, 0.58)
    _sky(c, horizon, c.chance(-0.2, 0.6))
    light = c.chance(0.6, 1.0)
    for depth in range(4):
        far = 1 - depth / 3
        line = c.ridge(horizon - 0.16 * far + 0.1 * (1 - far), 0.05 + 0.03 * far, 2.0)
        haze: Colour = (0.10 + 0.28 * far, 0.14 + 0.30 * far, 0.08 + 0.42 * far)
        shade = light * (1 + 0.25 * c.noise(10, 0.65))
        c.cover(c.below(line), haze, np.maximum(shade, 0.2))
    near = c.ridge(horizon + 0.22, 0.03, 1.5)
    grass = np.maximum(0.15, 1 + 0.35 * c.noise(40, 0.9) + 0.3 * c.noise(3))
    c.cover(c.below(near), (0.16, 0.20, 0.06), grass * (0.7 + 0.6 * c.y))
    for _ in range(int(c.rng.integers(2, 7))):
        _conifer(c, c.chance(0, c.aspect), horizon + c.chance(0.24, 0.5), c.chance(0.15, 0.4))


def snow(c: Canvas) -> None:
    """A snowfield under a pale sky, with a track, drifts and dark firs."""
    horizon = c.chance(0.3, 0.42)
    pale = c.chance(0.55, 0.8)
    c.fill((pale, pale * 1.02, pale * 1.08), 1 - 0.15 * c.y)
    c.cover(c.below(c.ridge(horizon - 0.05, 0.04, 3.0)), (0.35, 0.40, 0.48), 1.0)
    drifts = c.noise(3, 0.45, 3.0)
    slope = np.gradient(drifts, axis=1) * c.height / 40
    field = 0.95 + 0.16 * np.tanh(slope * 4) + 0.02 * c.noise(90, 0.9)
    c.cover(c.below(c.ridge(horizon, 0.02, 2.0)), (0.97, 0.99, 1.04), np.clip(field, 0.4, 1.4))
    start, bend = c.chance(0.3, 0.9) * c.aspect, c.chance(-0.5, 0.5)
    depth = np.clip((c.y - horizon) / (1 - horizon), 0, 1)
    for side in (-1, 1):
        middle = start + bend * (1 - depth) ** 2 + side * 0.035 * depth
        track = np.clip(1 - np.abs(c.x - middle) / (0.012 * depth + 1e-3), 0, 1)
        c.cover((track * (depth > 0)).astype(np.float32), (0.50, 0.55, 0.66))
    for _ in range(int(c.rng.integers(3, 9))):
        at = c.chance(0, c.aspect)
        _conifer(c, at, horizon + c.chance(0.02, 0.3), c.chance(0.15, 0.45), 0.012)


def sea(c: Canvas) -> None:
    """The sea with the sun's glitter, clouds, and a dark headland."""
    horizon = c.chance(0.35, 0.55)
    _sky(c, horizon, c.chance(-0.4, 0.3))
    sun = c.chance(0.2, 0.8) * c.aspect
    c.add(c.glow(sun, horizon - c.chance(0.08, 0.25), 0.03), (2.5, 2.1, 1.5))
    depth = np.clip((c.y - horizon) / (1 - horizon), 1e-3, 1)
    waves = c.noise(28, 0.75, 5.0) + 0.7 * np.sin(90 * np.sqrt(depth) + 2 * c.noise(5, 0.5, 4.0))
    water = np.clip(0.55 + 0.22 * waves * (0.4 + depth), 0.08, 2.0)
    c.cover(c.below(horizon), (0.10, 0.17, 0.22), water)
    path = np.exp(-(((c.x - sun) / (0.06 + 0.16 * depth)) ** 2))
    glitter = step(waves, 0.6, 1.9) * path * c.below(horizon)
    c.add(glitter.astype(np.float32), (2.2, 1.9, 1.4))
    edge = c.chance(0.25, 0.6) * c.aspect
    rise = c.ridge(horizon, 0.02, 4.0) - 0.16 * step(edge - c.x, -0.1, 0.5)
    head = c.below(rise) * (1 - c.below(horizon + 0.02)) * (c.x < edge)
    c.cover(head.astype(np.float32), (0.03, 0.035, 0.03), np.maximum(1 + 0.5 * c.noise(20), 0.3))


def dunes(c: Canvas) -> None:
    """Dunes in low light: long edges between light and shadow."""
    _sky(c, 0.3, -0.8)
    for depth in range(5):
        level = 0.28 + 0.16 * depth
        line = c.ridge(level, 0.05 + 0.012 * depth, 1.0, 0.16)
        slope = np.gradient(line[0])[None, :] * c.height
        ripple = np.sin((c.y - line) * (260 - 30 * depth) + 3 * c.noise(4, 0.4, 2.0))
        lit = 0.22 + 0.73 * step(slope + 0.02 * c.noise(3), -0.22, 0.16)
        lit = lit * (1 - 0.25 * np.clip((c.y - line) / 0.2, 0, 1)) * (1 + 0.07 * ripple)
        c.cover(c.below(line), (0.72, 0.52, 0.32), lit.astype(np.float32))


def forest(c: Canvas) -> None:
    """Trunks against leaves with light falling through them."""
    leaves = np.exp(0.9 * c.noise(12, 0.75))
    c.fill((0.07, 0.11, 0.03), np.clip(leaves * (1.6 - c.y), 0.02, 9).astype(np.float32))
    floor = np.exp(0.7 * c.noise(22, 0.8, 2.5))
    c.cover(c.below(c.ridge(0.72, 0.02, 2.0), 0.03), (0.09, 0.07, 0.03), floor)
    bark = np.clip(1 + 0.4 * c.noise(30, 0.8, 0.15), 0.2, 3)
    for index in range(int(c.rng.integers(8, 15))):
        near = (index + 1) / 15
        middle, half = c.chance(0, c.aspect), 0.008 + 0.04 * near * c.chance(0.6, 1.2)
        lean = c.chance(-0.06, 0.06)
        place = (c.x - middle - lean * (c.y - 0.5)) / half
        mask = np.clip((1 - np.abs(place)) * half / c.pixel + 0.5, 0, 1)
        mask = (mask * (1 - c.below(0.74 + 0.22 * near))).astype(np.float32)
        side = np.clip(0.25 + 0.5 * (place + 1) ** 2, 0.1, 2.2)
        tone = 0.03 + 0.05 * (1 - near)
        c.cover(mask, (tone * 1.2, tone, tone * 0.8), (bark * side).astype(np.float32))
    sunlit = step(c.noise(6, 0.6), 0.9, 1.6) * c.below(0.7, 0.1)
    c.add(sunlit.astype(np.float32), (0.6, 0.55, 0.3))


def mist(c: Canvas) -> None:
    """Trees fading in mist over still water: few tones, soft."""
    grey = c.chance(0.35, 0.6)
    c.fill((grey, grey * 1.01, grey * 1.03), 1.1 - 0.3 * c.y)
    for depth in range(4):
        line = c.ridge(0.50 + 0.05 * depth, 0.03 + 0.01 * depth, 5.0, 0.7)
        tone = grey * (0.85 - 0.2 * depth)
        bank = c.below(line) * (1 - c.below(0.62 + 0.04 * depth, 0.02))
        c.cover(bank, (tone, tone * 1.01, tone * 1.02))
    shore = round(0.66 * c.height)
    span = min(c.height - shore, shore)
    mirror = c.light[:, shore - span : shore][:, ::-1]
    c.light[:, shore : shore + span] = 0.85 * mirror
    c.light[:, shore:] *= 1 + 0.02 * c.noise(40, 0.7, 8.0)[shore:]


def _sky(c: Canvas, horizon: float, cloudiness: float) -> None:
    """A sky that pales toward the horizon, with clouds; more of them as cloudiness rises."""
    rise = np.clip(c.y / max(horizon, 0.1), 0, 1) ** 1.4
    deep: Colour = (0.12, 0.24, 0.50)
    pale: Colour = (0.72, 0.78, 0.84)
    for channel in (0, 1, 2):
        c.light[channel] = deep[channel] + (pale[channel] - deep[channel]) * rise
    lumps = c.noise(3, 0.55, 2.5)
    cloud = step(lumps + cloudiness - 0.6 * rise, 0.1, 1.4)
    shade = np.clip(0.95 - 0.22 * np.maximum(lumps, 0), 0.45, 1.0)
    c.cover(cloud, (1.0, 0.99, 0.97), shade)


def _conifer(c: Canvas, x: float, foot: float, height: float, tone: float = 0.02) -> None:
    """A fir as a ragged dark triangle."""
    along = np.clip((c.y - (foot - height)) / height, 0, 1)
    boughs = 0.6 + 0.4 * np.abs(np.sin(along * 34 + 2 * np.sin(along * 90)))
    half = 0.22 * height * along * boughs
    mask: FloatArray = np.clip((half - np.abs(c.x - x)) / c.pixel + 0.5, 0, 1).astype(np.float32)
    inside = (c.y > foot - height) & (c.y < foot)
    c.cover((mask * inside).astype(np.float32), (tone, tone * 1.4, tone * 0.9))
