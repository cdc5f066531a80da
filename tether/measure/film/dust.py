"""Dark spots that stay where they are while the film moves: dust on lens, sensor or lamp."""

from __future__ import annotations

from collections.abc import Sequence
from math import comb
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from tether.findings import Finding
from tether.measure.levels import main_channels
from tether.raw import Mosaic
from tether.settings import DustSettings
from tether.text import plural

Spots = NDArray[np.float32]
"""Spots of one frame, shape (n, 3): row and column as shares of the frame's height and width, and
depth in stops; deepest first."""

_ACROSS = 1000
"""Width of the reduced picture in which spots are looked for."""
RINGS = (0.006, 0.016)
"""Radii of the surroundings that a spot is compared with, in widths of the frame."""
_DARKEST = 2.0**-8
"""Signal below which the noise of a frame makes spots of its own."""
_ROWS = 32
_MOST = 300
"""Spots kept of one frame."""
KEPT = 6
"""Earlier frames whose spots are worth keeping."""
_CHANCE = 1e-3
"""Spots a frame that may pass for dust by chance."""
_CLUSTERED = 3.0
_ALIKE = 0.5
"""How much shallower a spot may look in one frame than in another, as a share of its depth."""


class DarkPlaces(NamedTuple):
    """Where a reduced picture is darker than all around.

    Attributes
    ----------
    seen
        The picture in stops below saturation, shape (h, w).
    places
        Row and column of each dark place in it, shape (n, 2), deepest first.
    spots
        The same as `Spots`.
    width, step
        The frame's width, and the photosites along a pixel of the picture.
    """

    seen: NDArray[np.float32]
    places: NDArray[np.intp]
    spots: Spots
    width: int
    step: int


def find_spots(
    mosaic: Mosaic,
    region: tuple[slice, slice] | None = None,
    settings: DustSettings | None = None,
) -> Spots:
    """Return the spots of `dark_places`, shape (n, 3)."""
    return dark_places(mosaic, region, settings).spots


def dark_places(
    mosaic: Mosaic,
    region: tuple[slice, slice] | None = None,
    settings: DustSettings | None = None,
) -> DarkPlaces:
    """Find small spots that are darker than everything around them.

    Parameters
    ----------
    mosaic
        The frame.
    region
        Rows and columns to look at, in photosites; None takes the whole of it.

    Returns
    -------
    Up to 300 of them. A spot's depth is how much darker its middle is than the darkest
    of eight places around it, so that edges and lines are none.
    """
    settings = settings or DustSettings()
    height, width = mosaic.shape
    rows, columns = region if region is not None else (slice(0, height), slice(0, width))
    top, left = int(rows.start or 0), int(columns.start or 0)
    seen, step = _reduced(mosaic, (top, int(rows.stop)), (left, int(columns.stop)))
    if min(seen.shape) < 5:
        none = np.zeros((0, 3), np.float32)
        return DarkPlaces(seen, np.zeros((0, 2), np.intp), none, width, step)
    depth = np.zeros(seen.shape, np.float32)
    for ring in RINGS:
        _deepen(depth, seen, max(2, round(ring * width / step)))
    places = _peaks(depth, settings.least_depth, max(3, round(RINGS[0] * width / step)))
    spots = np.column_stack(
        [
            (top + (places[:, 0] + 0.5) * step) / height,
            (left + (places[:, 1] + 0.5) * step) / width,
            depth[places[:, 0], places[:, 1]],
        ]
    ).astype(np.float32)
    return DarkPlaces(seen, places, spots, width, step)


