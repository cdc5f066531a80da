"""A roll's recipes: one base, one white and one balance for all of its frames."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tether.facts import Corners
from tether.film import FilmProcess
from tether.positive.balance import Balance, Triple, evening, roll_balance, roll_base, roll_white
from tether.positive.recipe import Recipe
from tether.positive.sample import Sample
from tether.settings import PositiveSettings

_SMALLEST = 1e-5


@dataclass(frozen=True, slots=True)
class Brief:
    """A frame as far as its recipe depends on it.

    Attributes
    ----------
    name
        What the recipe is asked for by.
    sample
        Its samples.
    base
        Its base's signal as it was measured for this roll; None takes the sample's lightest film.
    outline
        The picture's corners, see `Recipe`.
    turn
        Degrees clockwise after mirroring.
    exposure
        Stops that a person wants it lighter.
    strobe
        Whether a strobe lit it.
    """

    name: str
    sample: Sample
    base: Triple | None = None
    outline: Corners | None = None
    turn: int = 0
    exposure: float = 0.0
    strobe: bool = False


def roll_recipes(
    process: FilmProcess,
    briefs: Sequence[Brief],
    settings: PositiveSettings,
    *,
    half: bool,
    neutral: Triple | None = None,
) -> dict[str, Recipe]:
    """Return a recipe for each frame, by name.

    Base, white and balance are worked out over all frames. Signals of frames taken at different
    settings are brought together by exposure time, speed and aperture as the files state them;
    those that a strobe lit are not brought together with a lamp's: no file says how bright each
    was. ``neutral`` is a grey under this lamp (of transparencies); None takes the files' white
    balance.
    """
    if not briefs:
        return {}
    of_light = {
        strobe: _base(process, [b for b in briefs if b.strobe is strobe], neutral)
        for strobe in {b.strobe for b in briefs}
    }
    bases = [of_light[brief.strobe] for brief in briefs]
    densities = [_density(b.sample, base) for b, base in zip(briefs, bases, strict=True)]
    balance = Balance()
    if process is FilmProcess.COLOUR_NEGATIVE:
        balance = roll_balance(np.concatenate(densities), settings.neutral)
    recipes = {}
    for brief, base, density in zip(briefs, bases, densities, strict=True):
        shift = brief.exposure * math.log10(2)
        if process.is_negative:
            even = density * balance.gains + balance.offsets
            shift = shift / settings.contrast + evening(
                float(even.mean()) if even.size else settings.mid_density,
                settings.mid_density,
                settings.evening_slack,
                settings.evening_limit,
            )
        recipes[brief.name] = Recipe(
            process=process,
            base=_times(base, brief.sample.light),
            balance=balance,
            shift=round(shift, 4),
            outline=brief.outline,
            turn=brief.turn % 360,
            half=half,
            settings=settings,
            matrix=brief.sample.matrix,
        )
    return recipes


def _base(process: FilmProcess, briefs: Sequence[Brief], neutral: Triple | None) -> Triple:
    """Return the base (of transparencies the white) under one kind of light, at exposure 1."""
    lightest = [_times(b.base or b.sample.lightest, 1 / b.sample.light) for b in briefs]
    if process.is_negative:
        return roll_base(lightest)
    r, g, b = np.median([brief.sample.neutral for brief in briefs], axis=0).tolist()
    return roll_white(lightest, neutral or (r, g, b))


def _density(sample: Sample, base: Triple) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    signals = np.asarray(sample.signals, np.float64).reshape(-1, 3)
    whole = np.asarray(base) * sample.light
    return np.asarray(np.log10(whole / np.maximum(signals, _SMALLEST * whole)))


def _times(signal: Triple, factor: float) -> Triple:
    return (signal[0] * factor, signal[1] * factor, signal[2] * factor)


FEWEST = 4
"""Outlines that a roll's common one is made of at least."""

WIDEST = 0.03
"""Share of the picture's width by which frames may lie apart and still be taken to lie alike: a
millimetre of 35 mm film."""

SPARE = 0.004
"""Share of the picture's width that is left on each side beside that."""


def common_outline(outlines: Sequence[Corners]) -> Corners | None:
    """Return an outline that holds every frame of a roll, from those that were seen.

    A night picture ends in no edge that could be seen; but the holder keeps film in its place.
    The result is the median outline, with each side moved out as far as any frame's lies, and a
    hair more: it shows a little rebate rather than that it cuts into a picture.

    Parameters
    ----------
    outlines
        Of all frames whose own outline is sure, as in `tether.positive.recipe.Recipe`.

    Returns
    -------
    None where fewer than `FEWEST` are known, or they lie further apart than `WIDEST`.
    """
    if len(outlines) < FEWEST:
        return None
    known = np.asarray(outlines, np.float64)
    middle = np.median(known, axis=0)
    across = middle[1] - middle[0] + middle[2] - middle[3]
    width = float(np.hypot(*across)) / 2
    if width < 16:
        return None
    u = across / np.hypot(*across)
    v = np.array([-u[1], u[0]])
    along, down = (known - middle) @ u, (known - middle) @ v
    out = {
        "left": max(0.0, -float(along[:, [0, 3]].min())),
        "right": max(0.0, float(along[:, [1, 2]].max())),
        "top": max(0.0, -float(down[:, [0, 1]].min())),
        "bottom": max(0.0, float(down[:, [2, 3]].max())),
    }
    if max(out.values()) > WIDEST * width:
        return None
    left, right, top, bottom = (out[s] + SPARE * width for s in ("left", "right", "top", "bottom"))
    moves = (
        -left * u - top * v,
        right * u - top * v,
        right * u + bottom * v,
        -left * u + bottom * v,
    )
    a, b, c, d = ((float(x), float(y)) for x, y in middle + np.array(moves))
    return (a, b, c, d)
