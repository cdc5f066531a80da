"""What can be taken back: the steps and choices since the program was started, in order."""

from __future__ import annotations

from collections.abc import Callable, Sequence, Set
from dataclasses import dataclass

from tether.archive.records import Confirmed
from tether.session.next_step import Place, in_force


@dataclass(frozen=True, slots=True)
class Undoable:
    """One thing that was done.

    ``step`` is None for a choice; ``newest`` is the number of the newest picture of that moment,
    0 for none.
    """

    what: str
    put_back: Callable[[], None]
    step: Confirmed | None = None
    newest: int = 0


def last_undoable(
    done: Sequence[Undoable], place: Place, confirmed: Sequence[Confirmed]
) -> int | None:
    """Return the index of what taking back would take back, None for nothing.

    Passed over are steps whose withdrawal would change nothing that is to be seen: those which a
    waiting picture was taken upon (it comes first, and shows that they were done), and those of
    another strip or frame than the one that lies in the gate by now.
    """
    waits = place.capture.id if place.capture else 0
    for at in reversed(range(len(done))):
        step = done[at].step
        if step is None or (done[at].newest >= waits and _holds(step, confirmed)):
            return at
    return None


def last_of(done: Sequence[Undoable], keys: Set[str], confirmed: Sequence[Confirmed]) -> int | None:
    """Return the index of the last that is one of some steps and still holds, None for none."""
    for at in reversed(range(len(done))):
        step = done[at].step
        if step is not None and step.key in keys and _holds(step, confirmed):
            return at
    return None


def _holds(step: Confirmed, confirmed: Sequence[Confirmed]) -> bool:
    return step.key in in_force(confirmed, step.scope, step.place)
