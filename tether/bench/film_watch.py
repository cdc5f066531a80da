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

from tether.bench.gate_light import GateLight
from tether.film import FilmFormat
from tether.measure.film.movement import Shift, film_bands, shift_between
from tether.settings import HandsFreeSettings

FloatArray = NDArray[np.float32]

_VIEW_OVER_PICTURE = 1.05
"""Length of film that is seen over the picture's, as long as nothing has told."""
_NEW_KEY = 0.25
"""Share of the view's length after which the film is compared with a newer picture."""
_REACH, _REACH_OF_SPEED = 0.16, 0.6
"""How far from where it is expected the film may be: share of the view, and of its last step."""
_USUAL_GAP, _GAP_SPEED = 0.15, 150.0
"""Seconds between two pictures up to which this holds; mm/s that the film may have moved beyond."""
_ALIKE, _ALIKE_AFTER_GAP = 0.12, 0.5
"""Likeness below which a picture does not show where the film is (0.2 while it moves fast)."""
_DETAIL = 0.0015
"""Slope (stops a pixel, root mean square) below which there is nothing to follow."""
_FLAT = 0.02
"""Slope below which nothing but a lamp can be in view."""
_SAME, _STILL_MM = 0.8, 0.15
"""Likeness to the picture before, and the movement since, of film at rest."""
_AGREE = 0.003
"""Share of the view by which the two ways of following the film may differ."""
_STEADY_MM, _KNOCK_MM = 0.2, 1.0
"""The film rests while it has moved no further; it was knocked, and not moved, up to this."""
_AFTER_KNOCK = 2.0
"""Times the settle time: a table swings on after a knock."""
_DARK = 0.02
_OPEN_GATE_STOPS = 0.25
"""By how much an open gate is lighter than the lightest part of film, unless it saturates."""
_SATURATED = 0.97
_AS_BARE = 0.93
"""Share of the most light seen so far from which all that is seen is bare light."""


