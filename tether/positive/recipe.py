"""Everything that decides what a frame's positive looks like, as one value."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, field

from tether.facts import Corners, StoredFraming
from tether.film import FilmProcess
from tether.positive.balance import Balance, Triple
from tether.settings import PositiveSettings

MOST_MISSING_MM = 2.0
"""Millimetres of a picture out of view beyond which its outline is not cropped to."""

RENDERING = 2
"""Goes up when the same recipe begins to give another picture or file."""


@dataclass(frozen=True, slots=True)
class Recipe:
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
    matrix: tuple[float, ...] = ()

    def digest(self, *more: str) -> str:
        """Return a digest that is another one when anything that matters is another."""
        facts = [RENDERING, asdict(self), *more]
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
