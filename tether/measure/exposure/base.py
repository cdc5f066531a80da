"""The film's base: where it shows in a negative, and how light it is in each channel.

The base is the lightest thing that belongs to a negative, but light through perforations,
scratches or beside the film is lighter still. The rebate next to the frame's edges is base for
certain; without it the roll's own base is used, and on a roll's first frames the lightest level
that many pixels share.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tether.measure.levels import FULL, FloatArray, main_channels, stops
from tether.measure.roll.memory import OpenGate
from tether.measure.shapes import Quad
from tether.measure.survey import Survey

LOWEST_EV = -9.0
_BIN_EV = 1 / 24
_TOLERANCE_EV = 0.2
_ABOVE_EV = 0.35
_EVEN_SHARE = 0.45
_EVEN_SIDES = 3
_STRIP_MM = 1.0
_FEWEST = 60
_THICK_SHARE = 5e-4
_LIGHTER_EV, _DARKER_EV = 0.4, 0.8
_SEEN_SHARE = 1e-3
FALLOFF_EV = 0.25
"""How much lighter than at the rebate the light may be in the middle of the picture."""


@dataclass(frozen=True, slots=True)
class Base:
    """The base of a negative.

    Attributes
    ----------
    signal
        Per channel, relative to saturation (at most about 1).
    source
        "rebate" beside the frame's edges, "roll" from earlier frames of the roll, "picture" the
        lightest level that many pixels share.
    clipped
        Whether the strongest channel is saturated there, so that the real level is not known.
    """

    signal: dict[str, float]
    source: str
    clipped: bool

    @property
    def ev(self) -> float:
        """Strongest channel of the base in stops from saturation."""
        return float(stops(max(self.signal.values())))


def common_levels(ev: FloatArray, share: float = 0.006) -> list[float]:
    """Return the levels that many pixels share, lightest first, in stops from saturation.

    Peaks of the histogram of ``ev`` in steps of 1/24 stop that hold at least ``share`` of the
    pixels within an eighth of a stop.
    """
    bins = round((0.25 - LOWEST_EV) / _BIN_EV)
    index = np.clip((ev.ravel() - LOWEST_EV) / _BIN_EV, 0, bins - 1).astype(np.int32)
    counts = np.bincount(index, minlength=bins).astype(float)
    counts[0] = 0  # the mask of the gate, and everything too dark to be base
    wide = np.convolve(counts, np.ones(7), "same")
    peaks = []
    for i in range(4, bins):
        window = wide[max(0, i - 5) : i + 6]
        if wide[i] >= share * ev.size and wide[i] == window.max():
            mass = counts[max(0, i - 3) : i + 4]
            place = np.arange(max(0, i - 3), max(0, i - 3) + mass.size) + 0.5
            peaks.append(float(LOWEST_EV + _BIN_EV * np.average(place, weights=mass)))
    merged: list[float] = []
    for level in sorted(peaks, reverse=True):
        if not merged or merged[-1] - level > 0.15:
            merged.append(level)
    return merged


def lightest_film_level(ev: FloatArray) -> float | None:
    """Return the lightest level that certainly belongs to film, None where all is dark.

    Bare light lies in the outer parts of a view (perforations, beside the film) or is thin
    (scratches), so the lightest hundredth of the middle that is not saturated is film. If many
    pixels anywhere share a level a little above it, that is taken.
    """
    height, width = ev.shape
    middle = ev[height // 5 : height - height // 5, width // 5 : width - width // 5]
    # The darkest of three neighbours each way: lines thinner than that are gone.
    narrow = np.minimum(np.minimum(middle[:-2], middle[1:-1]), middle[2:])
    narrow = np.minimum(np.minimum(narrow[:, :-2], narrow[:, 1:-1]), narrow[:, 2:])
    film = narrow[narrow < np.log2(FULL)]
    if film.size < 0.05 * middle.size:
        return None
    lightest = float(np.percentile(film, 99))
    if lightest < LOWEST_EV:
        return None
    near = [v for v in common_levels(ev) if lightest - 0.1 <= v <= lightest + _ABOVE_EV]
    return max(near, default=lightest)


def base_of(
    picture: Survey,
    outline: Quad | None,
    scale: float | None,
    rebate_ev: float | None,
    of_roll: dict[str, float] | None = None,
) -> Base | None:
    """Find the base of a negative.

    Parameters
    ----------
    picture
        The survey of the frame.
    outline, scale
        The frame's outline in photosites and photosites per millimetre, None where not seen.
    rebate_ev
        Level of the rebate beside the outline in the main channel, stops from saturation.
    of_roll
        Base per channel as earlier frames of the roll lead to expect at this exposure, relative
        to saturation.

    Returns
    -------
    None where nothing in the view is light enough to be base.
    """
    small, main = picture.half, picture.half_main
    ev = stops(main)
    if outline is not None and rebate_ev is not None and scale is not None:
        strip = beside(outline, picture.step * 2, scale * _STRIP_MM, ev.shape)
        chosen = strip & (np.abs(ev - rebate_ev) < 2 * _TOLERANCE_EV)
        if np.count_nonzero(chosen) >= _FEWEST:
            middle = float(np.median(ev[chosen]))
            near = chosen & (np.abs(ev - middle) < 2 * _TOLERANCE_EV)
            return _base(small, picture.channels, near, "rebate")
    by_roll = None if of_roll is None else _main_of(of_roll, picture.channels)
    if by_roll is not None and thick_light(main, by_roll * 2**_LIGHTER_EV):
        of_roll = None  # no film of this roll is that light: the lamp is another one
    if of_roll is not None:
        signal = {name: min(value, 1.0) for name, value in of_roll.items()}
        return Base(signal, "roll", max(of_roll.values()) >= 1.0)
    border = _even_border(ev)
    if border is not None:
        return _base(small, picture.channels, np.abs(ev - border) < _TOLERANCE_EV / 2, "rebate")
    if thick_light(main, FULL):
        return _base(small, picture.channels, main >= FULL, "picture")
    level = lightest_film_level(ev)
    if level is None:
        return None
    return _base(small, picture.channels, np.abs(ev - level) < _TOLERANCE_EV / 2, "picture")


def _even_border(ev: FloatArray) -> float | None:
    """Return the level of an even border on three sides that is lighter than the middle.

    It is the rebate of a picture whose proportions are not the format's. None where there is no
    such border; light beside the film shows on two sides, and at the end of a strip on three.
    """
    height, width = ev.shape
    lit = ev > float(np.percentile(ev[::4, ::4], 50)) - 3.0
    rows, columns = np.flatnonzero(lit.mean(axis=1) > 0.5), np.flatnonzero(lit.mean(axis=0) > 0.5)
    if rows.size < 0.5 * height or columns.size < 0.5 * width:
        return None
    seen = ev[rows[0] + 1 : rows[-1], columns[0] + 1 : columns[-1]]
    strips = [seen[:, 1:4], seen[:, -4:-1], seen[1:4], seen[-4:-1]]
    levels = [float(np.median(strip)) for strip in strips]
    middle = float(np.median(seen[seen.shape[0] // 4 : -(seen.shape[0] // 4)]))
    level = float(np.median(levels))
    even = [float(np.mean(np.abs(strip - level) < _TOLERANCE_EV)) > _EVEN_SHARE for strip in strips]
    # A night picture's border can be even too, but its middle then shows lighter tones.
    lightest = lightest_film_level(ev)
    lighter_inside = lightest is not None and lightest > level + _TOLERANCE_EV / 2
    if sum(even) < _EVEN_SIDES or level < middle + _ABOVE_EV or lighter_inside:
        return None
    # At the end of a strip bare light shows on three sides, and saturated it looks like base.
    if level >= np.log2(FULL) and not thick_light(np.exp2(ev), FULL):
        return None
    return level


def thick_light(main: FloatArray, level: float) -> bool:
    """Whether more than thin lines and specks is as light as ``level`` in the middle of a picture.

    In the middle (three fifths of width and height) there are no perforations; a scratch lets
    light through in a line thinner than three pixels. What is left is clear film.
    """
    height, width = main.shape
    part = main[height // 5 : height - height // 5, width // 5 : width - width // 5]
    light = part >= min(level, FULL)
    rows = light[:-2] & light[1:-1] & light[2:]
    thick = rows[:, :-2] & rows[:, 1:-1] & rows[:, 2:]
    return bool(thick.mean() > _THICK_SHARE)


def shows_base(picture: Survey, of_roll: dict[str, float]) -> bool:
    """Whether anything in the view has the light that the roll's base is expected to have.

    Looked for are patches of three by three pixels, all of them from 0.8 stops below (falloff) to
    0.4 above, over a thousandth of the view: edges of what is lighter pass through that as well.
    """
    expected = _main_of(of_roll, picture.channels)
    if expected is None:
        return True
    main = picture.half_main
    if float(np.median(main[::4, ::4])) > expected * 2**_LIGHTER_EV:
        return True  # no film in the gate, which is told by itself
    like = (main > expected * 2**-_DARKER_EV) & (main < expected * 2**_LIGHTER_EV)
    rows = like[:-2] & like[1:-1] & like[2:]
    patches = rows[:, :-2] & rows[:, 1:-1] & rows[:, 2:]
    return bool(patches.mean() > _SEEN_SHARE)


def _main_of(signal: dict[str, float], channels: tuple[str, ...]) -> float | None:
    values = [signal[channels[i]] for i in main_channels(channels) if channels[i] in signal]
    return float(np.mean(values)) if values else None


def lighter(
    base: Base | None, other: dict[str, float] | None, *, outlined: bool = True
) -> Base | None:
    """Return the lighter of a base taken from the picture and what earlier pictures showed.

    The lightest tones of several pictures come nearer to the base than those of one. A base
    from the roll, or from the rebate beside an outline, is left as it is. Without an outline
    (``outlined`` False) the rebate is an even border, and one that is darker than film of this roll
    was is a border of the picture: nothing on a negative is lighter than its base.
    """
    if base is None or base.source == "roll" or not other or base.clipped:
        return base
    border = base.source == "rebate"
    room = _TOLERANCE_EV if border else 0.0
    if (border and outlined) or max(other.values()) <= max(base.signal.values()) * 2**room:
        return base
    signal = {name: min(value, 1.0) for name, value in other.items()}
    return Base(signal, "picture", max(other.values()) >= 1.0)


def level_by_colour(base: Base, of_roll: dict[str, float]) -> float | None:
    """Return the level of a clipped base by its channels that are not, in stops from saturation.

    ``of_roll`` is the roll's base per channel at any exposure: the film's colour is the same. None
    where all channels are clipped, or where they do not show that the strongest has to be.
    """
    ratios = [
        value / of_roll[name]
        for name, value in base.signal.items()
        if value < FULL and of_roll.get(name, 0.0) > 0
    ]
    level = float(np.median(ratios)) * max(of_roll.values()) if ratios else 0.0
    return float(stops(level)) if level >= FULL else None


def highest_base_ev(
    gate: OpenGate | None, ratio: float | None, least_density: float
) -> float | None:
    """Return where the base lies at the highest, in stops from saturation, by the open gate.

    No film lets more light through than its clear support and fog do (ISO 5-1: D = -log10 T).
    Taken where the light is strongest, in the strongest channel.

    Parameters
    ----------
    gate
        The open gate; None where it is not known.
    ratio
        How many times the frame's exposure is that of the open gate; None where not known.
    least_density
        Density that a film's base has at the least.
    """
    if gate is None or not ratio or gate.grid.max() >= FULL:
        return None  # a saturated gate is lighter than it seems
    return float(stops(gate.grid.max() * ratio)) - least_density / float(np.log10(2))


def beside(outline: Quad, pixel: float, width: float, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Return the pixels just outside an outline, as a mask of a small picture.

    ``pixel`` is the photosites per pixel, ``width`` that of the strip in photosites; a sixth of
    it next to the edge is left out, where the edge's own blur lies.
    """
    height, breadth = int(shape[0]), int(shape[1])
    grown = outline.grown(width).scaled(1 / pixel)
    inner = outline.grown(width / 6).scaled(1 / pixel)
    strip: NDArray[np.bool_] = grown.mask((height, breadth)) & ~inner.mask((height, breadth))
    return strip


