"""Invented pictures of streets and rooms."""

from __future__ import annotations

import numpy as np

from tether_simulator.film.canvas import Canvas, Colour, FloatArray, step


def night(c: Canvas) -> None:
    """A street at night: lit windows, lamps with their glow, light on wet ground."""
    c.fill((0.0035, 0.004, 0.007), 1 + 0.8 * c.y)
    ground = c.chance(0.68, 0.76)
    x = -0.05
    while x < c.aspect:
        width, top = c.chance(0.14, 0.34), c.chance(0.12, 0.5)
        tone = c.chance(0.004, 0.014)
        c.cover(c.box(x, top, x + width, ground), (tone, tone * 0.95, tone * 0.9))
        _windows(c, (x, top, x + width, ground), 0.4)
        x += width + c.chance(-0.01, 0.05)
    for _ in range(int(c.rng.integers(3, 6))):
        at, high = c.chance(0.05, 0.95) * c.aspect, c.chance(0.3, 0.5)
        c.cover(c.box(at - 0.004, high, at + 0.004, ground + 0.05), (0.004, 0.004, 0.004))
        c.add(c.glow(at, high, 0.012), (3.5, 2.5, 1.1))
        c.add(c.glow(at, high, 0.09) ** 2, (0.10, 0.07, 0.03))
    _reflect(c, ground)


def street(c: Canvas) -> None:
    """Sunlit fronts on one side of a street, shadow on the other."""
    c.fill((0.30, 0.48, 0.80), 0.8 + 0.4 * c.y)
    vanish = (c.chance(0.4, 0.6) * c.aspect, 0.55)
    sunny = 1 if c.rng.random() < 0.5 else -1
    paving = np.clip(1 + 0.10 * c.noise(60, 0.8, 3.0), 0.3, 2)
    c.cover(c.below(vanish[1]), (0.30, 0.29, 0.27), paving)
    shaded = np.clip((vanish[0] - c.x) * sunny / np.maximum(c.y - vanish[1], 0.01), -2, 2)
    c.cover(c.below(vanish[1]) * step(shaded, 0.1, 0.15), (0.06, 0.065, 0.08))
    for side in (-1, 1):
        _front(c, vanish, side, side == sunny)


def _front(c: Canvas, vanish: tuple[float, float], side: int, sunny: bool) -> None:
    """One row of fronts in perspective; depth is 1 at the edge of the picture and more inward."""
    reach = vanish[0] if side < 0 else c.aspect - vanish[0]
    away = np.maximum((c.x - vanish[0]) * side / reach, 1e-3)
    depth = np.minimum(1 / away, 14.0)
    up = (vanish[1] - c.y) / away
    bay = np.floor(depth * 2.2)
    tall = 0.62 + 0.16 * np.sin(np.floor(depth * 0.9) * 2.4 + c.chance(0, 6))
    edge = 0.08
    mask = np.clip((tall - up) * away / c.pixel + 0.5, 0, 1)
    mask = mask * np.clip((up + 0.3) * away / c.pixel + 0.5, 0, 1) * (away > edge)
    level = 0.85 if sunny else 0.09
    tint = 0.8 + 0.2 * np.sin(np.floor(depth * 0.9) * 5.1)
    plaster = np.clip(level * tint * (1 + 0.06 * c.noise(50, 0.8)), 0.01, 2)
    colour: Colour = (0.95, 0.84, 0.66) if sunny else (0.85, 0.92, 1.05)
    c.cover(mask.astype(np.float32), colour, plaster.astype(np.float32))
    across = depth * 2.2 - bay
    floor = up * 7.0 - np.floor(up * 7.0)
    pane = (across > 0.3) & (across < 0.7) & (floor > 0.25) & (floor < 0.8) & (up > -0.1)
    glass = (mask * pane).astype(np.float32)
    c.cover(glass, (0.05, 0.06, 0.08), 1.0 if sunny else 0.4)


