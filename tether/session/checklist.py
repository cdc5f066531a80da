"""The checklist of one roll: the steps that were done, and what comes next."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from tether.archive.archive import is_rehearsals
from tether.archive.open_roll import OpenRoll
from tether.archive.pauses import PAUSED, span
from tether.archive.records import Confirmed, Scope, Sitting
from tether.archive.store import Store
from tether.bench.benches import BenchBook
from tether.bench.light_record import LightRecord
from tether.bench.steps import WALK, Step, skipped_steps
from tether.clock import Clock
from tether.session.breaks import Breaks
from tether.session.events import Listener, StepConfirmed
from tether.session.next_step import NextStep, find_next_step, set_up_done
from tether.session.undo import UndoStack

_LOADED = ("strip-load", "frame-advance")
"""Steps that say that film is in the holder."""


def begin_sitting(store: Store, clock: Clock, camera_key: str, pause_hours: float) -> Sitting:
    """Resume the last sitting unless the pause was long or the camera is another one."""
    last = store.journal.last_sitting()
    if last is not None and camera_key in ("", last.camera):
        pause = clock() - datetime.fromisoformat(last.active_at)
        # A clock that was set back gives a negative pause, which is no reason to ask again.
        if pause.total_seconds() < pause_hours * 3600:
            store.journal.touch_sitting(last.id)
            return last
    return store.journal.begin_sitting(camera_key)


class Checklist:
    """The steps of one roll in one session.

    Parameters
    ----------
    roll, sitting
        What the steps belong to.
    undo
        Takes each step that is done, so that it can be taken back.
    benches, light
        Who works here, and what is measured of the light: for the log.
    announce
        Called with each step that is done.
    attended
        Whether a person is there. The log is a record of safety steps too: it says what was
        rehearsed, and what nobody did.

    Attributes
    ----------
    lock
        Whether the holder of the bench has a lock; `tether.session.setup.SetUp` says it.
    breaks
        Since when there was none; it hears of all that is done.
    """

    def __init__(
        self,
        roll: OpenRoll,
        sitting: Sitting,
        undo: UndoStack,
        benches: BenchBook,
        light: LightRecord,
        breaks: Breaks,
        announce: Listener,
        *,
        attended: bool = True,
    ) -> None:
        self.sitting = sitting
        self.lock = False
        self._roll = roll
        self._store = roll.store
        self._undo = undo
        self.breaks = breaks
        self._benches = benches
        self._light = light
        self._announce = announce
        self._attended = attended
        self._rehearsed = is_rehearsals(roll.archive.root)

    def confirmed(self) -> list[Confirmed]:
        """Return the steps that were confirmed in this session, in the order of doing."""
        return self._store.journal.confirmed(self.sitting.id, self._roll.id)

    def next_step(self) -> NextStep:
        """Return the next thing to do."""
        return find_next_step(
            self._roll.roll,
            self._roll.frames(),
            self.confirmed(),
            short=self.sitting.short,
            lock=self.lock,
        )

    def only_film_left(self) -> bool:
        """Whether all that is left to do is strips and frames."""
        return set_up_done(self.confirmed(), short=self.sitting.short, lock=self.lock)

    @property
    def film_loaded(self) -> bool:
        """Whether a strip was laid into the holder, as far as this session knows."""
        return any(c.key in _LOADED for c in self.confirmed())

    def set_up_done(self) -> frozenset[str]:
        """Return the keys of the steps of the set-up that hold now."""
        walk = {step.key for step in WALK}
        return frozenset(c.key for c in self.confirmed() if c.key in walk)

    def announce_film(self) -> None:
        """After an interruption, say which strip and frame were laid into the gate."""
        confirmed = self.confirmed()
        last = {c.key: i for i, c in enumerate(confirmed)}
        for i in sorted(last[key] for key in _LOADED if key in last):
            self._announce(StepConfirmed(confirmed[i]))

    def confirm(
        self,
        step: Step,
        at: int = 0,
        frame: int | None = None,
        how: str = "",
        *,
        bench: tuple[str, str | None] | None = None,
    ) -> None:
        """Store that a step was done.

        Parameters
        ----------
        step, at
            Which step, and of which strip or frame; 0 for one that belongs to neither.
        frame
            The frame that the log names.
        how
            How it came to be done where it was not done just now, for the log.
        bench
            Whose step it is too, and when it was done there before, to be put back with it.

        Raises
        ------
        tether.archive.archive.ArchiveUnusable
            When the archive is not where it was; nothing is stored then.
        """
        self._roll.archive.check_in_place(self._roll.roll)
        done = Confirmed(step.scope, at, step.key)
        self._announce(StepConfirmed(done))
        roll_id = None if step.scope is Scope.SITTING else self._roll.id
        self._store.journal.confirm(self.sitting.id, roll_id, done)
        self._roll.archive.write_state(self._roll.roll)
        self._undo.add_step(step.label, done, bench)
        self.touch()
        self.log(step, f"{how or self._done()}{self._unmeasured(step)}", frame)

    def _done(self) -> str:
        """Return what the log says of a step: a rehearsed one was not done to any film."""
        if not self._attended:
            return "rehearsed, nobody at the bench"
        return f"{'rehearsed' if self._rehearsed else 'done'}{self._benches.by_person}"

    def ask_again(self, step: Step, at: int, why: str, frame: int | None = None) -> None:
        """Let a step come up again that was done; ``why`` is for the log."""
        self._store.journal.take_back(self.sitting.id, Confirmed(step.scope, at, step.key))
        self.log(step, f"to do again, {why}", frame)

    def log(self, step: Step, text: str, frame: int | None = None) -> None:
        """Write into the log what became of a step."""
        self._roll.log("step", f"{step.label}: {text}", frame)

    def ask_less(self, short: bool) -> str:
        """Switch to the short checklist or the full one; return what that means.

        The log names every step that the short one skips."""
        self._store.journal.set_short(self.sitting.id, short)
        self.sitting = replace(self.sitting, short=short)
        if not short:
            self._roll.log("checklist", "Full checklist.")
            return "Full checklist: every step comes up again."
        skipped = skipped_steps()
        names = "; ".join(step.what.rstrip(".") for step in skipped)
        self._roll.log("checklist", f"Short checklist. Skipped: {names}.")
        labels = ", ".join(step.label[0].lower() + step.label[1:] for step in skipped)
        return f"Short checklist. Skipped from now on: {labels}."

    def begin_pause(self) -> datetime:
        """Store that a pause begins; return when."""
        self._roll.log("pause", PAUSED, self.next_step().frame)
        return self._roll.archive.clock()

    def end_pause(self, since: datetime) -> timedelta:
        """Store that the pause is over; return how long it was."""
        took = max(self._roll.archive.clock() - since, timedelta(0))
        self._roll.log("pause", f"Resumed after {span(took)}", self.next_step().frame)
        self.touch()
        return took

    def touch(self) -> None:
        """Note that the session is still going."""
        self.breaks.worked()
        self._store.journal.touch_sitting(self.sitting.id)

    def _unmeasured(self, step: Step) -> str:
        """Return what the log adds where a step was confirmed that could have been measured."""
        kept = self._light.kept
        measured = {"base-exposure": kept.base, "light-test": kept.gate}.get(step.station, kept)
        return ", not measured here" if measured is None else ""
