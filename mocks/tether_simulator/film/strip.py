"""A developed strip of film as light meets it: transmittance over any window of its length."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tether.film import FilmFormat
from tether_simulator.film import damage
from tether_simulator.film.curve import UNEXPOSED, Film
from tether_simulator.film.edges import (
    CLOCK_MM,
    DATA_MM,
    HALF_FRAME_MM,
    MODULE_MM,
    add_box,
    film_edge_code,
    interval,
    numeral,
    perforations,
)

FloatArray = NDArray[np.float32]

#: Makes a frame's picture: (frame, width, height) to log exposure (3, height, width).
Painter = Callable[[int, int, int], FloatArray]
_KEPT_PICTURES = 4
#: Log exposure of edge print (from memory: print of usual films is dense but not black).
_EDGE_PRINT_LOG_H = 0.9
_DAYLIGHT = 4.0


@dataclass(frozen=True, slots=True)
class StripConfig:
    """What the film is, beside its pictures.

    ``number`` and ``extract`` are what its edge print says it is (invented).
    """

    film: Film
    form: FilmFormat
    frames: int
    frames_per_strip: int
    seed: int
    edge_print: bool
    number: int
    extract: int


@dataclass(frozen=True, slots=True)
class Window:
    """A piece of film to draw: size in pixels, pixels per millimetre, and its middle.

    ``position`` is the frame number at the middle, as in `tether_simulator.hand.GateState`.
    """

    width: int
    height: int
    scale: float
    position: float

    def axes(self) -> tuple[FloatArray, FloatArray]:
        """Millimetres from the middle of each column, shape (w,), and each row, shape (h,)."""
        u = (np.arange(self.width, dtype=np.float32) + 0.5 - self.width / 2) / self.scale
        v = (np.arange(self.height, dtype=np.float32) + 0.5 - self.height / 2) / self.scale
        return u, v


class FilmStrip:
    """Film with its pictures on it, drawn when and where it is looked at."""

    def __init__(self, config: StripConfig, painter: Painter) -> None:
        self.config = config
        self._painter = painter
        self._pictures: OrderedDict[tuple[int, int, int], FloatArray] = OrderedDict()

    def transmittance(self, window: Window, faults: frozenset[tuple[int, str]]) -> FloatArray:
        """Transmittance for red, green and blue light, shape (3, h, w), 0..1.

        Light through perforations and beside the film passes whole. ``faults`` are (frame, code)
        of pictures that went wrong; see `tether_simulator.hand.MISHAPS`.
        """
        config, form = self.config, self.config.form
        u, v = window.axes()
        if window.position == 0.0:
            return self._blank_piece(window)
        exposure = np.full((3, window.height, window.width), UNEXPOSED, np.float32)
        nearest = max(1, min(config.frames, round(window.position)))
        strip = (nearest - 1) // config.frames_per_strip
        first = strip * config.frames_per_strip + 1
        last = min(config.frames, first + config.frames_per_strip - 1)
        shown = [
            (frame, (frame - window.position) * form.pitch)
            for frame in range(first, last + 1)
            if abs((frame - window.position) * form.pitch)
            < (window.width / window.scale + form.picture_along) / 2
        ]
        for frame, middle in shown:
            codes = {code for which, code in faults if which == frame}
            if "blank" not in codes:
                shift = 1.0 * ("over" in codes) - 1.0 * ("under" in codes)
                self._place(exposure, window, frame, middle, shift)
            if "light-struck" in codes:
                damage.light_strike(exposure, u - middle, v, form, config.seed + frame)
        if config.edge_print and form.perforated:
            for frame, middle in shown:
                self._print_edge(exposure, u - middle, v, window.scale, frame)
        out = config.film.transmittance(exposure)
        for frame, middle in shown:
            codes = {code for which, code in faults if which == frame}
            damage.mark(out, (u - middle, v), form, codes, config.seed + frame)
        self._cut(out, u, v, window, (first, last))
        return out

    def _blank_piece(self, window: Window) -> FloatArray:
        """The piece cut off before frame 1: clear film, three pictures long.

        A negative's was never exposed. A transparency's saw daylight while the film was loaded,
        which is what clears it.
        """
        reversal = self.config.film.curves[0].slope < 0
        size = (3, window.height, window.width)
        exposure = np.full(size, _DAYLIGHT if reversal else UNEXPOSED, np.float32)
        out = self.config.film.transmittance(exposure)
        self._cut(out, *window.axes(), window, (-1, 1))
        return out

    def _place(
        self, exposure: FloatArray, window: Window, frame: int, middle: float, shift: float
    ) -> None:
        form = self.config.form
        width = round(form.picture_along * window.scale)
        height = round(form.picture_across * window.scale)
        left = round(window.width / 2 + middle * window.scale - width / 2)
        top = round(window.height / 2 - height / 2)
        x0, x1 = max(0, left), min(window.width, left + width)
        y0, y1 = max(0, top), min(window.height, top + height)
        if x1 <= x0 or y1 <= y0:
            return
        picture = self.picture(frame, width, height)
        exposure[:, y0:y1, x0:x1] = picture[
            :, y0 - top : y1 - top, x0 - left : x1 - left
        ] + np.float32(shift)

    def picture(self, frame: int, width: int, height: int) -> FloatArray:
        """A frame's picture as log exposure, shape (3, height, width); kept for the next call."""
        key = (frame, width, height)
        if key in self._pictures:
            self._pictures.move_to_end(key)
        else:
            self._pictures[key] = self._painter(frame, width, height)
            if len(self._pictures) > _KEPT_PICTURES:
                self._pictures.popitem(last=False)
        return self._pictures[key]

    def _print_edge(
        self, exposure: FloatArray, u: FloatArray, v: FloatArray, scale: float, frame: int
    ) -> None:
        """Expose the bar codes of a frame's two halves and its numbers on the rebate."""
        form, config = self.config.form, self.config
        ink = np.zeros(exposure.shape[1:], np.float32)
        edge = form.film_width / 2
        halves = 2 if form.pitch > 30 else 1
        for half in range(halves):
            # A half-frame film carries the same print: every second picture meets the code "A".
            number, letter = (frame, half) if halves == 2 else ((frame + 1) // 2, (frame + 1) % 2)
            tracks = film_edge_code(config.number, config.extract, number % 64, bool(letter))
            start = half * HALF_FRAME_MM - form.pitch / 2 + 4.5
            for track, (near, far) in zip(tracks, (CLOCK_MM, DATA_MM), strict=True):
                for index in np.flatnonzero(track):
                    at = start + float(index) * MODULE_MM
                    add_box(ink, u, v, (at, edge - far, at + MODULE_MM, edge - near), 1.0)
            text = f"{number}{'A' if letter else ''}"
            for top in (-edge + 0.3, edge - 1.7):
                _stamp(ink, (u, v), scale, text, (start - 4.0, top))
        exposed = ink > 0.01
        printed = np.log10(np.maximum(ink, 1e-9)) + np.float32(_EDGE_PRINT_LOG_H)
        exposure[:, exposed] = np.maximum(exposure[:, exposed], printed[exposed])

    def _cut(
        self, out: FloatArray, u: FloatArray, v: FloatArray, window: Window, span: tuple[int, int]
    ) -> None:
        """Let bare light through perforations, beyond the strip's ends and beside the film."""
        form = self.config.form
        pixel = 1 / window.scale
        start = (span[0] - window.position - 0.5) * form.pitch
        end = (span[1] - window.position + 0.5) * form.pitch
        along = interval(u, start, end, pixel)
        across = interval(v, -form.film_width / 2, form.film_width / 2, pixel)
        columns, rows = np.flatnonzero(along < 1), np.flatnonzero(across < 1)
        out[:, :, columns] += (1 - out[:, :, columns]) * (1 - along[columns])
        out[:, rows] += (1 - out[:, rows]) * (1 - across[rows, None])
        if form.perforated:
            shift = np.float32((window.position % 1) * form.pitch)
            holes = perforations(u + shift, v, form.film_width, pixel)
            rows = np.flatnonzero(holes.max(axis=1))
            out[:, rows] += (1 - out[:, rows]) * holes[rows]


def _stamp(
    ink: FloatArray,
    axes: tuple[FloatArray, FloatArray],
    scale: float,
    text: str,
    corner: tuple[float, float],
) -> None:
    """Add a numeral of 1.4 mm height with its upper left corner at a place in millimetres."""
    drawn = numeral(text, round(1.4 * scale))
    x = round((corner[0] - float(axes[0][0])) * scale)
    y = round((corner[1] - float(axes[1][0])) * scale)
    x0, x1 = max(0, x), min(ink.shape[1], x + drawn.shape[1])
    y0, y1 = max(0, y), min(ink.shape[0], y + drawn.shape[0])
    if x1 > x0 and y1 > y0:
        ink[y0:y1, x0:x1] += drawn[y0 - y : y1 - y, x0 - x : x1 - x]
