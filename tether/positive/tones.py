"""From density to the tones of a positive; and a small positive for the screen, at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tether.film import FilmProcess
from tether.settings import PositiveSettings

FloatArray = NDArray[np.float32]

MID_GREY = 0.18
"""Luminance of mid-grey relative to white (common practice: the 18 per cent grey card)."""

LEVELS = 65536
"""Entries of a printing table, and values of its result."""

LIGHTEST = 2.0
"""Transmittance relative to base that the last entry of a printing table stands for."""

_SMALLEST = 1e-5
_CLIPS = 0.98


def print_luminance(log_exposure: ArrayLike, settings: PositiveSettings) -> NDArray[np.float64]:
    """Return the luminance of a print, 0..1 with white = 1.

    Parameters
    ----------
    log_exposure
        Log10 of luminance relative to mid-grey as a straight line would print it, any shape.
    settings
        ``black`` and ``bend`` shape the ends.

    Returns
    -------
    Slope 1 in log luminance around mid-grey, bending into white above and into ``black`` below:
    the form of a characteristic curve (two softened corners), as print materials have it.
    """
    x = np.asarray(log_exposure, np.float64)
    bend, low, high = settings.bend, -settings.black, -np.log10(MID_GREY)
    line = np.logaddexp(0, (x - low) / bend) - np.logaddexp(0, (x - high) / bend)
    result: NDArray[np.float64] = MID_GREY * 10 ** (low + bend * line)
    return result


def encoded(luminance: ArrayLike) -> NDArray[np.float64]:
    """Return sRGB values 0..1 of linear values 0..1 (IEC 61966-2-1)."""
    y = np.clip(np.asarray(luminance, np.float64), 0, 1)
    result: NDArray[np.float64] = np.where(
        y <= 0.0031308, 12.92 * y, 1.055 * np.maximum(y, 1e-9) ** (1 / 2.4) - 0.055
    )
    return result


_DECODED = np.arange(256) / 255
_DECODED = np.where(
    _DECODED <= 0.04045, _DECODED / 12.92, ((_DECODED + 0.055) / 1.055) ** 2.4
).astype(np.float32)


def decoded(values: NDArray[np.uint8]) -> FloatArray:
    """Return linear values 0..1 of sRGB values 0..255, any shape (IEC 61966-2-1)."""
    return np.asarray(_DECODED[values], np.float32)


def base_luminance(settings: PositiveSettings, shift: float = 0.0, density: float = 0.0) -> float:
    """Return the luminance at which a density above film base prints, 0..1; ``shift`` is added."""
    exposure = settings.contrast * (density + shift - settings.mid_density)
    return float(print_luminance(exposure, settings))


PAPER_BLACK = 2.1
"""Density of a glossy paper's black above its white (common practice, no published source)."""


def print_range(settings: PositiveSettings) -> tuple[float, float]:
    """Return the densities above film base between which a black-and-white positive has tones.

    They print with 90 % of black and with a density of 0.04 above white. 100 times the range
    between them is the ISO R by which ISO 6846 states the contrast of papers (not checked against
    the source). Film base is black here, see `negative_tones`.
    """
    density = np.linspace(0, 4, 4001)
    light = print_luminance(settings.contrast * (density - settings.mid_density), settings)
    least = base_luminance(settings)
    dark = -np.log10(np.maximum((light - least) / (1 - least), _SMALLEST))
    first, last = np.searchsorted(-dark, (-0.9 * PAPER_BLACK, -0.04))
    return float(density[first]), float(density[last])


def negative_tones(
    transmittance: ArrayLike,
    settings: PositiveSettings,
    gain: float = 1.0,
    offset: float = 0.0,
    least: float = 0.0,
) -> NDArray[np.float64]:
    """Return sRGB values 0..1 of a negative printed as a positive.

    Parameters
    ----------
    transmittance
        Relative to the film's base, any shape; values under 1e-5 count as 1e-5.
    settings
        Contrast and the print's curve.
    gain, offset
        Balance of the channel: density ``D`` above base counts as ``gain * D + offset``.
    least
        Luminance that becomes black and is taken off all others; midtones hardly change. That of
        film base makes a print with the least exposure at which clear film is black, which is
        common practice for proofs.
    """
    density = -np.log10(np.maximum(np.asarray(transmittance, np.float64), _SMALLEST))
    exposure = settings.contrast * (gain * density + offset - settings.mid_density)
    return encoded((print_luminance(exposure, settings) - least) / (1 - least))


def slide_tones(
    transmittance: ArrayLike, settings: PositiveSettings, offset: float = 0.0
) -> NDArray[np.float64]:
    """Return sRGB values 0..1 of a transparency; ``transmittance`` is relative to its white.

    ``offset`` is a log10 of luminance that is added.
    """
    light = np.maximum(np.asarray(transmittance, np.float64), _SMALLEST)
    return encoded(10**offset * light**settings.slide_contrast)


def clipped_white(white: ArrayLike) -> NDArray[np.float64]:
    """Return the signal of a transparency's white, made so small that no channel's clips.

    Photosites that clip then print white in every channel, and not in the colour of the lamp.
    """
    signal = np.maximum(np.asarray(white, np.float64), 1e-6)
    return np.asarray(signal * min(1.0, _CLIPS / float(signal.max())))


def table_of(tones: NDArray[np.float64]) -> NDArray[np.uint16]:
    """Return sRGB values 0..1 as 16-bit numbers."""
    return np.round(tones * (LEVELS - 1)).astype(np.uint16)


def table_axis() -> NDArray[np.float64]:
    """Return the transmittance (0..`LIGHTEST`) that each entry of a printing table stands for."""
    return np.arange(LEVELS, dtype=np.float64) * (LIGHTEST / LEVELS)


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
        least = base_luminance(settings, exposure)
        tones = negative_tones(grey, settings, offset=exposure, least=least)
        tones = np.repeat(tones[..., None], 3, axis=2)
    elif process is FilmProcess.COLOUR_NEGATIVE:
        tones = negative_tones(picture / np.maximum(lightest, 1e-6), settings, offset=exposure)
    else:
        tones = slide_tones(picture / clipped_white(lightest), settings, exposure)
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
