"""Where the film lies on the sensor: scale, gate, mirror, rotation."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tether.film import FilmFormat

FloatArray = NDArray[np.float32]
FRAMINGS = ("rebate", "wide", "tight")


@dataclass(frozen=True, slots=True)
class GateView:
    """The gate as the camera sees it. Lengths in millimetres on the film.

    Attributes
    ----------
    width, height
        Sensor size in photosites.
    scale
        Photosites per millimetre of film.
    gate_along, gate_across
        The gate's opening along and across the film; outside it the mask is opaque.
    turned
        The film's length runs up and down the sensor.
    """

    width: int
    height: int
    scale: float
    gate_along: float
    gate_across: float
    turned: bool

    @classmethod
    def fit(cls, width: int, height: int, film: FilmFormat, framing: str) -> GateView:
        """Lay out the view of a format.

        "rebate" leaves a little rebate all round the picture (135: less than the half gap at
        which strips are cut, and short of the perforations), "wide" shows the film's full width,
        its neighbours and some light beside it, "tight" cuts into the picture on all sides.
        """
        if framing not in FRAMINGS:
            raise ValueError(f"framing must be one of {', '.join(FRAMINGS)}, not '{framing}'")
        along, across = film.picture_along, film.picture_across
        turned = (across > along) == (width > height) and across != along
        if framing == "wide":
            gate = (film.pitch + 6.0, film.film_width + 2.0)
        else:
            gap = film.pitch - along
            gate = (
                along + 2 * min(0.4 * gap, 0.025 * along),
                across + 2 * (0.6 if film.perforated else 0.025 * across),
            )
        seen = (along * 0.95, across * 0.95) if framing == "tight" else gate
        across_x, across_y = (seen[1], seen[0]) if turned else seen
        fits = (width / across_x, height / across_y)
        scale = max(fits) if framing == "tight" else min(fits) / 1.02
        return cls(width, height, scale, gate[0], gate[1], turned)

    def coordinates(self) -> tuple[FloatArray, FloatArray]:
        """Places of columns, shape (1, w), and rows, (h, 1); -1..1 from edge to edge."""
        x = (np.arange(self.width, dtype=np.float32) + 0.5) * (2 / self.width) - 1
        y = (np.arange(self.height, dtype=np.float32) + 0.5) * (2 / self.height) - 1
        return x[None, :], y[:, None]

    def gate_mask(self) -> FloatArray:
        """1 inside the gate, 0 on its mask, soft over one photosite; shape (height, width)."""
        along = self.gate_along * self.scale / 2
        across = self.gate_across * self.scale / 2
        half_x, half_y = (across, along) if self.turned else (along, across)
        x = np.abs(np.arange(self.width, dtype=np.float32) + 0.5 - self.width / 2)
        y = np.abs(np.arange(self.height, dtype=np.float32) + 0.5 - self.height / 2)
        inside_x = np.clip(half_x - x + 0.5, 0, 1)
        inside_y = np.clip(half_y - y + 0.5, 0, 1)
        mask: FloatArray = (inside_y[:, None] * inside_x[None, :]).astype(np.float32)
        return mask

    def reach(self, place: FilmMap) -> tuple[float, float]:
        """Half the length along and across the film, about the frame's middle, that the gate shows.

        Half a millimetre more than that, so that a blurred picture has something beyond it.
        """
        half_x, half_y = self.gate_along / 2, self.gate_across / 2
        half_x, half_y = (half_y, half_x) if self.turned else (half_x, half_y)
        half_x = min(half_x, self.width / 2 / self.scale) * self.scale
        half_y = min(half_y, self.height / 2 / self.scale) * self.scale
        reach = []
        for a, b, c in (place.along, place.across):
            middle = abs(a * self.width / 2 + b * self.height / 2 + c)
            reach.append(middle + abs(a) * half_x + abs(b) * half_y + 0.5)
        return (reach[0], reach[1])

    def to_film(self, mirrored: bool, degrees: float, along: float, across: float) -> FilmMap:
        """Map from sensor to film, which is turned by degrees and shifted by millimetres."""
        s = 1 / self.scale
        # Without a turn the film's length runs along x. With one it runs along y.
        basis = np.array([[0.0, s], [-s, 0.0]]) if self.turned else np.array([[s, 0.0], [0.0, s]])
        c, d = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
        spin = np.array([[c, d], [-d, c]])
        flip = np.diag([-1.0, 1.0]) if mirrored else np.eye(2)
        matrix = spin @ flip @ basis
        offset = np.array([along, across]) - matrix @ np.array([self.width / 2, self.height / 2])
        return FilmMap(
            (float(matrix[0, 0]), float(matrix[0, 1]), float(offset[0])),
            (float(matrix[1, 0]), float(matrix[1, 1]), float(offset[1])),
        )


@dataclass(frozen=True, slots=True)
class FilmMap:
    """Film place of a sensor place: ``u = a x + b y + c``, in millimetres from the frame's middle.

    ``u`` runs along the film toward higher frame numbers and ``v`` across it, from the upper edge
    down, both seen from the base side, from where pictures and numbers read the right way.
    """

    along: tuple[float, float, float]
    across: tuple[float, float, float]

    def to_sensor(self, u: float, v: float) -> tuple[float, float]:
        """Sensor place (x, y) in photosites of a place on the film in millimetres."""
        matrix = np.array([self.along[:2], self.across[:2]])
        x, y = np.linalg.solve(matrix, [u - self.along[2], v - self.across[2]])
        return (float(x), float(y))
