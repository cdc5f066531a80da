"""Where film, gate and sensor lie to each other, and what of it is hole, rail or mount."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from tether_simulator.film.edges import (
    PERFORATION_ACROSS_MM,
    PERFORATION_ALONG_MM,
    PERFORATION_EDGE_MM,
    PERFORATION_PITCH_MM,
)

from tests.benchmarks.varied.ranges import Draws, Generator, choose
from tether.film import FILM_FORMATS, FilmFormat

Floats = NDArray[np.float32]
Homography = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Lie:
    """How the film lies for one shot: mm along and across, degrees, and whether turned over."""

    along: float = 0.0
    across: float = 0.0
    degrees: float = 0.0
    over: bool = False


@dataclass(frozen=True, slots=True)
class Setting:
    """Sensor, gate and format of a roll. Lengths in mm on the film, sizes in photosites.

    ``mount`` is "card", "plastic" or ""; ``masked`` whether the gate's edge is in view.
    """

    width: int
    height: int
    form: FilmFormat
    view: str
    mount: str
    rail: str
    around: str
    masked: bool
    gate: tuple[float, float]
    picture: tuple[float, float]
    scale: float
    turned: bool
    draws: Draws

    @classmethod
    def of(cls, process: str, draws: Draws, rng: Generator) -> Setting:
        """Draw a roll's."""
        form, view, mount = FILM_FORMATS[choose("form", rng)], choose("view", rng), ""
        if process == "transparency" and choose("slide", rng) == "mount":
            form, view, mount = FILM_FORMATS["135-mount"], "mount", choose("mount", rng)
        if view == "perforations" and not form.perforated:
            view = "rebate"
        aspect = float(choose("aspect", rng))
        height = round((draws["megapixels"] * 1e6 / aspect) ** 0.5 / 2) * 2
        width = round(height * aspect / 2) * 2
        along = form.picture_along + (0 if mount else draws["picture_along_mm"])
        across = form.picture_across + (0 if mount else draws["picture_across_mm"])
        margin = draws["margin_mm"]
        gates = {
            "rebate": (along + 2 * margin, across + 2 * margin),
            "perforations": (along + 2 * margin, across + 2 * draws["beyond_mm"]),
            "wide": (
                form.pitch + draws["wide_along_mm"],
                form.film_width + draws["wide_across_mm"],
            ),
            "tight": (along + 4, across + 4),
            "mount": (along, across),
        }
        gate = gates[view]
        seen = (along * draws["tight"], across * draws["tight"]) if view == "tight" else gate
        turned = along < across
        on_x, on_y = (seen[1], seen[0]) if turned else seen
        fits = (width / on_x, height / on_y)
        masked = view in ("mount", "wide") or choose("mask", rng) == "in view"
        fill = min(draws["fill"], 0.97 if mount else 1.0) if masked else 1.0
        scale = max(fits) if view == "tight" else min(fits) * fill
        if not masked or view == "tight":
            gate = (gate[0] + 30, max(gate[1] + 1, form.film_width + 10))
        return cls(
            width, height, form, view, mount, choose("rail", rng), choose("around", rng), masked,
            gate, (along, across), scale, turned, draws,
        )  # fmt: skip

    @property
    def rebate_in_view(self) -> bool:
        """Whether the film around the picture, or the mount's edge, can be seen."""
        return self.view != "tight"

    def to_gate(self) -> Homography:
        """Map sensor (x, y, 1) to the gate's millimetres along and across the film, and 1."""
        d, s = self.draws, 1 / self.scale
        centre = np.array([self.width / 2, self.height / 2]) + d["gate_off_mm"] * self.scale
        turn = np.radians(d["camera_turn"])
        spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        if self.turned:
            spin = np.array([[0.0, 1.0], [-1.0, 0.0]]) @ spin
        out = np.eye(3)
        out[:2, :2] = spin * s
        out[:2, 2] = -out[:2, :2] @ centre
        lean = (
            max(0.0, d["keystone"]) / self.width
        )  # the scale changes from side to side, not in the middle
        out[2] = [lean, 0, 1 - lean * centre[0]]
        return out

    def to_film(self, lie: Lie) -> Homography:
        """Map sensor (x, y, 1) to the frame's millimetres along and across, and 1.

        The emulsion faces the lens, so that the picture is mirrored, unless the film is turned
        over.
        """
        turn = np.radians(lie.degrees)
        move = np.eye(3)
        move[:2, :2] = [[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]
        move[:2, 2] = [lie.along, lie.across]
        mirror = np.diag([1.0, 1.0 if lie.over else -1.0, 1.0])
        return np.asarray(mirror @ move @ self.to_gate())

    def corners(self, lie: Lie) -> NDArray[np.float64]:
        """Return the picture's corners on the sensor, (4, 2), in no certain order."""
        back = np.linalg.inv(self.to_film(lie))
        a, b = self.picture[0] / 2, self.picture[1] / 2
        places = np.array([[-a, -b, 1], [a, -b, 1], [a, b, 1], [-a, b, 1]]) @ back.T
        return np.asarray(places[:, :2] / places[:, 2:])

    def out_of_view(self, lie: Lie) -> float:
        """Return how many mm of the picture lie behind the gate or off the sensor."""
        if self.view == "tight":
            return 0.0
        (x0, y0), (x1, y1) = self.corners(lie).min(axis=0), self.corners(lie).max(axis=0)
        gate = np.linalg.inv(self.to_gate())
        a, b = self.gate[0] / 2, self.gate[1] / 2
        places = np.array([[-a, -b, 1], [a, -b, 1], [a, b, 1], [-a, b, 1]]) @ gate.T
        edge = places[:, :2] / places[:, 2:]
        left, top = np.maximum(edge.min(axis=0), 0)
        right, bottom = np.minimum(edge.max(axis=0), [self.width, self.height])
        return float(max(left - x0, top - y0, x1 - right, y1 - bottom) / self.scale)


def places(matrix: Homography, site: tuple[int, int], shape: tuple[int, int]) -> tuple[Floats, ...]:
    """Return u and v at each photosite of one site (row, column) of the tile, (h / 2, w / 2)."""
    y = (site[0] + 0.5 + 2 * np.arange(shape[0] // 2, dtype=np.float32))[:, None]
    x = (site[1] + 0.5 + 2 * np.arange(shape[1] // 2, dtype=np.float32))[None, :]
    u, v, w = (np.float32(a) * x + np.float32(b) * y + np.float32(c) for a, b, c in matrix)
    if abs(matrix[2, 0]) > 0:
        inverse = 1 / w
        u *= inverse
        v *= inverse
    return np.asarray(u, np.float32), np.asarray(v, np.float32)


def window(x: Floats, half: float, soft: float) -> Floats:
    """Return 1 within ``half`` of 0 and 0 beyond it, over an edge ``soft`` wide."""
    return np.asarray(np.clip((half - np.abs(x)) / np.float32(soft) + np.float32(0.5), 0, 1))


def holes(u: Floats, v: Floats, form: FilmFormat, phase: float, soft: float) -> Floats:
    """Return the share of each place that is a perforation (ISO 491), ``phase`` mm along."""
    middle = form.film_width / 2 - PERFORATION_EDGE_MM - PERFORATION_ACROSS_MM / 2
    across = window(np.abs(v) - np.float32(middle), PERFORATION_ACROSS_MM / 2, soft)
    rows = np.flatnonzero(across.any(axis=1))
    out = np.zeros_like(u)
    if not rows.size:
        return out
    part = slice(rows[0], rows[-1] + 1)
    pitch = np.float32(PERFORATION_PITCH_MM)
    along = (u[part] + np.float32(phase) + 40 * pitch) % pitch - pitch / 2
    out[part] = across[part] * window(along, PERFORATION_ALONG_MM / 2, soft)
    return out
