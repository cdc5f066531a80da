"""What a roll's common settings are worked out from: a few hundred samples of each frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tether.facts import Corners, Facts
from tether.film import FilmProcess
from tether.measure.shapes import Quad
from tether.measure.survey import survey
from tether.positive.flat_field import FlatField, rows_of
from tether.raw import Mosaic

Triple = tuple[float, float, float]

SAMPLES = 240

_LONGEST = 480
_FULL = 0.98
_MARGIN = 0.12


@dataclass(frozen=True, slots=True)
class Sample:
    """A frame in brief.

    Attributes
    ----------
    light
        Exposure time times speed over the aperture's square, relative to 1 s, ISO 100, f/1: what
        signals of different frames are brought together with. Under a strobe without the time.
    lightest
        Signal of the lightest film for red, green and blue (of a transparency: of the picture's
        lightest part).
    neutral
        Signal of a grey as the file's white balance has it, green = 1; ones where it says none.
    signals
        Red, green and blue of some parts of the picture, `SAMPLES` or fewer.
    matrix
        As in `tether.positive.rendering.Rendering`.
    """

    light: float
    lightest: Triple
    neutral: Triple
    signals: tuple[Triple, ...]
    matrix: tuple[float, ...] = ()


def take_sample(
    mosaic: Mosaic,
    process: FilmProcess,
    outline: Corners | None,
    flat: FlatField | None = None,
    *,
    strobe: bool = False,
) -> Sample:
    """Sample a frame; parameters as in `tether.positive.rendering.Rendering` and `light_of`."""
    small = survey(mosaic, _LONGEST)
    planes = [small.colour(letter) for letter in "RGB"]
    rgb = np.stack([small.main if p is None else p for p in planes]).astype(np.float32)
    full = np.asarray((rgb >= _FULL).any(axis=0))
    height, width = full.shape
    if flat is not None:
        rgb = rgb / rows_of(flat.wide(width), 0, height, height)
    if outline is None:
        quad = Quad.whole(width, height).shrunk(_MARGIN)
    else:
        quad = Quad(outline).scaled(1 / small.step).shrunk(0.02)
    inside = quad.mask((height, width)) & ~full
    if process.is_negative:
        lightest = _lightest(rgb, ~_grown(full), 99.0)
    else:
        lightest = _lightest(rgb, inside, 99.8)
    chosen = rgb[:, inside]
    every = max(1, chosen.shape[1] // SAMPLES)
    picked = chosen[:, ::every][:, :SAMPLES].T
    return Sample(
        light=light_of(mosaic, strobe=strobe),
        lightest=lightest,
        neutral=_neutral(mosaic),
        signals=tuple((float(r), float(g), float(b)) for r, g, b in np.round(picked, 5)),
    )


def light_of(mosaic: Mosaic, *, strobe: bool = False) -> float:
    """Return the exposure that the file states, relative to 1 s, ISO 100, f/1; 1 if it does not.

    A ``strobe`` is over before the shutter closes: its light does not depend on the time.
    """
    seconds = 1.0 if strobe else mosaic.exposure_seconds
    if not (seconds and mosaic.iso):
        return 1.0
    f_number = mosaic.f_number or 1.0
    return seconds * mosaic.iso / 100 / f_number**2


def base_in(facts: Facts, mosaic_channels: tuple[str, ...]) -> Triple | None:
    """Return the base's signal for red, green and blue where a frame's facts state it.

    A base that is only the lightest level of the picture (``base_source`` "picture") does not
    count: another frame of the roll shows the rebate better.
    """
    if facts.base_source not in ("rebate", "roll"):
        return None
    found = []
    for letter in "RGB":
        names = [n for n in mosaic_channels if n[0] in (letter, "Y")]
        values = [v for n in names if (v := facts.base.get(n, 0.0)) > 0]
        if not values:
            return None
        found.append(sum(values) / len(values))
    return (found[0], found[1], found[2])


def _lightest(rgb: NDArray[np.float32], where: NDArray[np.bool_], percent: float) -> Triple:
    film = rgb[:, where] if np.count_nonzero(where) > 100 else rgb.reshape(3, -1)
    r, g, b = np.percentile(film, percent, axis=1).tolist()
    return (r, g, b)


def _grown(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Add two pixels round about: the blurred border of bare light."""
    out = mask.copy()
    for axis in (0, 1):
        for by in (-2, -1, 1, 2):
            out |= np.roll(mask, by, axis)
    return out


def _neutral(mosaic: Mosaic) -> Triple:
    found = []
    for letter in "RGB":
        gains = [
            w for n, w in zip(mosaic.channels, mosaic.white_balance, strict=False)
            if n[0] == letter and w > 0
        ]  # fmt: skip
        if not gains:
            return (1.0, 1.0, 1.0)
        found.append(len(gains) / sum(gains))
    return (found[0] / found[1], 1.0, found[2] / found[1])
