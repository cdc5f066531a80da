"""What holds for a whole roll: its base, its white, and the balance of its colours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Triple = tuple[float, float, float]

_ROUNDS = 8
_WIDEST = 0.5
_FEWEST = 200
#: The fit begins as if so large a share of the samples were a grey scale on a film whose three
#: layers are alike: rolls with hardly any grey in them then change little.
_PRIOR = 0.15


@dataclass(frozen=True, slots=True)
class Balance:
    """How the densities of red, green and blue above base are brought together.

    Density ``D`` counts as ``gain * D + offset``; green stays as it is.
    """

    gains: Triple = (1.0, 1.0, 1.0)
    offsets: Triple = (0.0, 0.0, 0.0)


def roll_base(lightest: Sequence[Triple]) -> Triple:
    """Return the base of a roll from the lightest film of each of its frames.

    Parameters
    ----------
    lightest
        Signal per channel of each frame's lightest film, brought to one exposure.

    Returns
    -------
    The upper quartile per channel: most frames show some rebate, and what is brighter than
    those is light that did not come through the film alone.
    """
    r, g, b = np.percentile(np.asarray(lightest, np.float64), 75, axis=0)
    return (float(r), float(g), float(b))


def roll_white(lightest: Sequence[Triple], neutral: Triple) -> Triple:
    """Return the white of a roll of transparencies.

    Parameters
    ----------
    lightest
        Signal per channel of each frame's lightest part, brought to one exposure.
    neutral
        Signal per channel of a grey under this lamp, in any unit: white is given its colour.

    Returns
    -------
    The highest of any frame in any channel, in the colour of ``neutral``.
    """
    level = np.max(np.asarray(lightest, np.float64) / np.asarray(neutral, np.float64))
    r, g, b = (float(level) * n for n in neutral)
    return (r, g, b)


def roll_balance(density: NDArray[np.floating], neutral: float) -> Balance:
    """Bring the three layers of a colour negative together over a whole roll.

    What is near grey on the whole roll is found and taken to be grey, in turns: each turn fits
    red and blue to green by a straight line (the ratio of the standard deviations, so that
    neither channel is the cause of the other) and narrows what counts as near grey. One frame's
    colours cannot tip it, and every frame gets the same.

    Parameters
    ----------
    density
        Densities above base for red, green and blue, shape (n, 3), from all frames alike.
    neutral
        Density by which a sample may differ from grey in the end.
    """
    d = np.asarray(density, np.float64)
    d = d[np.isfinite(d).all(axis=1) & (d > 0.02).all(axis=1)]
    gains, offsets = np.ones(3), np.zeros(3)
    if d.shape[0] < _FEWEST:
        return Balance()
    for width in np.geomspace(_WIDEST, neutral, _ROUNDS):
        even = gains * d + offsets
        near = d[np.ptp(even, axis=1) < width]
        if near.shape[0] < _FEWEST:
            break
        alike = np.linspace(0.0, 1.2, max(2, round(_PRIOR * near.shape[0])))
        fitted = np.concatenate([near, np.repeat(alike[:, None], 3, axis=1)])
        mean, spread = fitted.mean(axis=0), fitted.std(axis=0)
        gains = np.clip(spread[1] / spread, 0.6, 1.6)
        offsets = np.clip(mean[1] - gains * mean, -0.4, 0.4)
    (r, g, b), (x, y, z) = gains.tolist(), offsets.tolist()
    return Balance((r, g, b), (x, y, z))


def evening(centre_density: float, mid: float, slack: float, limit: float) -> float:
    """Return the density that is added to a frame's so that thin and dense frames can be seen.

    Frames within ``slack`` of mid-grey get 0: they are printed alike, as on one sheet of paper.

    Parameters
    ----------
    centre_density
        Mean density above base of the frame's picture.
    mid
        Density that prints as mid-grey.
    slack
        Difference that is left alone; what is beyond it is evened out.
    limit
        Largest result, either way.
    """
    away = mid - centre_density
    beyond = away - float(np.clip(away, -slack, slack))
    return float(np.clip(beyond, -limit, limit))
