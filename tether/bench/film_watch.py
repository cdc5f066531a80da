"""The film in the gate as live view shows it: at rest, moving, or gone, and how far it has moved.

The distance is counted from picture to picture against a picture that is kept until the film has
moved a quarter of the view away from it, so that errors do not add up with every picture.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from tether.film import FilmFormat
from tether.measure.film.movement import Shift, film_bands, shift_between
from tether.settings import HandsFreeSettings

FloatArray = NDArray[np.float32]

_VIEW_OVER_PICTURE = 1.05
"""Length of film in view over the picture's, as long as no frame has told."""
_NEW_KEY = 0.25
"""Share of the view's length after which the film is compared with a newer picture."""
_REACH, _REACH_OF_SPEED = 0.16, 0.6
"""How far from where it is expected the film may be: share of the view, and of its last step."""
_ALIKE = 0.12
"""Likeness below which a picture does not show where the film is (0.2 while it moves fast)."""
_DETAIL = 0.0015
"""Slope (stops a pixel, root mean square) below which there is nothing to follow."""
_FLAT = 0.02
"""Slope below which nothing but a lamp can be in view."""
_SCALE_UNKNOWN = 0.2
"""Share of a frame's pitch that the first advance may be off: how much film the view shows is not
known before it."""
_SAME, _STILL_MM = 0.8, 0.15
"""Likeness to the picture before, and the movement since, of film at rest."""
_AGREE = 0.003
"""Share of the view by which the two ways of following the film may differ."""
_STEADY_MM = 0.2
"""The film rests while it has moved no further than this."""
_DARK = 0.02
_OPEN_GATE_STOPS = 0.25
"""By how much an open gate is lighter than the lightest part of film, unless it saturates."""
_SATURATED = 0.97


class FilmState(StrEnum):
    """What the gate shows."""

    MOVING = "moving"
    RESTING = "resting"
    OPEN_GATE = "open gate"
    DARK = "dark"


@dataclass(frozen=True, slots=True)
class FilmMotion:
    """Where the film is.

    Attributes
    ----------
    state
        What the gate shows.
    moved_mm
        Along the film since `FilmWatch.mark`; which sign is forward depends on how it is laid.
    certain
        Whether the film was followed all the way since then.
    resting_seconds
        For how long it has been at rest, 0 while it moves.
    """

    state: FilmState
    moved_mm: float = 0.0
    certain: bool = True
    resting_seconds: float = 0.0


