"""Find the strips on a photograph of a light table, and lay each one straight."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageFilter

from tether.film import FilmFormat

FloatArray = NDArray[np.float32]
Points = NDArray[np.float64]
"""Places as x and y, shape (n, 2)."""

LONGEST = 1600
"""Pixels along the longer side in which strips are looked for."""
SCALE = 5.0
"""Pixels per millimetre of a strip that was laid straight."""

_BLOCKS = 40
_ROOM = 0.25
"""Light against the table's brightest below which a place is not on the table."""
_FILM = 0.86
"""Light through film against the bare table about it: the thinnest base is darker than that."""
_LEAST_WIDTH = 0.02
"""Width of a strip in shares of the picture's longer side, at least."""
_LEAST_FILLED = 0.7
_LEAST_LIGHT = 0.1
"""Light through the lighter parts of any film, at least."""
HOLES_MM = 2.01 + 2.794 / 2
"""From the edge of film to the middle of its perforations (ISO 491)."""
_LEAST_HOLES = 0.15
"""Share of an edge that is holes, at least; by ISO 491 it is 1.98 of 4.75 mm."""
_LONG = 1.7
"""Length against width from which a piece of film tells by itself how it lies."""
_LINE = 5
"""Pixels up to which what is dark is a line and no film."""
_ALIKE = 0.12
"""Share by which the widths of strips of one page may differ, perspective included."""


@dataclass(frozen=True, slots=True)
class Strip:
    """A strip of film on the page.

    Attributes
    ----------
    corners
        In pixels of the picture that was given, shape (4, 2): as the page is seen, the strip's
        upper left first, then clockwise along its length.
    light
        The strip laid straight at `SCALE`, its light against the table's, shape (h, w).
    to_page
        Matrix (3, 3) that brings places on ``light`` in millimetres to the picture.
    """

    corners: Points
    light: FloatArray
    to_page: Points


def find_strips(light: FloatArray, form: FilmFormat) -> list[Strip]:
    """Return the strips on a picture of a light table, from the top to the bottom.

    Strips that stand upright are given from the left to the right, their length from the top.

    Parameters
    ----------
    light
        Linear light, shape (h, w), any scale.
    form
        The film's format; its width is what tells the scale.
    """
    shrink = max(1.0, max(light.shape) / LONGEST)
    small = _resized(light, shrink)
    relative = np.asarray(small / np.maximum(_table(small), 1e-6), np.float32)
    found = []
    for area in _areas(_without_lines(relative < _FILM)):
        corners = _corners(area)
        if corners is not None:
            found.append(corners)
    found = _alike(found)
    strips = []
    for corners in _in_order(found):
        width = (_length(corners, 0, 3) + _length(corners, 1, 2)) / 2
        along = (_length(corners, 0, 1) + _length(corners, 3, 2)) / 2
        length = along / width * form.film_width
        flat = np.array(
            [(0, 0), (length, 0), (length, form.film_width), (0, form.film_width)], np.float64
        )
        to_page = homography(flat, corners * shrink)
        straight = laid_straight(relative, homography(flat * SCALE, corners), flat[2] * SCALE)
        if _is_film(straight, form):
            strips.append(Strip(corners * shrink, straight, to_page))
    return strips


def _is_film(light: FloatArray, form: FilmFormat) -> bool:
    """Whether light comes through: along one edge in holes, where the format has them.

    A paper print or a card is dark all over.
    """
    if not form.perforated:
        return bool(np.percentile(light, 90) > _LEAST_LIGHT)
    row = round(HOLES_MM * SCALE)
    bare = [(light[at] > _FILM).mean() for at in (row, light.shape[0] - 1 - row)]
    return bool(max(bare) > _LEAST_HOLES)