class FilmState(StrEnum):
    """What the gate shows."""

    MOVING = "moving"
    RESTING = "resting"
    HAND = "hand"
    OPEN_GATE = "open gate"
    DARK = "dark"

    @property
    def is_gone(self) -> bool:
        """Whether no film is seen."""
        return self in (FilmState.OPEN_GATE, FilmState.DARK)


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
    negative
        Whether the film's rebate is its lightest part.
    """

    def __init__(
        self, settings: HandsFreeSettings, form: FilmFormat, *, negative: bool = True
    ) -> None:
        self._settings = settings
        self._form = form
        self._gate = GateLight(negative)
        self._linear: FloatArray | None = None
        self._key: FloatArray | None = None
        self._previous: FloatArray | None = None
        self._taken_at: float | None = None
        self._key_at = self._at = self._speed = self._marked = 0.0
        self._certain = True
        self._film_level = 0.0
        self._true_mm = self._counted = 0.0
        self._mm_per_pixel: float | None = None
        self._since: deque[tuple[float, float]] = deque()
        self._settle = settings.settle_seconds

    @property
    def bands(self) -> FloatArray | None:
        """The newest picture as `film_bands` gives it, None without detail to know it by."""
        return self._previous if self._previous is not None and self._detailed() else None

    @property
    def mm_per_pixel(self) -> float:
        """Film that a pixel of the live picture shows: measured, else from the format."""
        if self._mm_per_pixel is not None:
            return self._mm_per_pixel
        length = self._previous.shape[1] if self._previous is not None else 1
        return _VIEW_OVER_PICTURE * self._form.picture_along / length

    @property
    def scale_known(self) -> bool:
        """Whether `mm_per_pixel` was measured."""
        return self._mm_per_pixel is not None

    def mark(self) -> None:
        """Count from here: a frame was photographed where the film lies now."""
        self._marked = self._at
        self._certain = True
        self._gate.note()

    def found_at(self, moved_mm: float) -> None:
        """Take the film, which was lost, as ``moved_mm`` away from the mark."""
        self._marked = self._at - moved_mm / self.mm_per_pixel
        self._certain = True

    def measured(self, true_mm: float, moved_mm: float) -> None:
        """Take ``true_mm`` as what was counted as ``moved_mm``: the view's scale follows.

        From all that was measured together, since a single move is counted to a millimetre.
        """
        self._counted += moved_mm / self.mm_per_pixel
        self._true_mm += true_mm
        self._mm_per_pixel = self._true_mm / self._counted

    def scaled(self, mm_per_pixel: float) -> None:
        """Take the scale of the live picture from the outline of a frame."""
        if not self._counted:
            self._mm_per_pixel = mm_per_pixel

    def lose_count(self) -> None:
        """Take the distance as unknown until the next `mark`."""
        self._certain = False
        self._since.clear()

    def frame_is_right(self) -> None:
        """The film at the last `mark` was alone in the gate: so dark its edges may be."""
        self._gate.learn()

    def take(self, linear: FloatArray, seconds: float) -> FilmMotion:
        """Take in a live picture.

        Parameters
        ----------
        linear
            Linear light, shape (h, w), 0..1.
        seconds
            When it was taken, on a clock that only goes forward.
        """
        along_rows = self._runs_along_rows(*linear.shape)
        picture = linear if along_rows else linear.T
        bands = self._bands_of(picture)
        middle, high = self._gate.levels
        gap = seconds - self._taken_at if self._taken_at is not None else 0.0
        self._linear, self._taken_at = picture, seconds
        detail = _detail(bands)
        gone = self._gone(middle, high, detail)
        if gone is not None:
            self._lose(bands)
            return FilmMotion(gone, certain=False)
        moved = self._follow(bands, detail, gap)
        return self._place(moved, seconds, high)

    def _bands_of(self, picture: FloatArray) -> FloatArray:
        """Bands of what is seen through the gate; its mask would seem to be film at rest."""
        if self._gate.see(picture) and self._linear is not None:
            before = film_bands(self._gate.inside(self._linear))
            if self._linear.shape == picture.shape and self._key is not None:
                self._key = self._previous = before
                self._key_at = self._at
        return film_bands(self._gate.inside(picture))

    def _runs_along_rows(self, height: int, width: int) -> bool:
        """Whether the film's length runs along the rows: the picture's long side lies on theirs."""
        along, across = self._form.picture_along, self._form.picture_across
        return across == along or (across > along) != (width > height)

    def _detailed(self) -> bool:
        return self._previous is not None and _detail(self._previous) >= _DETAIL

    def _gone(self, middle: float, high: float, detail: float) -> FilmState | None:
        if high < _DARK:
            return FilmState.DARK
        bright = min(_SATURATED, self._film_level * 2**_OPEN_GATE_STOPS or _SATURATED)
        if self._film_level:  # a view that shows bare light beside the film, or through its holes
            bright = min(bright, _AS_BARE * self._gate.brightest)
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
        self._key_at, self._speed = self._at, 0.0

    def _follow(self, bands: FloatArray, detail: float, gap: float) -> bool:
        """Follow the film into this picture; return whether that could be done."""
        if (
            self._key is None
            or self._previous is None
            or self._key.shape != bands.shape
            or self._previous.shape != bands.shape
        ):
            self._begin_at(bands)
            return True
        if detail < _DETAIL:
            # Blank film: it can have moved by any distance.
            if self._detailed():
                self._certain = False
            self._begin_at(bands)
            return True
        length = bands.shape[1]
        step = self._speed * gap
        reach = _REACH * length + _REACH_OF_SPEED * abs(step)
        late = gap > _USUAL_GAP
        if late:
            reach += (gap - _USUAL_GAP) * _GAP_SPEED / self.mm_per_pixel
        from_last = shift_between(self._previous, bands, expected=step, reach=reach)
        still = abs(from_last.pixels) < _STILL_MM / self.mm_per_pixel
        if still and from_last.likeness <= _SAME and self._gate.covered():
            # A finger that rests hides the film that moves under it.
            self._lose(bands)
            return False
        if still and from_last.likeness > _SAME:
            # A sharp picture at rest is a better key than one that was blurred on the way.
            self._at += from_last.pixels
            self._begin_at(bands)
            return True
        expected = self._at - self._key_at + step
        from_key = shift_between(self._key, bands, expected=expected, reach=reach)
        alike = max(from_last.likeness, from_key.likeness)
        if alike < (_ALIKE_AFTER_GAP if late else _ALIKE):
            self._lose(bands)
            return False
        self._go_to(self._better(from_last, from_key, length), bands, gap)
        return True

    def _better(self, from_last: Shift, from_key: Shift, length: int) -> float:
        """Return where the film is: by the older picture, unless the newer one is more alike."""
        at, by_last = self._key_at + from_key.pixels, self._at + from_last.pixels
        if from_last.likeness > from_key.likeness and abs(at - by_last) > _AGREE * length:
            return by_last
        return at

    def _go_to(self, at: float, bands: FloatArray, gap: float) -> None:
        self._speed = (at - self._at) / max(gap, 1e-3)
        self._at, self._previous = at, bands
        if abs(self._at - self._key_at) > _NEW_KEY * bands.shape[1]:
            self._key, self._key_at = bands, self._at

    def _place(self, followed: bool, seconds: float, high: float) -> FilmMotion:
        if not followed:
            return FilmMotion(FilmState.MOVING, certain=False)
        moved = (self._at - self._marked) * self.mm_per_pixel
        self._since.append((seconds, self._at))
        while abs(self._since[0][1] - self._at) * self.mm_per_pixel > _STEADY_MM:
            at = self._since.popleft()[1]
            far = abs(at - self._at) * self.mm_per_pixel
            usual = self._settings.settle_seconds
            self._settle = usual * _AFTER_KNOCK if far < _KNOCK_MM else usual
        resting = seconds - self._since[0][0]
        if resting < self._settle or len(self._since) < 2:
            return FilmMotion(FilmState.MOVING, moved, self._certain)
        if self._gate.covered():
            return FilmMotion(FilmState.HAND, moved, self._certain, resting)
        self._film_level = high
        return FilmMotion(FilmState.RESTING, moved, self._certain, resting)


def _detail(bands: FloatArray) -> float:
    inner = bands[:, bands.shape[1] // 8 : -bands.shape[1] // 8]
    return float(np.sqrt((inner * inner).mean()))