def lasting_spots(
    spots: Spots,
    previous: Sequence[Spots],
    settings: DustSettings | None = None,
    aspect: float = 1.5,
) -> Spots:
    """Return the spots that earlier frames show in the same place and alike in depth.

    How many frames that takes follows from the pictures: a spot counts when the number of spots
    that would do as much by chance is below a limit. Among a dozen spots in a clear sky the third
    frame settles it; in foliage, where spots are everywhere, it takes more.

    Parameters
    ----------
    spots
        The newest frame's.
    previous
        Those of the frames before it, newest last; the last `KEPT` are looked at. They must be
        *other* frames of the film: in two pictures of one frame, dirt on the film stays in its
        place as well. Frames that show the same picture again (a series from a tripod) are told
        by their many common spots and do not count.
    aspect
        Width over height of the frame.
    """
    settings = settings or DustSettings()
    meetings = [_meetings(spots, other, settings, aspect) for other in previous[-KEPT:]]
    meetings = [(met, alike) for met, alike in meetings if not _same_picture(met)]
    needed = int(settings.frames) - 1
    if len(meetings) < needed or not len(spots):
        return np.zeros((0, 3), np.float32)
    matched = np.stack([met for met, _ in meetings])
    times = matched.sum(axis=0)
    # Spots of pictures lie in clusters, which makes meetings more likely than an even spread.
    circle = _CLUSTERED * np.pi * settings.place**2 * aspect
    odds = np.minimum(1.0, circle * np.stack([alike for _, alike in meetings]))
    chance = np.prod(np.where(matched, odds, 1.0), axis=0)
    # So many spots had the chance, and so many choices of frames.
    chance *= _alike(spots, spots)
    chance *= np.array([comb(len(meetings), int(n)) for n in times])
    kept: Spots = spots[(times >= needed) & (chance < _CHANCE)]
    return kept


def _meetings(
    spots: Spots, other: Spots, settings: DustSettings, aspect: float
) -> tuple[NDArray[np.bool_], NDArray[np.intp]]:
    """Tell for each spot whether another frame has one there, and how many are like it at all."""
    down = (spots[:, None, 0] - other[None, :, 0]) / aspect
    across = spots[:, None, 1] - other[None, :, 1]
    one, another = np.nonzero(down**2 + across**2 <= settings.place**2)
    shallow = np.minimum(spots[one, 2], other[another, 2])
    alike = shallow >= _ALIKE * np.maximum(spots[one, 2], other[another, 2])
    met = np.zeros(len(spots), np.bool_)
    met[one[alike]] = True
    return met, _alike(spots, other)


def _alike(spots: Spots, other: Spots) -> NDArray[np.intp]:
    """Return for each spot how many others are alike in depth."""
    depths = np.sort(other[:, 2])
    low = np.searchsorted(depths, _ALIKE * spots[:, 2], "left")
    return np.searchsorted(depths, spots[:, 2] / _ALIKE, "right") - low


def _same_picture(met: NDArray[np.bool_]) -> bool:
    return bool(met.sum() >= 20 and met.mean() > 0.4)


def compare_dust(
    spots: Spots,
    previous: Sequence[Spots],
    settings: DustSettings | None = None,
    aspect: float = 1.5,
) -> list[Finding]:
    """Say whether dust lies on something that does not move with the film; see `lasting_spots`."""
    settings = settings or DustSettings()
    stay = lasting_spots(spots, previous, settings, aspect)
    if not len(stay):
        return []
    return [
        Finding.of(
            "dust-not-on-film",
            float(len(stay)),
            spots=plural(len(stay), "dark spot", "dark spots"),
            where=_words(float(stay[0, 0]), float(stay[0, 1])),
        )
    ]


