"""What happens at the bench, as a session tells it: values that a listener is called with.

A session tells of the steps itself. What a person does on one of the screens (takes the film out,
switches the lamp) the screen announces through `tether.session.session.Session.announce`. A
rehearsal listens, and moves its simulated film.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tether.archive.records import Confirmed


@dataclass(frozen=True, slots=True)
class StepConfirmed:
    """A step of the checklist was done, or was found done when the roll was opened."""

    step: Confirmed


@dataclass(frozen=True, slots=True)
class GateOpened:
    """The film was taken out of the gate."""


@dataclass(frozen=True, slots=True)
class FilmPutBack:
    """The film lies in the gate again as it lay before."""


@dataclass(frozen=True, slots=True)
class BlankLaid:
    """A blank piece of the film lies in the gate."""


@dataclass(frozen=True, slots=True)
class LampSwitched:
    """The lamp was switched on or off."""

    on: bool


@dataclass(frozen=True, slots=True)
class StrobePowerTurned:
    """The strobe's power was turned up by so many ``stops``, negative for down."""

    stops: float


@dataclass(frozen=True, slots=True)
class LiveViewMagnified:
    """The camera's live view was magnified ``zoom`` times about its middle; 1 shows all of it."""

    zoom: float


@dataclass(frozen=True, slots=True)
class FocusRingTurned:
    """The focusing ring was turned: the plane of focus moved by so many ``mm`` at the film."""

    mm: float


@dataclass(frozen=True, slots=True)
class FilmWanted:
    """The film may be moved: ``frame`` is wanted in the gate next, None when the roll is complete.

    ``shot`` is the frame that was just photographed, None for none; the same as ``frame`` when it
    has to be photographed again.
    """

    frame: int | None
    shot: int | None


Event = (
    StepConfirmed
    | GateOpened
    | FilmPutBack
    | BlankLaid
    | LampSwitched
    | StrobePowerTurned
    | LiveViewMagnified
    | FocusRingTurned
    | FilmWanted
)

Listener = Callable[[Event], None]
"""Called with each event, on the session's thread, before what follows from it is stored."""