class FilmWatch:
    """Follows the film from one live picture to the next.

    Parameters
    ----------
    settings
        How long the film has to rest.
    form
        The film's format: how it lies in the view, and about how much of it is seen.
    """

    def __init__(self, settings: HandsFreeSettings, form: FilmFormat) -> None:
        self._settings = settings
        self._form = form
        self._view_mm = _VIEW_OVER_PICTURE * form.picture_along
        self._key: FloatArray | None = None
        self._previous: FloatArray | None = None
        self._key_at = self._at = self._step = self._marked = 0.0
        self._certain = True
        self._film_level = 0.0
        self._true_mm = self._counted = 0.0
        self._since: deque[tuple[float, float]] = deque()

    def mark(self) -> None:
        """Count from here: a frame was photographed where the film lies now."""
        self._marked = self._at
        self._certain = True

    def measured(self, true_mm: float, moved_mm: float) -> None:
        """Take ``true_mm`` as what was counted as ``moved_mm``: the view's scale follows.

        From all that was measured together, since a single move is counted to a millimetre.
        """
        self._true_mm += true_mm
        self._counted += moved_mm / self._view_mm
        self._view_mm = self._true_mm / self._counted

    def lose_count(self) -> None:
        """Take the distance as unknown until the next `mark`."""
        self._certain = False

    def take(self, linear: FloatArray, seconds: float) -> FilmMotion:
        """Take in a live picture.

        Parameters
        ----------
        linear
            Linear light, shape (h, w), 0..1.
        seconds
            When it was taken, on a clock that only goes forward.
        """
        bands = film_bands(linear, along_rows=self._runs_along_rows(*linear.shape))
        sample = linear[::4, ::4]
        middle, high = np.percentile(sample, (50, 99))
        inner = bands[:, bands.shape[1] // 8 : -bands.shape[1] // 8]
        detail = float(np.sqrt((inner * inner).mean()))
        gone = self._gone(float(middle), float(high), detail)
        if gone is not None:
            self._lose(bands)
            return FilmMotion(gone, certain=False)
        moved = self._follow(bands, detail)
        return self._place(moved, seconds, float(high))

    def _runs_along_rows(self, height: int, width: int) -> bool:
        """Whether the film's length runs along the rows: the picture's long side lies on theirs."""
        along, across = self._form.picture_along, self._form.picture_across
        return across == along or (across > along) != (width > height)

    def _gone(self, middle: float, high: float, detail: float) -> FilmState | None:
        if high < _DARK:
            return FilmState.DARK
        bright = min(_SATURATED, self._film_level * 2**_OPEN_GATE_STOPS or _SATURATED)
        if middle >= bright and detail < _FLAT:
            return FilmState.OPEN_GATE
        return None

    def _lose(self, bands: FloatArray) -> None:
        self._begin_at(bands)
        self._certain = False
        self._since.clear()

    def _begin_at(self, bands: FloatArray) -> None:
        """Compare with this picture from now on."""
        self._key = self._previous = bands
        self._key_at, self._step = self._at, 0.0

    def _follow(self, bands: FloatArray, detail: float) -> bool:
        """Follow the film into this picture; return whether that could be done."""
        if (
            self._key is None
            or self._previous is None
            or self._key.shape != bands.shape
            or detail < _DETAIL
        ):
            self._begin_at(bands)
            return True
        length = bands.shape[1]
        still = _STILL_MM * length / self._view_mm
        from_last = self._shift(self._previous, bands, self._step)
        if from_last.likeness > _SAME and abs(from_last.pixels) < still:
            # A sharp picture at rest is a better key than one that was blurred on the way.
            self._at += from_last.pixels
            self._begin_at(bands)
            return True
        from_key = self._shift(self._key, bands, self._at - self._key_at + self._step)
        if max(from_last.likeness, from_key.likeness) < _ALIKE:
            self._lose(bands)
            return False
        at = self._key_at + from_key.pixels
        by_last = self._at + from_last.pixels
        if from_last.likeness > from_key.likeness and abs(at - by_last) > _AGREE * length:
            at = by_last
        self._step, self._at, self._previous = at - self._at, at, bands
        if abs(self._at - self._key_at) > _NEW_KEY * length:
            self._key, self._key_at = bands, self._at
        return True

    def _shift(self, before: FloatArray, bands: FloatArray, expected: float) -> Shift:
        reach = _REACH * bands.shape[1] + _REACH_OF_SPEED * abs(self._step)
        return shift_between(before, bands, expected=expected, reach=reach)

    def _place(self, followed: bool, seconds: float, high: float) -> FilmMotion:
        assert self._key is not None
        millimetres = self._view_mm / self._key.shape[1]
        if not followed:
            return FilmMotion(FilmState.MOVING, certain=False)
        self._since.append((seconds, self._at))
        while abs(self._since[0][1] - self._at) * millimetres > _STEADY_MM:
            self._since.popleft()
        resting = seconds - self._since[0][0]
        moved = (self._at - self._marked) * millimetres
        if resting < self._settings.settle_seconds or len(self._since) < 2:
            return FilmMotion(FilmState.MOVING, moved, self._certain)
        self._film_level = high
        return FilmMotion(FilmState.RESTING, moved, self._certain, resting)


class Lies(StrEnum):
    """How film at rest lies, seen from the frame that was photographed last."""

    RIGHT = "right"
    NOT_MOVED = "not moved"
    OFF = "off"
    UNKNOWN = "unknown"


class FrameCounter:
    """Counts frames by the distance that the film moved.

    Two things are learned from the first frames of a roll: which way the film goes, and how much
    of it the live picture shows.

    Parameters
    ----------
    watch
        What follows the film; its scale is set right.
    pitch_mm
        From one frame to the next.
    settings
        How far a frame may lie off.
    """

    def __init__(self, watch: FilmWatch, pitch_mm: float, settings: HandsFreeSettings) -> None:
        self._watch = watch
        self._pitch = pitch_mm
        self._settings = settings
        self._forward = 0
        self._scale_known = False
        self._advance: tuple[float, float] | None = None

    def begin(self) -> None:
        """A frame is photographed: count from here."""
        self._watch.mark()

    def forward_mm(self, place: FilmMotion) -> float:
        """Return how far the film has gone forward since the last frame, negative for back."""
        return place.moved_mm * (self._forward or 1)

    def lies(self, place: FilmMotion, wanted: int) -> tuple[Lies, float]:
        """Say how film at rest lies for the frame that comes ``wanted`` frames after the last one.

        Returns it with the millimetres by which the film is too far, negative for short.
        """
        if not place.certain:
            return Lies.UNKNOWN, 0.0
        if self._forward == 0 and abs(place.moved_mm) > self._pitch / 2:
            self._forward = 1 if place.moved_mm > 0 else -1
        moved = self.forward_mm(place)
        steps, off = round(moved / self._pitch), moved - wanted * self._pitch
        allowed = self._settings.placement_mm
        if steps == 0 and abs(moved) <= allowed:
            return Lies.NOT_MOVED, off
        if not self._scale_known:
            allowed = max(allowed, _SCALE_UNKNOWN * self._pitch)
        waited = place.resting_seconds >= self._settings.insist_seconds
        if steps != wanted or (abs(off) > allowed and not waited):
            return Lies.OFF, off
        self._advance = (steps * self._pitch, moved)
        return Lies.RIGHT, off

    def confirmed(self) -> None:
        """The last frame lies right: so far the film was moved, whatever was counted."""
        if self._advance is not None:
            self._watch.measured(*self._advance)
            self._scale_known = True
        self._advance = None

    def doubted(self) -> None:
        """The last frame may lie wrong: nothing is learned from it."""
        self._advance = None
