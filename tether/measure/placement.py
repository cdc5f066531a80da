"""Where the frame lies in the view: its edges, its turn, its scale, and what is cut off."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from tether.film import FilmFormat
from tether.measure.borders import BoolArray, Line, borders, steps_into
from tether.measure.reading import SIDES, Reading, best_reading
from tether.measure.shapes import Quad

_LEAST = 0.33


@dataclass(frozen=True, slots=True)
class Edges:
    """The borders between rebate and picture that were seen, in pixels of the small picture.

    ``lines`` holds up to three borders for each side, best supported first.
    """

    lines: dict[str, tuple[Line, ...]]
    shape: tuple[int, int]

    @property
    def score(self) -> float:
        """How much the sides agree: the sum of the best support of each, at most 4."""
        return sum(lines[0].support for lines in self.lines.values())


@dataclass(frozen=True, slots=True)
class Placement:
    """How the frame lies in the view. All places in photosites of the visible mosaic.

    Attributes
    ----------
    outline
        The picture's outline; sides that were not seen are placed by the format's size. None
        where too little was seen.
    seen
        Sides whose edge was seen, as the camera shows them.
    degrees
        Turn of the frame, positive clockwise as the camera shows it.
    scale
        Photosites per millimetre on the film, None where it is not known.
    missing_mm
        What is cut off on each side that lies outside the view, in millimetres.
    along_offset_mm, across_offset_mm
        How far the frame's middle lies from the view's middle, positive to the right or down.
    along_is_horizontal
        Whether the film's length runs along the mosaic's rows.
    used
        Share of the view that the picture fills, 0..1.
    between_frames
        Whether the edge of the neighbouring frame is in the view as well.
    """

    outline: Quad | None = None
    seen: tuple[str, ...] = ()
    degrees: float | None = None
    scale: float | None = None
    missing_mm: dict[str, float] = field(default_factory=dict)
    along_offset_mm: float | None = None
    across_offset_mm: float | None = None
    along_is_horizontal: bool = True
    used: float | None = None
    between_frames: bool = False

    @property
    def pixels_per_inch(self) -> float | None:
        """Photosites per inch on the film."""
        return None if self.scale is None else self.scale * 25.4


def find_edges(rebate: BoolArray, picture: BoolArray) -> Edges:
    """Find the borders at which rebate (outside) meets picture (inside).

    Both masks have the shape (height, width) of the small picture. Every row and column is
    scanned from both ends; where most of them agree on one straight line there is an edge.
    """
    height, width = rebate.shape
    lines: dict[str, tuple[Line, ...]] = {}
    turned = {
        "left": (rebate, picture, width),
        "right": (rebate[:, ::-1], picture[:, ::-1], width),
        "top": (rebate.T, picture.T, height),
        "bottom": (rebate.T[:, ::-1], picture.T[:, ::-1], height),
    }
    for side, (outside, inside, length) in turned.items():
        found = borders(steps_into(outside, inside), outside.shape[0], (1.0, 0.95 * length), _LEAST)
        if found:
            lines[side] = found
    return Edges(lines, (height, width))


def place_frame(
    edges: Edges,
    film: FilmFormat,
    pixel: float,
    mosaic_shape: tuple[int, int],
    known_scale: float | None = None,
    *,
    dark: bool = False,
) -> Placement:
    """Turn edges into the frame's outline, scale and turn.

    Parameters
    ----------
    edges
        What `find_edges` found.
    film
        The format, whose picture size gives the scale (135: ISO 1007).
    pixel
        Photosites per pixel of the small picture.
    mosaic_shape
        (height, width) of the visible mosaic.
    known_scale
        Photosites per millimetre from earlier frames of the same set-up, None without.
    dark
        Whether the rebate is dark (a transparency's), as the gate's mask is.

    Every way to name the borders that were seen (edge of this frame, edge of its neighbour,
    neither) is tried; it counts only where the sides are parallel within 0.8 degrees and their
    distances fit the format within 3.5 per cent. The reading that explains most of what was
    seen is taken.
    """
    scale = None if known_scale is None else known_scale / pixel
    reading = best_reading(edges.lines, edges.shape, film, scale, dark)
    if reading is None:
        return Placement(seen=tuple(s for s in SIDES if s in edges.lines))
    full = _outline(reading, edges.shape, film).scaled(pixel)
    height, width = mosaic_shape
    xs, ys = zip(*full.corners, strict=True)
    per_mm = reading.scale * pixel
    middle = full.centre
    beyond = {
        "left": -(xs[0] + xs[3]) / 2,
        "top": -(ys[0] + ys[1]) / 2,
        "right": (xs[1] + xs[2]) / 2 - width,
        "bottom": (ys[2] + ys[3]) / 2 - height,
    }
    missing = {
        side: amount / per_mm
        for side, amount in beyond.items()
        if side not in reading.sides and amount > 0
    }
    dx, dy = (middle[0] - width / 2) / per_mm, (middle[1] - height / 2) / per_mm
    horizontal = reading.horizontal
    return Placement(
        outline=full,
        seen=tuple(s for s in SIDES if s in reading.sides),
        degrees=reading.degrees,
        scale=per_mm,
        missing_mm=missing,
        along_offset_mm=dx if horizontal else dy,
        across_offset_mm=dy if horizontal else dx,
        along_is_horizontal=horizontal,
        used=_share_in_view(full, mosaic_shape),
        between_frames=reading.gap,
    )


def _outline(reading: Reading, shape: tuple[int, int], film: FilmFormat) -> Quad:
    """Build the outline; a side that was not seen is put where the format's size places it."""
    height, width = shape
    size_x, size_y = reading.size(film)
    turn = math.radians(reading.degrees)
    slope = math.tan(turn)
    at: dict[str, tuple[float, float]] = {}
    for a, b, length, extent, sign in (
        ("left", "right", width, size_x, -1.0),
        ("top", "bottom", height, size_y, 1.0),
    ):
        first, second = reading.sides.get(a), reading.sides.get(b)
        long = extent / math.cos(turn)
        if first:
            at[a] = (first.at, first.slope)
        if second:
            at[b] = (length - second.at, -second.slope)
        if first and not second:
            at[b] = (first.at + long, sign * slope)
        elif second and not first:
            at[a] = (length - second.at - long, sign * slope)
    middle_x, middle_y = (width - 1) / 2, (height - 1) / 2
    corners = []
    for v, h in (("left", "top"), ("right", "top"), ("right", "bottom"), ("left", "bottom")):
        (x0, kx), (y0, ky) = at[v], at[h]
        # x = x0 + kx (y - middle_y) and y = y0 + ky (x - middle_x)
        x = (x0 + kx * (y0 - ky * middle_x - middle_y)) / (1 - kx * ky)
        corners.append((x, y0 + ky * (x - middle_x)))
    return Quad(tuple(corners))


def _share_in_view(outline: Quad, shape: tuple[int, int]) -> float:
    height, width = shape
    rows = np.linspace(0, height, 65)[:-1] + height / 128
    inside = 0.0
    for y in rows:
        left, right = outline.span(float(y))
        inside += max(0.0, min(right, width) - max(left, 0.0))
    return inside / (rows.size * width)
