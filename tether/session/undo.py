"""What can be taken back: the steps and choices since the program was started, in order."""

from __future__ import annotations

from collections.abc import Callable, Sequence, Set
from dataclasses import dataclass

from tether.archive.open_roll import OpenRoll
from tether.archive.records import Confirmed
from tether.session.next_step import NextStep, in_force


@dataclass(frozen=True, slots=True, eq=False)
class Undoable:
    """One thing that was done.

    ``step`` is None for a choice; ``newest`` is the number of the newest picture of that moment,
    0 for none.
    """

    what: str
    put_back: Callable[[], None]
    step: Confirmed | None = None
    newest: int = 0


class UndoStack:
    """The steps and choices of one roll since the program was started, in order."""

    def __init__(self, roll: OpenRoll) -> None:
        self._roll = roll
        self._done: list[Undoable] = []

    def __bool__(self) -> bool:
        """Whether anything was done."""
        return bool(self._done)

    def add(self, what: str, put_back: Callable[[], None], step: Confirmed | None = None) -> None:
        """Remember what was just done; ``put_back`` takes it back."""
        newest = max((c.id for f in self._roll.frames() for c in f.captures), default=0)
        self._done.append(Undoable(what, put_back, step, newest))

    def last(self, place: NextStep, confirmed: Sequence[Confirmed]) -> Undoable | None:
        """Return what taking back would take back, None for nothing.

        Passed over are steps whose withdrawal would change nothing that is to be seen: those which
        a waiting picture was taken upon (it comes first, and shows that they were done), and those
        of another strip or frame than the one that lies in the gate by now.
        """
        waits = place.capture.id if place.capture else 0
        for done in reversed(self._done):
            if done.step is None or (done.newest >= waits and _holds(done.step, confirmed)):
                return done
        return None

    def last_of(self, keys: Set[str], confirmed: Sequence[Confirmed]) -> Undoable | None:
        """Return the last that is one of some steps and still holds, None for none."""
        for done in reversed(self._done):
            if done.step is not None and done.step.key in keys and _holds(done.step, confirmed):
                return done
        return None

    def take_back(self, done: Undoable) -> None:
        """Take one thing back. Whatever was passed over to get there is forgotten."""
        del self._done[self._done.index(done) :]
        done.put_back()

    def take_back_only(self, done: Undoable) -> None:
        """Take one thing back, and leave what was done since as it is."""
        self._done.remove(done)
        done.put_back()


def _holds(step: Confirmed, confirmed: Sequence[Confirmed]) -> bool:
    return step.key in in_force(confirmed, step.scope, step.place)
