"""How a roll's positives are to look: one base, one white and one balance for all of its frames."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from tether.facts import Corners, StoredFraming
from tether.film import FilmProcess
from tether.positive.sample import Sample, Triple
from tether.positive.tones import clipped_white, print_range
from tether.settings import PositiveSettings

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


MOST_MISSING_MM = 2.0
"""Millimetres of a picture out of view beyond which its outline is not cropped to."""

MADE_AS = 5
"""Goes up when the same rendering begins to give another picture or file."""


@dataclass(frozen=True, slots=True)
class Rendering:
    """How one frame is printed.

    Attributes
    ----------
    process
        The kind of film.
    base
        Signal of the film's base for red, green and blue at this frame's exposure; of a
        transparency, of its white.
    balance
        Of the roll.
    shift
        Density that is added to this frame; above 0 prints lighter.
    outline
        Corners of the picture as (x, y) in photosites, top left, top right, bottom right,
        bottom left as the raw file shows it; None prints all that the raw file shows.
    turn
        Degrees clockwise, 0, 90, 180 or 270, after mirroring.
    mirrored
        The emulsion was toward the lens, so the picture is mirrored left to right.
    half
        One pixel for each 2 x 2 photosites, without interpolation.
    settings
        Contrast and curve.
    black
        Density above base that prints black; None leaves black to the curve.
    matrix
        Of a transparency, row by row, from the camera's balanced colours to linear sRGB; empty
        keeps the camera's.
    """

    process: FilmProcess
    base: Triple
    balance: Balance = field(default_factory=Balance)
    shift: float = 0.0
    outline: Corners | None = None
    turn: int = 0
    mirrored: bool = True
    half: bool = False
    settings: PositiveSettings = field(default_factory=PositiveSettings)
    black: float | None = None
    matrix: tuple[float, ...] = ()

    def digest(self, *more: str) -> str:
        """Return a digest that is another one when anything that matters is another."""
        facts = [MADE_AS, asdict(self), *more]
        return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()


def outline_of(framing: StoredFraming | None) -> Corners | None:
    """Return the picture's corners where its framing is sure, None where it is not.

    A mistaken outline would cut into the picture. So three sides have to have been seen, and no
    more than `MOST_MISSING_MM` of the picture may lie out of view; all is printed otherwise.
    """
    if framing is None or not framing.sound or framing.corners is None or len(framing.seen) < 3:
        return None
    if any(lost > MOST_MISSING_MM for lost in framing.missing_mm.values()):
        return None
    (ax, ay), (_, _), (cx, cy), _ = framing.corners
    return framing.corners if cx - ax > 16 and cy - ay > 16 else None


_SMALLEST = 1e-5


@dataclass(frozen=True, slots=True)
class Brief:
    """A frame as far as its rendering depends on it.

    Attributes
    ----------
    name
        What the rendering is asked for by.
    sample
        Its samples.
    base
        Its base's signal as it was measured for this roll; None takes the sample's lightest film.
    outline
        The picture's corners, see `Rendering`.
    turn
        Degrees clockwise after mirroring.
    exposure
        Stops that a person wants it lighter.
    contrast
        One of `CONTRASTS`.
    strobe
        Whether a strobe lit it.
    mirrored
        Whether the raw file is mirrored left to right, see `Rendering`.
    """

    name: str
    sample: Sample
    base: Triple | None = None
    outline: Corners | None = None
    turn: int = 0
    exposure: float = 0.0
    contrast: str = "normal"
    strobe: bool = False
    mirrored: bool = True


def roll_renderings(
    process: FilmProcess,
    briefs: Sequence[Brief],
    settings: PositiveSettings,
    *,
    half: bool,
    neutral: Triple | None = None,
) -> dict[str, Rendering]:
    """Return a rendering for each frame, by name.

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
    renderings = {}
    for brief, base, density in zip(briefs, bases, densities, strict=True):
        whole = _times(base, brief.sample.light)
        grade, shift, black = settings, brief.exposure * math.log10(2), None
        if process.is_negative:
            even = density * balance.gains + balance.offsets
            grade, placed, black = _grade(process, brief.contrast, even, settings)
            shift = shift / grade.contrast + placed
        else:
            r, g, b = clipped_white(whole).tolist()
            whole = (r, g, b)
        renderings[brief.name] = Rendering(
            process=process,
            base=whole,
            balance=balance,
            shift=round(shift, 4),
            outline=brief.outline,
            turn=brief.turn % 360,
            mirrored=brief.mirrored,
            half=half,
            settings=grade,
            black=black,
            matrix=brief.sample.matrix,
        )
    return renderings


CONTRASTS = ("soft", "normal", "hard", "own")
"""Contrasts of a negative's positive; "own" is fitted to the frame."""

_OWN = (0.7, 4.0)
"""Least and most contrast that is fitted to a frame."""


def _grade(
    process: FilmProcess,
    contrast: str,
    density: NDArray[np.floating],
    settings: PositiveSettings,
) -> tuple[PositiveSettings, float, float | None]:
    """Return the settings with the contrast of a frame, the density to add, and its black.

    ``density`` is the frame's, balanced. With its own contrast a frame's thinnest part prints black
    and its densest white (1 in 100 left out on each side).
    """
    named = {"soft": settings.soft_contrast, "hard": settings.hard_contrast}
    grade = replace(settings, contrast=named.get(contrast, settings.contrast))
    if contrast != "own" or not density.size:
        mean = float(density.mean()) if density.size else settings.mid_density
        shift = evening(mean, settings.mid_density, settings.evening_slack, settings.evening_limit)
        return grade, shift, 0.0 if process is FilmProcess.BW_NEGATIVE else None
    thin, dense = np.percentile(density.mean(axis=1), (1, 99)).tolist()
    white = print_range(settings)[1]  # and film base is black
    fitted = float(np.clip(settings.contrast * white / max(dense - thin, 0.01), *_OWN))
    middle = (white / 2 - settings.mid_density) * settings.contrast / fitted
    shift = settings.mid_density + middle - (thin + dense) / 2
    return replace(settings, contrast=round(fitted, 2)), shift, round(thin, 3)


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
        Of all frames whose own outline is sure, as in `tether.positive.rendering.Rendering`.

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
