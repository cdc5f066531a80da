"""The hand that moves the film through the gate, and what goes wrong with it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from tether_simulator.mishaps import CREEPING, MISHAPS, Lasts, mishap_of


@dataclass(frozen=True, slots=True)
class GateState:
    """What lies in the gate now, for the bench to photograph.

    ``position`` is the frame number at the middle of the gate: 4.0 when frame 4 lies right, 4.5
    half-way to frame 5, 0.0 when it is the blank piece cut off before frame 1. ``shift_mm`` comes
    on top of it. Both mean nothing without film. ``creep`` has the mishaps that grow, each with
    the moves since it began, 1 at first. ``power_ev`` is by how many stops the light was turned up.
    ``moving`` says that the film is on its way.
    """

    film: bool
    position: float
    shift_mm: float
    lamp: bool
    mishaps: frozenset[str]
    frame_faults: frozenset[tuple[int, str]]
    creep: tuple[tuple[str, int], ...] = ()
    power_ev: float = 0.0
    ring_mm: float = 0.0
    moving: bool = False


@dataclass(frozen=True, slots=True)
class Slide:
    """Film on its way: from a position, by when it began and how many seconds it takes.

    ``start`` is None where the strip that lay there is taken out and another one laid.
    """

    start: float | None
    began: float
    seconds: float

    def share(self, now: float) -> float:
        """Return how far it is on its way, 0..1: slow at first and at the end, as a hand moves."""
        part = min(max((now - self.began) / self.seconds, 0.0), 1.0)
        return 0.5 - 0.5 * math.cos(math.pi * part)


class Hand:
    """The hand at the bench: it loads, moves and removes film and switches the lamp.

    Parameters
    ----------
    frames
        Number of frames on the film; the first is 1.
    frames_per_strip
        Frames on each strip; moving to a frame of another strip is a new loading.
    clock
        Seconds that only go forward, for film that takes its time to move.

    The bench starts with the lamp on and no film in the gate.
    """

    def __init__(
        self, frames: int, frames_per_strip: int, clock: Callable[[], float] = lambda: 0.0
    ) -> None:
        self._clock = clock
        self._slide: Slide | None = None
        self._frames = frames
        self._per_strip = frames_per_strip
        self._film = False
        self._frame = 1
        self._position = 1.0
        self._shift = 0.0
        self._lamp = True
        self._pending: set[str] = set()
        self._loading: set[str] = set()
        self._bench: set[str] = set()
        self._faults: set[tuple[int, str]] = set()
        self._creep: dict[str, int] = {}
        self._blank = False
        self._power = 0.0
        self._ring = 0.0

    @property
    def frame(self) -> int | None:
        """The frame that really lies in the gate (nearest to its middle); None without one."""
        return self._frame if self._film and not self._blank else None

    @property
    def blank_film(self) -> bool:
        """Whether the blank piece that was cut off before frame 1 lies in the gate."""
        return self._film and self._blank

    @property
    def lamp_on(self) -> bool:
        """Whether the lamp is on."""
        return self._lamp

    @property
    def state(self) -> GateState:
        """What lies in the gate now."""
        at_rest = self._at_rest()
        if self._slide is None:
            return at_rest
        share = self._slide.share(self._clock())
        if share >= 1:
            self._slide = None
            return at_rest
        if self._slide.start is None:
            return replace(at_rest, film=False, moving=True) if share < 0.8 else at_rest
        start, end = self._slide.start, at_rest.position
        return replace(at_rest, position=start + share * (end - start), moving=True)

    def _at_rest(self) -> GateState:
        return GateState(
            film=self._film,
            position=0.0 if self._blank else self._position,
            shift_mm=self._shift,
            lamp=self._lamp,
            mishaps=frozenset(self._loading | self._bench),
            frame_faults=frozenset(self._faults),
            creep=tuple(sorted(self._creep.items())),
            power_ev=self._power,
            ring_mm=self._ring,
        )

    def go_to(self, frame: int) -> None:
        """Bring a frame (1-based) into the gate, loading its strip if need be.

        A pending "not-advanced", "slipped" or "half-way" spoils this one move. Going to a frame
        of another strip ends the mishaps of the loading before.

        Raises
        ------
        ValueError
            When the film has no such frame.
        """
        if not 1 <= frame <= self._frames:
            raise ValueError(f"the film has frames 1 to {self._frames}, not {frame}")
        pending, self._pending = self._pending, set()
        self._blank = False
        self._creep = {code: moves + 1 for code, moves in self._creep.items()}
        if "not-advanced" in pending and self._film:
            return
        if self._film and self._strip_of(frame) != self._strip_of(self._frame):
            self._loading.clear()
        self._film = True
        self._frame = frame
        self._position = frame - 0.5 if "half-way" in pending else float(frame)
        self._shift = 3.0 if "slipped" in pending else 0.0

    def slide_to(self, frame: int, seconds: float, laid_anew: bool = False) -> None:
        """As `go_to`, but the film takes ``seconds`` for it.

        The gate is open for most of them where another strip, or the same one, is ``laid_anew``.
        """
        old = self.state
        same = old.film and not laid_anew and self._strip_of(frame) == self._strip_of(self._frame)
        self.go_to(frame)
        self._slide = Slide(old.position if same else None, self._clock(), seconds)

    def lay_blank(self) -> None:
        """Lay the blank piece that was cut off before frame 1 into the gate instead of a strip."""
        self._loading.clear()
        self._film = self._blank = True
        self._shift = 0.0

    def remove_film(self) -> None:
        """Take the film out: the open gate. Ends the mishaps of this loading."""
        self._film = self._blank = False
        self._shift = 0.0
        self._loading.clear()

    def reload(self) -> None:
        """Take the strip out and load it again the right way, with the same frame in the gate."""
        self._loading.clear()
        self._pending.clear()
        if self.frame is not None:
            self.go_to(self._frame)

    def lamp(self, on: bool) -> None:
        """Switch the lamp."""
        self._lamp = on

    def turn_power(self, stops: float) -> None:
        """Turn the power of the light by so many stops."""
        self._power += stops

    def turn_ring(self, mm: float) -> None:
        """Turn the focusing ring, so that the plane of focus moves so far at the film."""
        self._ring += mm

    def mishaps(self) -> tuple[tuple[str, str, str], ...]:
        """Return (code, label, heading) of every mishap; these say how it is put right."""
        return tuple((mishap.code, mishap.label, mishap.lasts.value) for mishap in MISHAPS)

    @property
    def active(self) -> tuple[str, ...]:
        """Codes of the mishaps that are pending or in force, in the order of `mishaps`.

        Faults of a picture are listed while their frame is the one in the gate.
        """
        of_frame = {code for frame, code in self._faults if frame == self.frame}
        now = self._pending | self._loading | self._bench | of_frame
        return tuple(mishap.code for mishap in MISHAPS if mishap.code in now)

    def mishap(self, code: str) -> None:
        """Let something go wrong.

        "not-advanced", "slipped" and "half-way" wait for the next `go_to`; everything else is
        so at once. Faults of a picture strike the frame in the gate, and without film the frame
        that lay there last.

        Raises
        ------
        ValueError
            When the code is unknown.
        """
        lasts = mishap_of(code).lasts
        if lasts is Lasts.ONE_MOVE:
            self._pending.add(code)
        elif lasts is Lasts.LOADING:
            self._loading.add(code)
        elif lasts is Lasts.BENCH:
            self._bench.add(code)
            if code in CREEPING:
                self._creep[code] = 1
        else:
            self._faults.add((self._frame, code))

    def put_right(self, code: str) -> None:
        """Put one mishap right (for a picture's own fault: as if it had never been).

        Raises
        ------
        ValueError
            When the code is unknown.
        """
        mishap_of(code)
        for held in (self._pending, self._loading, self._bench):
            held.discard(code)
        self._creep.pop(code, None)
        if code == "out-of-focus":
            self._ring = 0.0
        self._faults = {fault for fault in self._faults if fault != (self._frame, code)}

    def clear(self) -> None:
        """Put everything right: film straight and in place, lamp on, bench as it was built."""
        self._pending.clear()
        self._loading.clear()
        self._bench.clear()
        self._creep.clear()
        self._faults.clear()
        self._power = self._ring = 0.0
        self._position = float(self._frame)
        self._shift = 0.0
        self._lamp = True

    def _strip_of(self, frame: int) -> int:
        return (frame - 1) // self._per_strip
