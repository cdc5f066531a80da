"""The numbers of a raw positive: tables from raw values to the light of a print, and its neutral.

A negative's light is a falling power of what the sensor saw: with density ``D = log10(base / x)``
above base, the straight part of the print is ``y = y_base 10^(gamma D) = y_base (base / x)^gamma``.
The base of a channel is then only a factor. So one table, the same for every photosite, turns the
whole mosaic, and the neutral of the file takes what is left between the channels.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tether.measure.levels import sites_of
from tether.measure.light.flat import along_axis
from tether.positive.flat_field import rows_of
from tether.positive.rendering import Rendering
from tether.positive.sample import Triple
from tether.positive.tones import LEVELS, MID_GREY
from tether.raw import Mosaic

TOP = LEVELS - 1
"""The largest value of 16 bits, which stands for the full signal of a reader."""

QUARTER = 0.25
"""Raw values of rounding beside which a table is called exact."""

_SMALLEST = 1e-5
_FAR_OVER = 1000.0
"""Times white beyond which light is not told apart; a gain brings less than that down."""


@dataclass(frozen=True, slots=True)
class PrintLine:
    """How one channel's raw values become light of the print, on the straight part of its curve.

    Attributes
    ----------
    black
        Raw value of no light.
    base
        Raw values above black of the film's base; of a transparency, of its white.
    gamma
        Log light of the print per unit of density above base.
    at_base
        Light of the base in the print, white = 1.
    """

    black: float
    base: float
    gamma: float
    at_base: float

    def light(self, raw: NDArray[np.floating]) -> NDArray[np.float64]:
        """Return the print's light for raw values; infinite at black and below."""
        above = np.asarray(raw, np.float64) - self.black
        with np.errstate(divide="ignore"):
            power = np.where(above > 0, above / self.base, 0.0) ** -self.gamma
        return np.asarray(self.at_base * power, np.float64)

    @property
    def density_of_grey(self) -> float:
        """Density above base that prints as mid-grey."""
        return math.log10(MID_GREY / self.at_base) / self.gamma


def print_lines(rendering: Rendering, mosaic: Mosaic) -> dict[str, PrintLine]:
    """Return the line of each channel of a negative's mosaic, by the channel's name.

    Raises
    ------
    ValueError
        When a channel is none of red, green, blue and grey, or its base is at black.
    """
    lines = {}
    for index, name in enumerate(mosaic.channels):
        colour = colour_of(name)
        span = mosaic.saturation[index] - mosaic.black[index]
        base = rendering.base[colour] * span
        if not base >= 1:
            raise ValueError(f"the base of channel {name} is at black")
        contrast = rendering.settings.contrast
        gain, offset = rendering.balance.gains[colour], rendering.balance.offsets[colour]
        log = contrast * (offset + rendering.shift - rendering.settings.mid_density)
        at_base = float(MID_GREY * 10**log)
        lines[name] = PrintLine(mosaic.black[index], base, contrast * gain, at_base)
    return lines


def light_of_black(rendering: Rendering) -> float:
    """Return the light of the print, on its straight part, that is to be black; 0 for none.

    It is taken off after the table, as the black level of what the reader sees.
    """
    if rendering.black is None:
        return 0.0
    settings = rendering.settings
    density = rendering.black + rendering.shift - settings.mid_density
    return float(MID_GREY * 10 ** (settings.contrast * density))


def colour_of(channel: str) -> int:
    """Return 0, 1 or 2 for a channel of red, green (or grey) or blue, by its name.

    Raises
    ------
    ValueError
        When it is another colour.
    """
    number = {"R": 0, "G": 1, "Y": 1, "B": 2}.get(channel[:1])
    if number is None:
        raise ValueError(f"a channel of the colour {channel[:1]!r} is none of red, green and blue")
    return number


@dataclass(frozen=True, slots=True)
class OneTable:
    """One table for all channels, and how well it fits each of them.

    Attributes
    ----------
    table
        Light of the print for each raw value, shape (65536,), uint16, falling.
    neutral
        What red, green and blue of a grey have in it, the strongest 1 (DNG: ``AsShotNeutral``).
    gamma
        Of the table.
    black
        Raw value that it takes for no light.
    black_off
        Raw values by which a channel's own black lies apart from that, at most.
    gamma_off
        By how much a channel's own gamma is another one, at most.
    exact_from
        Density above base from which the table rounds by less than `QUARTER` raw values, in the
        channel that is worst off.
    rounding_at_base
        Raw values by which it rounds at the film's base, in that channel.
    """

    table: NDArray[np.uint16]
    neutral: Triple
    gamma: float
    black: float
    black_off: float
    gamma_off: float
    exact_from: float
    rounding_at_base: float


