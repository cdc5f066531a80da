"""The linear picture of a raw file, a band of rows at a time."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Protocol

import numpy as np
import rawpy
from numpy.typing import NDArray

from tether.measure.levels import sites_of
from tether.raw import Mosaic, RawUnreadable, open_in_libraw

FloatArray = NDArray[np.float32]

XYZ_TO_SRGB = (
    (3.2406, -1.5372, -0.4986),
    (-0.9689, 1.8758, 0.0415),
    (0.0557, -0.2040, 1.0570),
)
"""From XYZ under D65 to linear sRGB (IEC 61966-2-1)."""


class Linear(Protocol):
    """A linear picture: signal relative to saturation.

    ``planes`` is 3 (red, green, blue) or 1 (the sum of a tile's photosites, whatever their
    colour); ``step`` is how many photosites lie along one pixel.
    """

    planes: int
    shape: tuple[int, int]
    step: int

    def band(self, rows: slice, columns: slice) -> FloatArray:
        """Return a part, shape (planes, h, w), float32."""
        ...


def tile_weights(mosaic: Mosaic) -> tuple[float, float, float]:
    """Return how many photosites of a tile are red, green and blue.

    The sum of a tile's signals over the base weighted like this is the transmittance of a film
    that is the same in all colours; photon noise makes it the best of all such means.
    """
    if mosaic.pattern.size == 1:
        return (0.0, 4.0, 0.0)
    counts = {"R": 0.0, "G": 0.0, "B": 0.0}
    for index, name in enumerate(mosaic.channels):
        if name[0] in counts:
            counts[name[0]] += len(sites_of(mosaic.pattern, index))
    total = sum(counts.values()) or 1.0
    # Stated for a tile of four, so that a Bayer tile counts its own photosites.
    return (4 * counts["R"] / total, 4 * counts["G"] / total, 4 * counts["B"] / total)


def open_linear(path: Path, mosaic: Mosaic, *, half: bool, grey: bool) -> Linear:
    """Return the linear picture of a raw file.

    Parameters
    ----------
    path, mosaic
        The file and what `tether.raw.open_mosaic` gave for it.
    half
        One pixel for each 2 x 2 photosites.
    grey
        The film is the same in all colours (black-and-white): one plane.

    Raises
    ------
    RawUnreadable
        When LibRaw cannot interpolate the file.
    """
    if mosaic.pattern.size == 1:
        return SingleColour(mosaic, half)
    if half and mosaic.pattern.shape == (2, 2):
        return BinnedTiles(mosaic, grey)
    full = Interpolated(path, mosaic, grey)
    return Halved(full) if half else full


def stepped(mosaic: Mosaic, step: int, *, grey: bool) -> Linear:
    """Return the linear picture with one pixel for each ``step`` x ``step`` photosites.

    For an eye that moves about in a take: only what is asked for is read and interpolated.

    Parameters
    ----------
    mosaic
        The raw file.
    step
        1, or a power of two.
    grey
        As in `open_linear`.
    """
    if mosaic.pattern.size == 1 and step <= 2:
        return SingleColour(mosaic, step == 2)
    if step == 1:
        return Bilinear(mosaic, grey)
    if step == 2 and mosaic.pattern.shape == (2, 2):
        return BinnedTiles(mosaic, grey)
    return Halved(stepped(mosaic, step // 2, grey=grey))


class Bilinear:
    """The whole mosaic, with each colour between its photosites the mean of those about it.

    A convolution of what is known, divided by that of where it is known (normalized convolution,
    H. Knutsson and C.-F. Westin, 1993): in a Bayer tile that is bilinear interpolation. LibRaw's
    own, with which positives are made, is finer and takes the whole picture.
    """

    step = 1

    def __init__(self, mosaic: Mosaic, grey: bool) -> None:
        self.planes = 1 if grey else 3
        self.shape = mosaic.shape
        self._mosaic = mosaic
        self._weights = np.asarray(tile_weights(mosaic), np.float32)
        tile = mosaic.pattern.shape[0]
        # From a photosite to the nearest of any colour: next to it in a tile of four.
        self._reach = 1 if tile == 2 else tile // 2

    def band(self, rows: slice, columns: slice) -> FloatArray:
        """Return a part; see `Linear`."""
        mosaic, reach = self._mosaic, self._reach
        top, left = max(rows.start - reach, 0), max(columns.start - reach, 0)
        bottom, right = rows.stop + reach, columns.stop + reach
        raw = mosaic.data[top:bottom, left:right]
        tile = mosaic.pattern.shape[0]
        here = mosaic.pattern[
            np.ix_((top + np.arange(raw.shape[0])) % tile, (left + np.arange(raw.shape[1])) % tile)
        ]
        black = np.array(mosaic.black, np.float32)
        full = np.array(mosaic.saturation, np.float32)
        signal = (raw - black[here]) / (full - black)[here]
        inside = (
            slice(rows.start - top, rows.stop - top),
            slice(columns.start - left, columns.stop - left),
        )
        planes = []
        for letter in "RGB":
            of_colour = np.array([name[0] == letter for name in mosaic.channels])
            known = of_colour[here]
            value, weight = np.where(known, signal, np.float32(0)), known.astype(np.float32)
            near, around = _blurred(value), _blurred(weight)
            while not around.all() and of_colour.any():
                near, around = _blurred(near), _blurred(around)
            between = near / np.maximum(around, np.float32(1e-9))
            planes.append(np.where(known, value, between)[inside])
        if self.planes == 3:
            return np.stack(planes)
        return np.asarray(np.tensordot(self._weights, np.stack(planes), 1)[None], np.float32)


def _blurred(plane: FloatArray) -> FloatArray:
    """Return the sums of 3 x 3 places, with the weights 1, 2, 1 both ways."""
    padded = np.pad(plane, 1)
    along = padded[:, :-2] + 2 * padded[:, 1:-1] + padded[:, 2:]
    return np.asarray(along[:-2] + 2 * along[1:-1] + along[2:], np.float32)


class BinnedTiles:
    """Each 2 x 2 tile of a Bayer mosaic as one pixel; nothing is interpolated."""

    step = 2

    def __init__(self, mosaic: Mosaic, grey: bool) -> None:
        self.planes = 1 if grey else 3
        self.shape = (mosaic.shape[0] // 2, mosaic.shape[1] // 2)
        self._data = mosaic.data
        #: For each plane its sites in the tile (y, x, scale), and what is taken off their sum.
        self._sites: list[list[tuple[int, int, np.float32]]] = [[] for _ in range(self.planes)]
        self._dark = [0.0] * self.planes
        for index, name in enumerate(mosaic.channels):
            places = sites_of(mosaic.pattern, index)
            scale = 1 / (mosaic.saturation[index] - mosaic.black[index])
            plane = 0 if grey else "RGB".find(name[0])
            if not grey and plane >= 0:
                scale /= _alike(mosaic, name[0])
            for y, x in places if plane >= 0 else ():
                self._sites[plane].append((y, x, np.float32(scale)))
                self._dark[plane] += mosaic.black[index] * scale

    def band(self, rows: slice, columns: slice) -> FloatArray:
        """Return a part; see `Linear`."""
        height, width = rows.stop - rows.start, columns.stop - columns.start
        out = np.zeros((self.planes, height, width), np.float32)
        for plane, sites in enumerate(self._sites):
            for number, (y, x, scale) in enumerate(sites):
                part = self._data[
                    2 * rows.start + y : 2 * rows.stop : 2,
                    2 * columns.start + x : 2 * columns.stop : 2,
                ]
                if number == 0:
                    np.multiply(part, scale, out=out[plane])
                else:
                    out[plane] += part * scale
            out[plane] -= np.float32(self._dark[plane])
        return out


class Interpolated:
    """The whole mosaic with the colours between the photosites interpolated by LibRaw."""

    step = 1

    def __init__(self, path: Path, mosaic: Mosaic, grey: bool) -> None:
        self.planes = 1 if grey else 3
        self._rgb, white = _interpolate(path)
        self.shape = (int(self._rgb.shape[0]), int(self._rgb.shape[1]))
        black = mosaic.black
        scales = {
            name[0]: (white - black[i]) / (mosaic.saturation[i] - black[i]) / 65535
            for i, name in enumerate(mosaic.channels)
        }
        self._scales = [np.float32(scales.get(letter, 1 / 65535)) for letter in "RGB"]
        self._weights = [np.float32(w) for w in tile_weights(mosaic)]

    def band(self, rows: slice, columns: slice) -> FloatArray:
        """Return a part; see `Linear`."""
        part = self._rgb[rows, columns]
        planes = [part[..., c] * self._scales[c] for c in range(3)]
        if self.planes == 3:
            return np.stack(planes)
        grey = planes[0] * self._weights[0]
        grey += planes[1] * self._weights[1]
        grey += planes[2] * self._weights[2]
        return np.asarray(grey[None], np.float32)


class SingleColour:
    """A sensor without a colour filter; its signal counts four times, like a tile's sum."""

    planes = 1

    def __init__(self, mosaic: Mosaic, half: bool) -> None:
        self.step = 2 if half else 1
        self.shape = (mosaic.shape[0] // self.step, mosaic.shape[1] // self.step)
        self._data = mosaic.data
        self._black = np.float32(mosaic.black[0])
        self._scale = np.float32(4 / (mosaic.saturation[0] - mosaic.black[0]))

    def band(self, rows: slice, columns: slice) -> FloatArray:
        """Return a part; see `Linear`."""
        s = self.step
        part: FloatArray = self._data[
            rows.start * s : rows.stop * s, columns.start * s : columns.stop * s
        ].astype(np.float32)
        if s == 2:
            part = part[::2, ::2] + part[1::2, ::2] + part[::2, 1::2] + part[1::2, 1::2]
            part *= np.float32(0.25)
        part -= self._black
        part *= self._scale
        return part[None]


class Halved:
    """The mean of 2 x 2 pixels of another picture, for mosaics that have no tile of 2 x 2."""

    def __init__(self, of: Linear) -> None:
        self.planes, self.step = of.planes, 2 * of.step
        self.shape = (of.shape[0] // 2, of.shape[1] // 2)
        self._of = of

    def band(self, rows: slice, columns: slice) -> FloatArray:
        """Return a part; see `Linear`."""
        x = self._of.band(
            slice(2 * rows.start, 2 * rows.stop), slice(2 * columns.start, 2 * columns.stop)
        )
        mean = x[:, ::2, ::2] + x[:, 1::2, ::2] + x[:, ::2, 1::2] + x[:, 1::2, 1::2]
        return np.asarray(mean * np.float32(0.25), np.float32)


def camera_matrix(path: Path) -> tuple[float, ...]:
    """Return the matrix from the camera's balanced red, green and blue to linear sRGB, by rows.

    As the file states it, or else from LibRaw's table of cameras; empty where it knows none. The
    table has the camera's colours for XYZ, so it goes by way of sRGB's own (IEC 61966-2-1).
    """
    try:
        with rawpy.RawPy() as raw:
            open_in_libraw(raw, path)
            matrix = np.asarray(raw.color_matrix, np.float64)[:3, :3]
            of_xyz = np.asarray(raw.rgb_xyz_matrix, np.float64)[:3]
    except rawpy.LibRawError:
        return ()
    if not matrix.any() and of_xyz.any():
        camera = of_xyz @ np.linalg.inv(XYZ_TO_SRGB)
        try:
            matrix = np.linalg.inv(camera / camera.sum(axis=1, keepdims=True))
        except np.linalg.LinAlgError:
            return ()
    rows = matrix.sum(axis=1)
    if not np.isfinite(matrix).all() or (np.abs(rows) < 0.1).any():
        return ()
    return tuple(round(float(v), 6) for v in (matrix / rows[:, None]).ravel())


def _alike(mosaic: Mosaic, letter: str) -> int:
    return sum(
        len(sites_of(mosaic.pattern, i)) for i, n in enumerate(mosaic.channels) if n[0] == letter
    )


def _interpolate(path: Path) -> tuple[NDArray[np.uint16], float]:
    """Return the picture, and the raw value that its 65535 stands for."""
    try:
        with rawpy.RawPy() as raw:
            open_in_libraw(raw, path)
            given: dict[str, Any] = {
                "gamma": (1, 1),
                "no_auto_bright": True,
                "output_color": rawpy.ColorSpace.raw,
                "output_bps": 16,
                "user_wb": [1.0, 1.0, 1.0, 1.0],
                "user_flip": 0,
                # LibRaw would else take the brightest value of each file for its white.
                "adjust_maximum_thr": 0.0,
            }
            return np.asarray(raw.postprocess(**given), np.uint16), float(raw.white_level)
    except rawpy.LibRawError as error:
        raise RawUnreadable(f"{path.name} cannot be interpolated by LibRaw.") from error