def _base(
    small: FloatArray, channels: tuple[str, ...], chosen: NDArray[np.bool_], source: str
) -> Base:
    signal = {name: float(np.median(small[i][chosen])) for i, name in enumerate(channels)}
    strongest = max(signal.values())
    return Base({n: min(v, 1.0) for n, v in signal.items()}, source, strongest > FULL)


def picture_mask(picture: Survey, area: Quad, base: Base | None) -> NDArray[np.bool_]:
    """Return which pixels of the survey are picture: inside, and no lighter than film can be."""
    inside = area.scaled(1 / picture.step).mask(picture.shape)
    film = inside.copy()
    if base is not None and base.source != "picture" and not base.clipped:
        for index, name in enumerate(picture.channels):
            limit = base.signal.get(name, 1.0) * 2 ** (2 * FALLOFF_EV)
            if limit < 1.0:
                film &= picture.signal[index] <= limit
    return film if film.any() else inside


def without_bare_light(shares: dict[str, float], base: Base | None) -> dict[str, float]:
    """Leave out what saturates in a negative although its base cannot.

    The base is the lightest thing that belongs to a negative. Where it lies well under
    saturation, what is saturated within the picture is light through a scratch or a hole.
    """
    if base is None or base.clipped:
        return shares
    reach = 2**FALLOFF_EV
    return {
        name: 0.0 if base.signal.get(name, 1.0) * reach < 1.0 else share
        for name, share in shares.items()
    }