def still_life(c: Canvas) -> None:
    """Balls and a jar on a table, lit from one side."""
    wall = c.chance(0.05, 0.25)
    fall = 1.4 - 0.9 * c.x / c.aspect
    c.fill((wall, wall * 0.95, wall * 0.85), (fall * (1 + 0.03 * c.noise(60, 0.8))))
    table = c.chance(0.58, 0.68)
    grain = 1 + 0.18 * c.noise(30, 0.75, 9.0)
    c.cover(c.below(table), (0.30, 0.19, 0.10), np.clip(grain * fall, 0.1, 3))
    for _ in range(int(c.rng.integers(3, 6))):
        radius = c.chance(0.07, 0.16)
        cx, cy = c.chance(0.15, 0.85) * c.aspect, table + c.chance(0.0, 0.2) - radius * 0.6
        tint = c.rng.uniform(0.12, 0.85, 3)
        _shadow(c, cx, cy + radius, radius)
        _ball(c, cx, cy, radius, (float(tint[0]), float(tint[1]), float(tint[2])))
    at = c.chance(0.2, 0.8) * c.aspect
    _shadow(c, at, table + 0.1, 0.11)
    turn = np.clip((c.x - at) / 0.09, -1, 1)
    jar = c.box(at - 0.09, table - 0.32, at + 0.09, table + 0.1)
    round_light = 0.15 + 0.85 * np.clip(np.cos(np.arcsin(turn) + 0.8), 0, 1)
    c.cover(jar, (0.75, 0.75, 0.72), np.broadcast_to(round_light, jar.shape).astype(np.float32))
    c.cover(c.box(at - 0.05, table - 0.30, at - 0.04, table + 0.05), (1.8, 1.8, 1.8))


def window_room(c: Canvas) -> None:
    """A dark room and a bright window: more range than most film holds."""
    c.fill((0.020, 0.017, 0.014), 1 + 0.2 * c.noise(8, 0.7))
    x0, y0 = c.chance(0.15, 0.8), c.chance(0.1, 0.2)
    x1, y1 = x0 + c.chance(0.35, 0.5), y0 + c.chance(0.4, 0.5)
    c.add(c.glow((x0 + x1) / 2, (y0 + y1) / 2, 0.35) ** 2, (0.10, 0.10, 0.10))
    outside = np.clip(1.6 + 0.5 * c.noise(5, 0.6), 0.3, 4)
    c.cover(c.box(x0, y0, x1, y1), (1.0, 1.05, 1.1), outside)
    trees = c.box(x0, y0, x1, y1) * c.below(c.ridge(y0 + 0.62 * (y1 - y0), 0.03, 8.0, 0.7))
    c.cover(trees, (0.35, 0.42, 0.25), np.clip(1 + 0.5 * c.noise(40, 0.8), 0.1, 3))
    bar = 0.012
    for x in (x0, (x0 + x1) / 2, x1):
        c.cover(c.box(x - bar, y0 - bar, x + bar, y1 + bar), (0.05, 0.045, 0.04))
    for y in (y0, (y0 + y1) / 2, y1):
        c.cover(c.box(x0 - bar, y - bar, x1 + bar, y + bar), (0.05, 0.045, 0.04))
    depth = np.clip((c.y - 0.72) / 0.28, 0, 1)
    slant = c.x - 0.35 * depth * c.chance(0.6, 1.4)
    patch = step(slant, x0, x0 + 0.02) * (1 - step(slant, x1 - 0.02, x1)) * c.below(0.74)
    boards = 1 + 0.15 * np.sign(np.sin(c.x * 60 / (0.6 + depth))) + 0.1 * c.noise(40, 0.7, 4.0)
    c.cover(c.below(0.72), (0.030, 0.020, 0.012), np.clip(boards, 0.3, 2))
    c.cover(patch.astype(np.float32), (0.42, 0.33, 0.22), np.clip(boards, 0.3, 2))