def homography(source: NDArray[np.floating], target: NDArray[np.floating]) -> Points:
    """Return the matrix (3, 3) that brings four points, shape (4, 2), to four others.

    The direct linear transformation: the null space of two equations a point (R. Hartley and A.
    Zisserman, Multiple View Geometry, section 4.1).
    """
    rows = []
    for (x, y), (u, v) in zip(source, target, strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y, -u])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y, -v])
    return np.asarray(np.linalg.svd(np.array(rows, np.float64))[2][-1].reshape(3, 3))


def through(matrix: Points, points: NDArray[np.floating]) -> Points:
    """Return points, shape (n, 2), as a homography brings them."""
    moved = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return np.asarray(moved[:, :2] / moved[:, 2:], np.float64)


def _resized(light: FloatArray, shrink: float) -> FloatArray:
    if shrink == 1:
        return light
    size = (round(light.shape[1] / shrink), round(light.shape[0] / shrink))
    image = Image.fromarray(np.asarray(light, np.float32))
    return np.asarray(image.resize(size, Image.Resampling.BOX), np.float32)


def _table(light: FloatArray) -> FloatArray:
    """Return the bare table's light everywhere: a smooth surface over the brightest cells.

    Its logarithm is a polynomial of place, fitted in turns to the cells that come near it: film,
    reflections and the room beside the table are left out.
    """
    height, width = light.shape
    block = max(4, max(height, width) // _BLOCKS)
    rows, columns = height // block, width // block
    cells = light[: rows * block, : columns * block].reshape(rows, block, columns, block)
    bright = np.percentile(cells.transpose(0, 2, 1, 3).reshape(rows, columns, -1), 92, axis=2)
    around = np.lib.stride_tricks.sliding_window_view(np.pad(bright, 2, "edge"), (5, 5))
    # Not the highest of a cell's neighbourhood: a reflection is brighter than the table.
    top = np.sort(around.reshape(rows, columns, -1), axis=2)[:, :, -3]
    lit = top > _ROOM * top.max()
    y, x = np.mgrid[:rows, :columns]
    y, x = (2 * (y + 0.5) * block / height - 1), (2 * (x + 0.5) * block / width - 1)
    level = np.log(np.maximum(bright, 1e-6))
    surface = _fitted(x[lit], y[lit], np.log(top[lit]), 2)
    for degree, near in ((2, 0.12), (3, 0.08), (4, 0.06), (4, 0.05), (4, 0.05)):
        close = lit & (np.abs(level - surface(x, y)) < near)
        if np.count_nonzero(close) < 40:
            break
        surface = _fitted(x[close], y[close], level[close], degree)
    fine_y = (2 * (np.arange(height) + 0.5) / height - 1)[:, None]
    fine_x = (2 * (np.arange(width) + 0.5) / width - 1)[None, :]
    return np.exp(np.clip(surface(fine_x, fine_y), -14, 5)).astype(np.float32)


def _fitted(x: Points, y: Points, level: Points, degree: int) -> Callable[[Points, Points], Points]:
    powers = [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]
    basis = np.column_stack([x**i * y**j for i, j in powers])
    weights = np.linalg.lstsq(basis, level, rcond=None)[0]

    def surface(x: Points, y: Points) -> Points:
        total = np.zeros(np.broadcast_shapes(x.shape, y.shape))
        for weight, (i, j) in zip(weights, powers, strict=True):
            total += weight * x**i * y**j
        return total

    return surface


def _without_lines(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Take away what is narrower than a strip's edge beside its perforations: seams, hairs."""
    image = Image.fromarray(np.where(mask, 255, 0).astype(np.uint8))
    kept = image.filter(ImageFilter.MinFilter(_LINE)).filter(ImageFilter.MaxFilter(_LINE))
    return np.asarray(kept) > 0


def _areas(mask: NDArray[np.bool_]) -> list[Points]:
    """Return the connected areas that may be strips, each as its outline of first and last pixels.

    An area is given by its rows: shape (n, 3), y, first x and last x. Those that touch the
    picture's border are the table's surroundings.
    """
    height, width = mask.shape
    least = (_LEAST_WIDTH * max(mask.shape)) ** 2
    padded = np.zeros((height, width + 2), np.int8)
    padded[:, 1:-1] = mask
    edges = np.diff(padded, axis=1)
    parent: list[int] = []
    runs: list[tuple[int, int, int]] = []

    def root(index: int) -> int:
        while parent[index] != index:
            parent[index] = parent[parent[index]]
            index = parent[index]
        return index

    above: list[int] = []
    for y in range(height):
        starts, ends = np.flatnonzero(edges[y] == 1), np.flatnonzero(edges[y] == -1)
        here: list[int] = []
        at = 0
        for first, last in zip(starts.tolist(), (ends - 1).tolist(), strict=True):
            index = len(parent)
            parent.append(index)
            runs.append((y, first, last))
            here.append(index)
            while at < len(above) and runs[above[at]][2] < first:
                at += 1
            for other in above[at:]:
                if runs[other][1] > last:
                    break
                parent[root(other)] = root(index)
        above = here
    if not runs:
        return []
    of = np.array([root(index) for index in range(len(parent))])
    every = np.array(runs)
    order = np.argsort(of, kind="stable")
    areas = []
    for part in np.split(order, np.flatnonzero(np.diff(of[order])) + 1):
        rows = every[part]
        size = int((rows[:, 2] - rows[:, 1] + 1).sum())
        touches = (
            rows[:, 0].min() == 0 or rows[:, 0].max() == height - 1
            or rows[:, 1].min() == 0 or rows[:, 2].max() == width - 1
        )  # fmt: skip
        if size >= least and not touches:
            areas.append(rows)
    return areas


def _corners(rows: Points) -> Points | None:
    """Return the corners of an area that is a long rectangle, None for one that is not.

    Each side is a straight line through where the area ends, fitted without its rounded corners.
    """
    weights = (rows[:, 2] - rows[:, 1] + 1).astype(np.float64)
    ends = _rim(rows)
    middle = np.average(
        np.column_stack([(rows[:, 1] + rows[:, 2]) / 2, rows[:, 0]]), axis=0, weights=weights
    )
    # It lies as the smallest rectangle about it does, whose longer side is along the film.
    angles = np.deg2rad(np.arange(-45.0, 45.0))
    axes = np.stack([np.cos(angles), np.sin(angles)])
    sides = (
        np.ptp((ends - middle) @ axes, axis=0),
        np.ptp((ends - middle) @ (axes[::-1] * [[-1], [1]]), axis=0),
    )
    best = int((sides[0] * sides[1]).argmin())
    u = axes[:, best]
    v = np.array([-u[1], u[0]])
    if sides[0][best] < sides[1][best]:
        u, v = v, -u
    along, across = (ends - middle) @ u, (ends - middle) @ v
    length, width, total = np.ptp(along), np.ptp(across), weights.sum()
    if width < 8 or total < _LEAST_FILLED * length * width:
        return None
    lines = [
        _side(along, across, -1), _side(across, along, 1),
        _side(along, across, 1), _side(across, along, -1),
    ]  # fmt: skip
    if any(line is None for line in lines):
        return None
    top, right, bottom, left = lines
    corners = []
    for flat, steep in ((top, left), (top, right), (bottom, right), (bottom, left)):
        a, b = flat  # type: ignore[misc]
        c, d = steep  # type: ignore[misc]
        p = (c * b + d) / (1 - c * a)
        corners.append(middle + p * u + (a * p + b) * v)
    out = np.array(corners)
    # Sides of what is no rectangle meet anywhere.
    beyond = np.abs((out - middle) @ np.column_stack([u, v])) > 0.6 * np.array([length, width])
    return None if beyond.any() else out


def _rim(rows: Points) -> Points:
    """Return where an area begins and ends in each row and in each column, as x and y."""
    top, left = rows[:, 0].min(), rows[:, 1].min()
    mask = np.zeros((rows[:, 0].max() - top + 1, rows[:, 2].max() - left + 1), bool)
    for y, first, last in rows.tolist():
        mask[y - top, first - left : last - left + 1] = True
    height, width = mask.shape
    y, x = np.arange(height), np.arange(width)
    filled = mask.any(axis=0)  # every row of a connected area has some
    rim = np.concatenate(
        [
            np.column_stack([mask.argmax(axis=1) - 0.5, y]),
            np.column_stack([width - mask[:, ::-1].argmax(axis=1) - 0.5, y]),
            np.column_stack([x, mask.argmax(axis=0) - 0.5])[filled],
            np.column_stack([x, height - mask[::-1].argmax(axis=0) - 0.5])[filled],
        ]
    )
    return np.asarray(rim + np.array([left, top]), np.float64)


def _side(
    along: NDArray[np.float64], across: NDArray[np.float64], sign: int
) -> tuple[float, float] | None:
    """Fit ``across = slope * along + offset`` to the outermost points on one side."""
    low, high = along.min(), along.max()
    bins = max(8, min(200, int((high - low) / 3)))
    index = np.clip(((along - low) / max(high - low, 1e-9) * bins).astype(int), 0, bins - 1)
    outermost = np.full(bins, -np.inf)
    np.maximum.at(outermost, index, sign * across)
    x = low + (np.arange(bins) + 0.5) * (high - low) / bins
    use = (
        np.isfinite(outermost) & (x > low + 0.06 * (high - low)) & (x < high - 0.06 * (high - low))
    )
    if np.count_nonzero(use) < 5:
        return None
    x, y = x[use], sign * outermost[use]
    slope, offset = 0.0, float(np.median(y))
    for _ in range(6):
        away = np.abs(y - slope * x - offset)
        near = away <= max(1.5 * float(np.median(away)), 0.75)
        if np.count_nonzero(near) < 5:
            break
        slope, offset = (float(c) for c in np.polyfit(x[near], y[near], 1))
    return slope, offset


def _alike(found: list[Points]) -> list[Points]:
    """Leave out what is not as wide as most (labels, clips, hands); lay short pieces like them."""
    sizes = [
        (_length(c, 0, 3) + _length(c, 1, 2), _length(c, 0, 1) + _length(c, 3, 2)) for c in found
    ]
    long = [width for width, length in sizes if length > _LONG * width]
    usual = float(np.median(long or [width for width, _ in sizes] or [0.0]))
    kept = []
    for corners, (width, length) in zip(found, sizes, strict=True):
        off, turned = abs(width / usual - 1), abs(length / usual - 1)
        if min(off, turned) < _ALIKE or len(found) < 3:
            kept.append(np.roll(corners, 1, axis=0) if turned < off and long else corners)
    return kept


def _in_order(found: list[Points]) -> list[Points]:
    """Turn each strip's corners alike, and put the strips in the order in which one reads."""
    turned = []
    for corners in found:
        du = corners[1] - corners[0]
        upright = bool(abs(du[1]) > abs(du[0]))
        back = (du[1] if upright else du[0]) < 0
        turned.append((upright, np.roll(corners, 2, axis=0) if back else corners))
    upright = sum(u for u, _ in turned) * 2 > len(turned)
    key = 0 if upright else 1
    return sorted((c for u, c in turned if u is upright), key=lambda c: float(c[:, key].mean()))


def _length(corners: Points, a: int, b: int) -> float:
    return math.dist(corners[a], corners[b])


def laid_straight(light: FloatArray, matrix: Points, size: NDArray[np.floating]) -> FloatArray:
    """Return what a homography shows of a picture; ``size`` is its width and height."""
    data = tuple((matrix / matrix[2, 2]).ravel()[:8])
    image = Image.fromarray(light)
    shape = (max(1, round(size[0])), max(1, round(size[1])))
    return np.asarray(
        image.transform(shape, Image.Transform.PERSPECTIVE, data, Image.Resampling.BILINEAR),
        np.float32,
    )
