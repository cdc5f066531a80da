"""Live view for focusing: from the camera's JPEG to a positive, and how sharp it is.

Pure but for the clock that a caller brings: pictures come in as bytes, values go out.
"""

from __future__ import annotations

import io
import math
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tether.errors import TetherError
from tether.film import FilmProcess
from tether.measure.focus.sharpness import PLACES, live_sharpness
from tether.positive.tones import decoded, preview
from tether.settings import PositiveSettings

LARGEST = 4096
"""Pixels along a side beyond which a live picture is refused; cameras send a quarter of it."""

_SHOWN = 480
"""Pixels along the longer side of what is shown; a terminal has fewer."""

_LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)


class LiveViewUnreadable(TetherError):
    """What the camera sent as live view is no picture."""


@dataclass(frozen=True, slots=True)
class LiveFrame:
    """One live picture: a positive the right way round, sRGB, shape (h, w, 3), and its sharpness.

    The places of ``sharpness`` are those of the positive: left is left on the screen.
    """

    positive: NDArray[np.uint8]
    sharpness: Mapping[str, float]


def read_linear(jpeg: bytes, *, small: bool = False) -> NDArray[np.float32]:
    """Decode a live picture to linear light, shape (h, w, 3), 0..1.

    Parameters
    ----------
    jpeg
        As the camera sent it; untrusted.
    small
        At a half, a quarter or an eighth of its size where as much as is shown remains.

    Raises
    ------
    LiveViewUnreadable
        When the bytes are no JPEG of a sensible size.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            picture = Image.open(io.BytesIO(jpeg), formats=("JPEG",))
            if max(picture.size) > LARGEST or min(picture.size) < 16:
                raise LiveViewUnreadable(
                    f"The camera's live picture claims {picture.width} x {picture.height} pixels.",
                    todo="Focus on the camera's own display instead.",
                )
            if small:
                picture.draft("RGB", (_SHOWN, 2 * _SHOWN // 3))
            linear: NDArray[np.float32] = decoded(np.asarray(picture.convert("RGB")))
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombWarning) as error:
        raise LiveViewUnreadable(
            "The camera's live picture cannot be read.",
            todo="Focus on the camera's own display instead.",
        ) from error
    return linear


def read_live(jpeg: bytes, process: FilmProcess, *, mirrored: bool = True) -> LiveFrame:
    """Decode a live picture, turn it into a positive and measure it.

    Parameters
    ----------
    jpeg
        As the camera sent it; untrusted.
    process
        The kind of film.
    mirrored
        The emulsion is toward the lens, so the picture is mirrored left to right.

    Raises
    ------
    LiveViewUnreadable
        When the bytes are no JPEG of a sensible size.
    """
    linear = read_linear(jpeg)
    positive = live_positive(linear, process, mirrored=mirrored)
    if mirrored:
        linear = linear[:, ::-1]
    return LiveFrame(positive, live_sharpness(linear @ _LUMINANCE))


def live_positive(
    linear: NDArray[np.float32], process: FilmProcess, *, mirrored: bool = True
) -> NDArray[np.uint8]:
    """Turn a decoded live picture into a positive as it is shown; see `read_live`."""
    every = -(-max(linear.shape[:2]) // _SHOWN)
    small = linear[::every, ::every]
    if mirrored:
        small = small[:, ::-1]
    return preview(small, process, _base_out_of_view(small, process), mirrored=False, hatch=0)


def _base_out_of_view(
    linear: NDArray[np.float32], process: FilmProcess
) -> tuple[float, float, float] | None:
    """Return the base of a view that seems to show none, as a magnified one; None where it does.

    With it the middle of the picture's densities prints as mid-grey.
    """
    if not process.is_negative:
        return None
    low, high = np.percentile(linear[..., 1], (50, 99))
    density = float(np.log10(max(high, 1e-4) / max(low, 1e-4)))
    missing = PositiveSettings().mid_density - density
    if missing <= 0:
        return None
    r, g, b = (np.percentile(linear, 99, axis=(0, 1)) * 10**missing).tolist()
    return (r, g, b)


@dataclass(frozen=True, slots=True)
class Gauge:
    """Sharpness of one place.

    ``share`` is that of the best so far, 0..1; ``best`` whether this is it; ``passed`` whether the
    best is a peak, with less sharpness before it and after it.
    """

    place: str
    share: float
    best: bool
    passed: bool = False


@dataclass(slots=True)
class Peak:
    """The sharpest that one place has been, and whether the ring went past it.

    The first picture is the best of one, however blurred it is: the best is a peak only when the
    figure rose to it and fell again.
    """

    best: float = 0.0
    lowest: float = math.inf
    rose: bool = False
    passed: bool = False

    def see(self, now: float) -> None:
        """Take in one figure."""
        if now > _HIGHER * self.best:
            self.passed = False  # there is more to come: what was passed was not the peak
        self.best = max(self.best, now)
        self.lowest = min(self.lowest, now)
        if now >= _NEAR * self.best:
            self.rose = self.lowest <= _FALLEN * self.best
        elif self.rose and now <= _FALLEN * self.best:
            self.passed = True


_HIGHER, _NEAR, _FALLEN = 1.05, 0.95, 0.8
"""Times the best: a figure that is another best, one that is at it, and one that is past it."""


class FocusMeter:
    """Remembers the sharpest that each place has been.

    Parameters
    ----------
    corner_share
        Share of its own best below which a corner counts as out of focus while the middle is in.
    seen
        What was seen before, by place; None for nothing. It is kept up to date.
    """

    _IN_FOCUS = 0.9

    def __init__(self, corner_share: float, seen: dict[str, Peak] | None = None) -> None:
        self._corner = corner_share
        self._seen = {} if seen is None else seen

    def reset(self) -> None:
        """Forget the best: the film or the magnification was changed."""
        self._seen.clear()

    def read(self, sharpness: Mapping[str, float]) -> tuple[Gauge, ...]:
        """Take in one picture's figures; return each against its best so far."""
        gauges = []
        for place in PLACES:
            now = sharpness.get(place, 0.0)
            peak = self._seen.setdefault(place, Peak())
            peak.see(now)
            share = now / peak.best if peak.best else 0.0
            gauges.append(Gauge(place, share, 0 < now == peak.best, peak.passed))
        return tuple(gauges)

    def remark(self, gauges: Sequence[Gauge]) -> str:
        """Say that no peak was seen, or that corners are sharp elsewhere on the ring; else ""."""
        shares = {g.place: g.share for g in gauges}
        if not any(g.passed for g in gauges if g.place == "middle"):
            return NO_PEAK
        if shares.get("middle", 0.0) < self._IN_FOCUS:
            return ""
        soft = [p for p, share in shares.items() if p != "middle" and share < self._corner]
        if not soft:
            return ""
        return (
            f"The middle is sharp, but not {', '.join(soft)}: camera and film are not parallel, or "
            "the film is not flat."
        )


NO_PEAK = "No peak seen yet: turn the ring until the bars fall, then come back."