def portal(c: Canvas) -> None:
    """Columns and an arch of stone in raking light: fine texture and hard edges."""
    stone = np.clip(1 + 0.16 * c.noise(18, 0.85), 0.3, 2)
    c.fill((0.42, 0.38, 0.31), stone * (1.2 - 0.4 * c.x / c.aspect))
    course = c.y * 14
    row = np.floor(course)
    joint = np.minimum(course - row, np.abs((c.x * 7 + 0.5 * (row % 2)) % 1 - 0.5) * 2)
    c.cover((joint < 0.07).astype(np.float32), (0.16, 0.14, 0.11))
    middle, half = c.chance(0.4, 0.6) * c.aspect, c.chance(0.2, 0.28)
    spring = c.chance(0.35, 0.45)
    inside = np.where(
        c.y < spring,
        half - np.hypot(c.x - middle, c.y - spring),
        half - np.abs(c.x - middle),
    )
    dark = np.clip(inside / c.pixel + 0.5, 0, 1).astype(np.float32)
    c.cover(dark, (0.012, 0.012, 0.014), np.clip(1 + 0.4 * c.noise(6), 0.2, 3))
    ring = np.clip((inside + 0.05) / c.pixel + 0.5, 0, 1).astype(np.float32) * (1 - dark)
    c.cover(ring, (0.62, 0.57, 0.47), stone)
    for index in range(-2, 3):
        if index == 0:
            continue
        at = middle + np.sign(index) * (half + 0.02 + 0.17 * abs(index))
        turn = np.clip((c.x - at) / 0.06, -1, 1)
        lit = 0.08 + 0.95 * np.clip(np.cos(np.arcsin(turn) + 0.9), 0, 1)
        shaft = c.box(at - 0.06, 0.12, at + 0.06, 0.92)
        c.cover(shaft, (0.72, 0.66, 0.55), (lit * stone).astype(np.float32))
    c.cover(c.below(0.92), (0.30, 0.27, 0.22), stone)


def _windows(c: Canvas, wall: tuple[float, float, float, float], lit: float) -> None:
    x0, y0, x1, y1 = wall
    columns, rows = max(2, int((x1 - x0) / 0.045)), max(2, int((y1 - y0) / 0.065))
    for row in range(rows):
        for column in range(columns):
            if c.rng.random() > lit:
                continue
            left = x0 + (column + 0.25) * (x1 - x0) / columns
            top = y0 + (row + 0.25) * (y1 - y0) / rows
            level = float(np.exp(c.chance(-2.5, 0.3)))
            a, b = round(left * c.height), round((left + 0.024) * c.height)
            d, e = round(top * c.height), round((top + 0.036) * c.height)
            for channel, tint in enumerate((1.0, 0.78, 0.42)):
                c.light[channel, max(d, 0) : e, max(a, 0) : max(b, 0)] = level * tint


def _reflect(c: Canvas, ground: float) -> None:
    """Mirror what stands above the ground in it, smeared downward and broken by texture."""
    line = round(ground * c.height)
    rows = c.height - line
    source = np.clip(line - 1 - 2 * np.arange(rows), 0, None)
    wet = np.clip(0.35 + 0.25 * c.noise(24, 0.7, 5.0)[line:], 0.02, 1)
    mirror = c.light[:, source]
    c.light[:, line:] = (0.35 * mirror * wet + 0.004).astype(np.float32)


def _ball(c: Canvas, cx: float, cy: float, radius: float, colour: Colour) -> None:
    dx, dy = (c.x - cx) / radius, (c.y - cy) / radius
    inside = 1 - dx * dx - dy * dy
    dz = np.sqrt(np.maximum(inside, 0))
    shade = np.clip(-0.62 * dx - 0.52 * dy + 0.58 * dz, 0, 1)
    mask = np.clip(inside * radius / (2 * c.pixel) + 0.5, 0, 1).astype(np.float32)
    spot = np.clip(-0.34 * dx - 0.29 * dy + 0.89 * dz, 0, 1) ** 60
    light: FloatArray = (0.05 + 0.95 * shade).astype(np.float32)
    c.cover(mask, colour, light)
    c.add((mask * spot).astype(np.float32), (1.6, 1.6, 1.5))


def _shadow(c: Canvas, x: float, y: float, radius: float) -> None:
    far = np.hypot((c.x - x - radius * 0.7) / (radius * 1.7), (c.y - y + 0.02) / (radius * 0.4))
    c.light *= 1 - 0.75 * (1 - step(far, 0.5, 1.1))