def one_table(lines: Mapping[str, PrintLine], mosaic: Mosaic, headroom: float = 1.0) -> OneTable:
    """Return the table that turns a negative's whole mosaic into a positive.

    Each channel is met exactly at the density that it prints as mid-grey. Where the channels
    have one gamma (black-and-white film) that is every density.

    Parameters
    ----------
    lines, mosaic
        As `print_lines` gives them, and the mosaic.
    headroom
        How many times the print's white the strongest channel's largest value stands for.
    """
    counts = {
        name: len(sites_of(mosaic.pattern, index)) for index, name in enumerate(mosaic.channels)
    }
    total = sum(counts.values())
    black = sum(lines[name].black * counts[name] for name in lines) / total
    gamma = sum(lines[name].gamma * counts[name] for name in lines) / total
    # Raw value above black of mid-grey, to the power gamma: what a channel's neutral goes with.
    powers: list[list[float]] = [[], [], []]
    for name, line in lines.items():
        grey = line.base * 10**-line.density_of_grey
        powers[colour_of(name)].append(grey**-gamma)
    means = [sum(p) / len(p) for p in powers if p]
    top = max(means)
    r, g, b = ((sum(p) / len(p) if p else top) / top for p in powers)
    scale = TOP * MID_GREY / headroom / top
    axis = np.arange(LEVELS, dtype=np.float64) - black
    with np.errstate(divide="ignore"):
        light = scale * np.where(axis > 0, axis, 0.0) ** -gamma
    # Half a step of the table over its slope, in raw values. It goes with 10^-(gamma + 1) D.
    rounding = max(0.5 * line.base ** (1 + gamma) / (gamma * scale) for line in lines.values())
    return OneTable(
        table=np.round(np.minimum(light, TOP)).astype(np.uint16),
        neutral=(r, g, b),
        gamma=gamma,
        black=black,
        black_off=max(abs(line.black - black) for line in lines.values()),
        gamma_off=max(abs(line.gamma - gamma) for line in lines.values()),
        exact_from=max(0.0, math.log10(rounding / QUARTER) / (gamma + 1)),
        rounding_at_base=rounding,
    )


def computed(
    mosaic: Mosaic,
    lines: Mapping[str, PrintLine],
    gains: NDArray[np.float32] | None,
    headroom: float = 1.0,
) -> NDArray[np.uint16]:
    """Return the mosaic with every value turned by its own channel's curve, same shape.

    Parameters
    ----------
    mosaic, lines
        The mosaic, and the lines of its channels.
    gains
        Factors on a grid over the view as `power_of_light` gives them; None for an even light.
    headroom
        How many times the print's white the largest value stands for.
    """
    data, (tile_y, tile_x) = mosaic.data, mosaic.pattern.shape
    height, width = mosaic.shape
    out = np.empty(mosaic.shape, np.uint16)
    axis = np.arange(LEVELS, dtype=np.float64)
    tables = {
        name: np.minimum(line.light(axis) * (TOP / headroom), _FAR_OVER * TOP).astype(np.float32)
        for name, line in lines.items()
    }
    whole = {name: _sixteen_bit(table) for name, table in tables.items()}
    wide = along_axis(gains, 2, width) if gains is not None else None
    rows = tile_y * max(1, 64 // tile_y)
    for top in range(0, height, rows):
        bottom = min(top + rows, height)
        factor = rows_of(wide, top, bottom, height) if wide is not None else None
        for index, name in enumerate(mosaic.channels):
            for y, x in sites_of(mosaic.pattern, index):
                part = data[top + y : bottom : tile_y, x::tile_x]
                place = out[top + y : bottom : tile_y, x::tile_x]
                if factor is None:
                    place[...] = whole[name].take(part)
                else:
                    gain = factor[colour_of(name), y::tile_y, x::tile_x]
                    place[...] = _sixteen_bit(tables[name].take(part) * gain)
    return out


def _sixteen_bit(light: NDArray[np.float32]) -> NDArray[np.uint16]:
    return (np.minimum(light, np.float32(TOP)) + np.float32(0.5)).astype(np.uint16)


def power_of_light(grid: NDArray[np.float32], gammas: Sequence[float]) -> NDArray[np.float32]:
    """Return what evens the light out in a positive: light to the power gamma, channel by channel.

    ``grid`` is a `FlatField`'s, shape (3, rows, columns); of transparencies gamma is -1.
    """
    powers = np.asarray(gammas, np.float64)[:, None, None]
    return np.asarray(np.maximum(grid, _SMALLEST) ** powers, np.float32)


def light_of_samples(
    rendering: Rendering, signals: Sequence[Triple], percent: float = 99.5
) -> float:
    """Return the print's light, white = 1, that so much of a negative stays under.

    ``signals`` are a `Sample`'s: red, green and blue relative to saturation; so many ``percent``
    of them count.
    """
    if not signals:
        return 0.0
    x = np.maximum(np.asarray(signals, np.float64) / np.asarray(rendering.base), _SMALLEST)
    density = -np.log10(x) * rendering.balance.gains + rendering.balance.offsets
    log = rendering.settings.contrast * (density + rendering.shift - rendering.settings.mid_density)
    light = MID_GREY * 10**log
    return float(np.percentile(light.max(axis=1), percent))
