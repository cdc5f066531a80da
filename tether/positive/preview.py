"""A small positive for the screen, at once after the exposure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tether.film import FilmProcess
from tether.positive.curve import negative_tones, slide_tones
from tether.settings import PositiveSettings

SATURATED = 0.995
"""Signal from which a pixel counts as saturated."""

_HATCH = ((255, 130, 0), (0, 0, 0))


def preview(
    picture: NDArray[np.float32],
    process: FilmProcess,
    base: tuple[float, float, float] | None = None,
    *,
    settings: PositiveSettings | None = None,
    exposure: float = 0.0,
    turn: int = 0,
    mirrored: bool = True,
    hatch: int = 2,
) -> NDArray[np.uint8]:
    """Return a positive of a small linear picture, sRGB, shape (h, w, 3) (or (w, h, 3) turned).

    Parameters
    ----------
    picture
        Linear, relative to saturation, shape (h, w, 3).
    process
        The kind of film.
    base
        Signal of the film's base (of a transparency: of white) for red, green and blue; None
        takes the lightest film in the picture itself.
    settings
        As for the large positives.
    exposure
        Density that is added; above 0 prints lighter.
    turn
        Degrees clockwise, 0, 90, 180 or 270, after mirroring.
    mirrored
        The emulsion was toward the lens, so the picture is mirrored left to right.
    hatch
        Pixels of a stripe of the hatching over saturated spots; 0 leaves them as they are.
        The stripes are slanted and alternate orange and black, so they read without colour.

    Raises
    ------
    ValueError
        When the picture does not have the shape (h, w, 3), or the turn is no quarter turn.
    """
    if picture.ndim != 3 or picture.shape[2] != 3:
        raise ValueError("picture must have the shape (h, w, 3)")
    if turn % 90:
        raise ValueError("turn must be 0, 90, 180 or 270")
    settings = settings or PositiveSettings()
    full = np.asarray((picture >= SATURATED).any(axis=2))
    lightest = np.asarray(base if base is not None else _lightest(picture, full), np.float64)
    if process is FilmProcess.BW_NEGATIVE:
        grey = picture.sum(axis=2) / max(float(lightest.sum()), 1e-6)
        tones = np.repeat(negative_tones(grey, settings, offset=exposure)[..., None], 3, axis=2)
    elif process is FilmProcess.COLOUR_NEGATIVE:
        tones = negative_tones(picture / np.maximum(lightest, 1e-6), settings, offset=exposure)
    else:
        tones = slide_tones(picture / np.maximum(lightest, 1e-6), settings, exposure)
    out = np.round(tones * 255).astype(np.uint8)
    if mirrored:
        out, full = out[:, ::-1], full[:, ::-1]
    quarter = -(turn // 90) % 4
    out, full = np.rot90(out, quarter), np.ascontiguousarray(np.rot90(full, quarter))
    return _hatched(np.ascontiguousarray(out), full, hatch)


def _lightest(picture: NDArray[np.float32], full: NDArray[np.bool_]) -> tuple[float, float, float]:
    """Return the lightest film per channel: what saturates is taken for bare light beside it."""
    film = picture[~full] if np.count_nonzero(~full) > 100 else picture.reshape(-1, 3)
    r, g, b = np.percentile(film, 99, axis=0).tolist()
    return (r, g, b)


def _hatched(out: NDArray[np.uint8], full: NDArray[np.bool_], hatch: int) -> NDArray[np.uint8]:
    if hatch > 0 and full.any():
        y, x = np.nonzero(full)
        stripe = (x + y) // hatch % 2
        out[y, x] = np.asarray(_HATCH, np.uint8)[stripe]
    return out
