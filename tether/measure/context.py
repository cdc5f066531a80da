"""What a frame is judged against."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from tether.film import FILM_FORMATS, FilmFormat, FilmProcess
from tether.settings import Settings

if TYPE_CHECKING:  # the session makes these too; numpy would slow the program's start
    from tether.measure.exposure.advice import Shutters
    from tether.measure.roll.memory import OpenGate, RollMemory


def _no_memory() -> RollMemory:
    from tether.measure.roll.memory import RollMemory

    return RollMemory()


@dataclass(frozen=True, slots=True)
class FrameContext:
    """What a frame is judged against.

    Attributes
    ----------
    process, film_format
        The film.
    frame_number
        The frame that should be in the gate, None where it does not matter.
    shutter, shutters
        (label, seconds) it was taken at, and the camera's own list.
    settings
        Targets and limits.
    memory
        What earlier frames of the roll left.
    open_gate
        Light without film, None to take what the memory holds.
    order
        Which capture of the roll it is, counted from 1; 0 where it does not matter.
    since
        The last capture before the light was tested or calibrated: a drift counts from there.
    """

    process: FilmProcess
    film_format: FilmFormat = field(default_factory=lambda: FILM_FORMATS["135"])
    frame_number: int | None = None
    shutter: tuple[str, float] | None = None
    shutters: Shutters = ()
    settings: Settings = field(default_factory=Settings)
    memory: RollMemory = field(default_factory=_no_memory)
    open_gate: OpenGate | None = None
    order: int = 0
    since: int = 0
