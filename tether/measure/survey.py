"""A small picture of the whole mosaic; all but single photosites is measured on it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from tether.measure.levels import FloatArray, main_channels, sites_of
from tether.raw import Mosaic

LONGEST = 960
"""Longest side of the survey in pixels at most."""
COARSE = 960
"""The same of what borders are looked for in."""


@dataclass(frozen=True)
class Survey:
    """One tile of the CFA out of every few, channel by channel.

    Attributes
    ----------
    signal
        ``(raw - black) / (saturation - black)``, shape (channels, height, width), float32.
    step
        Photosites from one pixel of the survey to the next.
    channels
        Names as in the mosaic.
    """

    signal: FloatArray
    step: int
    channels: tuple[str, ...]

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width in pixels."""
        return (int(self.signal.shape[1]), int(self.signal.shape[2]))

    def colour(self, letter: str) -> FloatArray | None:
        """Return the mean of the channels of one colour, None where the sensor has none."""
        which = [i for i, name in enumerate(self.channels) if name[0] == letter]
        if not which:
            return None
        if len(which) == 1:
            return np.asarray(self.signal[which[0]])
        if len(which) == 2:
            return np.asarray((self.signal[which[0]] + self.signal[which[1]]) * np.float32(0.5))
        return np.asarray(self.signal[which].mean(axis=0), np.float32)

    @cached_property
    def half(self) -> FloatArray:
        """All channels at half the size, means of 2 x 2 pixels."""
        return halved(self.signal)

    @cached_property
    def half_main(self) -> FloatArray:
        """The main channel at half the size."""
        return np.asarray(self.half[main_channels(self.channels)].mean(axis=0), np.float32)

    def in_stops(self, floor: float) -> tuple[FloatArray, int]:
        """Return the main channel in stops, ``log2(signal + floor)``, and its photosites a pixel.

        At most `COARSE` pixels along its longer side; worked out once for each floor.
        """
        if floor not in self._in_stops:
            main, pixel = self.main, self.step
            if max(main.shape) > COARSE:
                main, pixel = halved(main), 2 * pixel
            stops = np.log2(np.maximum(main, 0) + np.float32(floor))
            self._in_stops[floor] = (np.asarray(stops, np.float32), pixel)
        return self._in_stops[floor]

    @cached_property
    def _in_stops(self) -> dict[float, tuple[FloatArray, int]]:
        return {}

    @cached_property
    def main(self) -> FloatArray:
        """The channel with most photosites: green, or the only one there is."""
        green = self.colour("G")
        return np.asarray(self.signal[0]) if green is None else green


def survey(mosaic: Mosaic, longest: int = LONGEST) -> Survey:
    """Take one tile in every few, so that the longer side has at most ``longest`` pixels.

    Nothing is averaged but the photosites of one channel in one tile, so the noise of a pixel
    is that of a photosite.
    """
    height, width = mosaic.shape
    tile_y, tile_x = mosaic.pattern.shape
    tiles = max(1, -(-max(height // tile_y, width // tile_x) // longest))
    step_y, step_x = tiles * tile_y, tiles * tile_x
    rows, columns = height // step_y, width // step_x
    signal = np.zeros((len(mosaic.channels), rows, columns), np.float32)
    for index in range(len(mosaic.channels)):
        places = sites_of(mosaic.pattern, index)
        for y, x in places:
            part = mosaic.data[y::step_y, x::step_x][:rows, :columns]
            if len(places) == 1:
                signal[index] = part
            else:
                signal[index] += part
        black, top = mosaic.black[index], mosaic.saturation[index]
        scale = 1.0 / (top - black)
        signal[index] *= np.float32(scale / max(1, len(places)))
        signal[index] -= np.float32(black * scale)
    return Survey(signal, step_x, mosaic.channels)


def halved(picture: FloatArray) -> FloatArray:
    """Return the means of 2 x 2 pixels; an odd last row or column is left out."""
    height, width = picture.shape[-2] // 2 * 2, picture.shape[-1] // 2 * 2
    even = picture[..., :height, :width]
    return np.asarray(
        (
            even[..., 0::2, 0::2]
            + even[..., 1::2, 0::2]
            + even[..., 0::2, 1::2]
            + even[..., 1::2, 1::2]
        )
        * np.float32(0.25),
        np.float32,
    )
