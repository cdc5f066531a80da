"""Which frame is in the gate: by the distance that the film moved, and by pictures seen before.

Three things are learned from the first frames of a roll: which way the film goes, how much of it
the live picture shows, and how each frame looks, by which film that was lost is found again.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from tether.bench.film_watch import FilmMotion, FilmWatch
from tether.film import FilmFormat
from tether.measure.film.movement import shift_between
from tether.settings import HandsFreeSettings

_SCALE_UNKNOWN = 0.2
"""Share of a frame's pitch that the first advance may be off: how much film the view shows is not
known before it."""
_BEYOND_DOUBT = 0.35
"""Share of a frame's pitch by which edges that are seen may differ from what was counted."""
_SAME_FRAME = 0.6
"""Likeness from which two live pictures at rest show one frame."""
_MOST_KEPT = 48
"""Frames whose look is kept: more than a roll of 135 film has."""


class Lies(StrEnum):
    """How film at rest lies, seen from the frame that was photographed last."""

    RIGHT = "right"
    NOT_MOVED = "not moved"
    OFF = "off"
    SEEN = "seen"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Recognised:
    """A frame that the live picture shows, and by how many millimetres it lies off."""

    frame: int
    moved_mm: float


class FrameCounter:
    """Counts frames while their film is watched.

    Parameters
    ----------
    watch
        What follows the film; its scale is set right.
    form
        The format: from one frame to the next, and whether each is a slide in its mount.
    settings
        How far a frame may lie off.
    """

    def __init__(self, watch: FilmWatch, form: FilmFormat, settings: HandsFreeSettings) -> None:
        self._watch = watch
        self._pitch = form.pitch
        self._mounted = form.mounted
        self._settings = settings
        self._forward = 0
        self._advance: tuple[float, float] | None = None
        self._looks: dict[int, NDArray[np.float32]] = {}
        self._last: int | None = None
        self._edge_now: float | None = None
        self._edge_then: float | None = None

    def landmark(self, offset_mm: float | None) -> None:
        """Film at rest shows the frame's edges: its middle lies ``offset_mm`` from the view's.

        Toward greater x, or y, of the live picture; None where they are not seen for certain. The
        distance between two frames whose edges are seen is then known but for whole frames.
        """
        self._edge_now = offset_mm

    def begin(self, frame: int) -> None:
        """A frame is photographed: count from here."""
        self._watch.mark()
        self._edge_then = self._edge_now
        self._last = frame
        self._looks.pop(frame, None)
        if (bands := self._watch.bands) is not None:
            self._looks[frame] = bands
        while len(self._looks) > _MOST_KEPT:
            del self._looks[next(iter(self._looks))]

    def forward_mm(self, place: FilmMotion) -> float:
        """Return how far the film has gone forward since the last frame, negative for back."""
        moved = place.moved_mm
        if place.resting_seconds and self._edge_now is not None and self._edge_then is not None:
            apart = self._edge_now - self._edge_then
            exact = apart + self._pitch * round((moved - apart) / self._pitch)
            moved = exact if abs(exact - moved) < _BEYOND_DOUBT * self._pitch else moved
        return moved * (self._forward or 1)

    def along_mm(self, toward_greater: float) -> float:
        """Return millimetres toward greater x, or y, of the live picture as millimetres forward."""
        return toward_greater * (self._forward or 1)

    def recognise(self) -> Recognised | None:
        """Return the photographed frame that film at rest shows, None for one not seen before."""
        bands, best, alike = self._watch.bands, None, _SAME_FRAME
        if bands is None:
            return None
        for frame, look in self._looks.items():
            if look.shape != bands.shape:
                continue
            shift = shift_between(look, bands)
            if shift.likeness > alike:
                best = Recognised(frame, shift.pixels * self._watch.mm_per_pixel)
                alike = shift.likeness
        return best

    def count_from(self, seen: Recognised) -> bool:
        """Count on from a photographed frame of this strip that is seen; whether that can be."""
        steps = seen.frame - (seen.frame if self._last is None else self._last)
        if steps and not self._forward:
            return False
        self._watch.found_at(self._forward * steps * self._pitch + seen.moved_mm)
        return True

    def lies(self, place: FilmMotion, wanted: int) -> tuple[Lies, float]:
        """Say how film at rest lies for the frame that comes ``wanted`` frames after the last one.

        Returns it with the millimetres by which the film is too far, negative for short.
        """
        if self._mounted:
            return self._slide_lies()
        if not place.certain:
            return Lies.UNKNOWN, 0.0
        if self._forward == 0 and abs(place.moved_mm) > self._pitch / 2:
            if self.recognise() is not None:
                return Lies.SEEN, 0.0  # moved back, before anybody knew which way that is
            self._forward = 1 if place.moved_mm > 0 else -1
        moved = self.forward_mm(place)
        counted = place.moved_mm * (self._forward or 1)
        steps, off = round(moved / self._pitch), moved - wanted * self._pitch
        allowed = self._settings.placement_mm
        if steps == 0 and abs(moved) <= allowed:
            return Lies.NOT_MOVED, off
        if not self._watch.scale_known:
            allowed = max(allowed, _SCALE_UNKNOWN * self._pitch)
        waited = place.resting_seconds >= self._settings.insist_seconds
        if steps != wanted or (abs(off) > allowed and not waited):
            return Lies.OFF, off
        self._advance = (steps * self._pitch, counted)
        return Lies.RIGHT, off

    def _slide_lies(self) -> tuple[Lies, float]:
        """Say it of a slide in its mount: another picture at rest is another slide."""
        if self._watch.bands is None:
            return Lies.UNKNOWN, 0.0
        seen = self.recognise()
        if seen is None:
            return Lies.RIGHT, 0.0
        return (Lies.NOT_MOVED if seen.frame == self._last else Lies.SEEN), 0.0

    def confirmed(self) -> None:
        """The last frame lies right: so far the film was moved, whatever was counted."""
        if self._advance is not None:
            self._watch.measured(*self._advance)
        self._watch.frame_is_right()
        self._advance = None

    def doubted(self) -> None:
        """The last frame may lie wrong: nothing is learned from it."""
        self._advance = None