def _reduced(
    mosaic: Mosaic, rows: tuple[int, int], columns: tuple[int, int]
) -> tuple[NDArray[np.float32], int]:
    """Return a small picture of green light in stops below saturation, and its step in photosites.

    Not every photosite is read: of a large file every second row of green ones is enough.
    """
    size = mosaic.pattern.shape[0]
    green = main_channels(mosaic.channels)
    channel = green[0]
    r, c = np.argwhere(mosaic.pattern == channel)[0]
    each = max(1, mosaic.shape[1] // (size * _ACROSS))
    skip = max(1, each // 2)
    join = each // skip
    seen = mosaic.data[
        rows[0] + (int(r) - rows[0]) % size : rows[1] : size * skip,
        columns[0] + (int(c) - columns[0]) % size : columns[1] : size * skip,
    ]
    h, w = (n // join for n in seen.shape)
    x = np.empty((h, w), np.float32)
    for first in range(0, h, _ROWS):  # a few rows at a time, which stay in the processor's cache
        lines = seen[first * join : min(first + _ROWS, h) * join, : w * join]
        tall = _total([lines[down::join] for down in range(join)])
        x[first : first + _ROWS] = _total([tall[:, right::join] for right in range(join)])
    black, saturation = mosaic.black[channel], mosaic.saturation[channel]
    x -= np.float32(join**2 * black)
    x /= np.float32(join**2 * (saturation - black))
    # Three by three: grain and noise go, specks stay.
    x = _box(_box(x, 0), 1)
    np.maximum(x, np.float32(_DARKEST), out=x)
    return np.log2(x, out=x), size * skip * join


def _total(parts: list[NDArray[Any]]) -> NDArray[np.uint32]:
    """Return the sum of arrays of one shape."""
    if len(parts) == 1:
        return parts[0].astype(np.uint32)
    total: NDArray[np.uint32] = np.add(parts[0], parts[1], dtype=np.uint32)
    for part in parts[2:]:
        total += part
    return total


def _box(x: NDArray[np.float32], axis: int) -> NDArray[np.float32]:
    """Mean of three neighbours along an axis; the borders keep their own value."""
    out = x.copy()
    middle, before, after = (
        tuple(part if a == axis else slice(None) for a in (0, 1))
        for part in (slice(1, -1), slice(None, -2), slice(2, None))
    )
    out[middle] += x[before]
    out[middle] += x[after]
    out[middle] /= 3
    return out


def _deepen(depth: NDArray[np.float32], x: NDArray[np.float32], radius: int) -> None:
    """Raise ``depth`` to how much darker each place is than the darkest of eight around it."""
    h, w = x.shape
    if min(h, w) <= 2 * radius + 1:
        return
    slant = max(1, round(radius * 0.7071))
    ring: NDArray[np.float32] | None = None
    for dy, dx in (
        (0, radius), (0, -radius), (radius, 0), (-radius, 0),
        (slant, slant), (slant, -slant), (-slant, slant), (-slant, -slant),
    ):  # fmt: skip
        part = x[radius + dy : h - radius + dy, radius + dx : w - radius + dx]
        ring = part.copy() if ring is None else np.minimum(ring, part, out=ring)
    assert ring is not None
    inner = np.s_[radius : h - radius, radius : w - radius]
    ring -= x[inner]
    np.maximum(depth[inner], ring, out=depth[inner])


def _peaks(depth: NDArray[np.float32], least: float, apart: int) -> NDArray[np.intp]:
    """Return (row, column) of the deepest places at least ``apart`` from each other."""
    flat = np.flatnonzero(depth >= least)
    if not flat.size:
        return np.zeros((0, 2), np.intp)
    order = flat[np.argsort(depth.ravel()[flat])[::-1]]
    width = depth.shape[1]
    taken = bytearray(depth.size)
    plane = np.frombuffer(taken, np.uint8).reshape(depth.shape)
    kept: list[tuple[int, int]] = []
    for place in order.tolist():
        if not taken[place]:
            y, x = divmod(place, width)
            kept.append((y, x))
            if len(kept) == _MOST:
                break
            plane[max(0, y - apart) : y + apart + 1, max(0, x - apart) : x + apart + 1] = 1
    return np.asarray(kept, np.intp)


def _words(row: float, column: float) -> str:
    """Say in which ninth of the frame a place lies."""
    down = ("in the upper part", "", "in the lower part")[min(2, int(row * 3))]
    side = ("at the left", "", "at the right")[min(2, int(column * 3))]
    return " ".join(word for word in (down, side) if word) or "in the middle"
