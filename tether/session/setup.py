"""The set-up of the bench: which bench it is, and which of its steps still hold."""

from __future__ import annotations

from dataclasses import replace

from tether.archive.fact_files import FactFileUnusable
from tether.archive.records import Scope
from tether.bench.benches import (
    BenchBook,
    BenchQuestion,
    BenchSetup,
    WorkBench,
    changed_parts,
    film_of,
    standing_steps,
    tidy,
)
from tether.bench.camera_check import CheckStatus, check_settings
from tether.bench.light_record import gate_of_another_roll
from tether.bench.steps import BENCH, BY_KEY, LOCK, WALK, Part, Step, steps_of
from tether.errors import NotNow
from tether.session.checklist import Checklist
from tether.session.next_step import NextStep
from tether.session.undo import UndoStack
from tether.settings import Settings
from tether.text import plural, printable


class SetUp:
    """The set-up of the bench that a roll is worked on at.

    Parameters
    ----------
    bench
        Its settings get the kind of light that the bench of this sitting has.
    benches
        The benches that the archive remembers.
    checklist, undo
        Where steps are stored, and taken back.
    """

    def __init__(
        self, bench: WorkBench, benches: BenchBook, checklist: Checklist, undo: UndoStack
    ) -> None:
        self.benches = benches
        self._bench = bench
        self._given: Settings = bench.settings
        self._checklist = checklist
        self._undo = undo

    def begin(self) -> str:
        """Take light and holder of the bench that is known; ask again what another film changes.

        Returns what there is to say about it, "" for nothing.
        """
        self._take_bench()
        self._ask_for_another_film()
        return self._take_over_light()

    def _take_over_light(self) -> str:
        """Take the open gate of another roll at this bench, where this one has none; say so."""
        bench = self._bench
        if bench.light.kept.gate is not None:
            return ""
        hours = bench.settings.light.flat_hours
        gate = gate_of_another_roll(bench.roll, bench.name, strobe=bench.strobe, hours=hours)
        if gate is None:
            return ""
        try:
            bench.light.keep(gate=gate)
        except FactFileUnusable:
            return ""  # then this roll has none, which the screen says
        said = f"The light test of {printable(gate.roll)} counts for this roll too."
        bench.log(said)
        return said

    @property
    def bench_name(self) -> str:
        """The bench of this session, "" while nobody has said it."""
        return self.benches.at_hand(self._sitting)[0]

    @property
    def _sitting(self) -> int:
        return self._checklist.sitting.id

    def done(self) -> frozenset[str]:
        """Return the keys of the steps of the set-up that hold now."""
        return self._checklist.set_up_done()

    def steps(self) -> tuple[Step, ...]:
        """Return the steps of the set-up that this bench has, with those that need film."""
        return tuple(step for step in WALK if self._checklist.lock or step.key != LOCK)

    @property
    def _of_the_bench(self) -> tuple[Step, ...]:
        """The steps of the set-up, without those of the roll."""
        return steps_of(Scope.SITTING, lock=self._checklist.lock)

    def question(self) -> BenchQuestion:
        """Return what there is to ask about the bench."""
        known = self.benches.benches()
        named = self.bench_name
        last = next((b for b in known if b.name == named), known[0] if known else None)
        changed: frozenset[Part] = frozenset()
        if last is not None:
            changed = changed_parts(last, self._as_seen(last))
        return BenchQuestion(
            last,
            tuple(b for b in known if b is not last),
            changed,
            standing_steps(last, changed) if last else (),
            self.benches.person_or_account,
        )

    # --- which bench it is -------------------------------------------------------------------

    def use_bench(
        self,
        bench: BenchSetup,
        moved: frozenset[Part] = frozenset(),
        person: str | None = None,
    ) -> NextStep:
        """Say which bench this is; steps that still hold on it are not asked again.

        Parameters
        ----------
        bench
            Its name and parts as the person gives them. One that is known by its name is
            compared with what is remembered of it.
        moved
            Parts that are the same but were moved or taken apart.
        person
            Who is at the bench, None for who was before.

        Raises
        ------
        BenchError
            When a text is too long or cannot be shown; nothing is stored.
        """
        named = replace(
            bench,
            name=tidy("name of the bench", bench.name, needed=True),
            lens=tidy("lens", bench.lens),
            holder=tidy("holder", bench.holder),
            lamp=tidy("lamp", bench.lamp),
        )
        who = None if person is None else tidy("person's name", person)
        known = self.benches.find(named.name)
        seen = self._as_seen(named)
        changed = moved | (changed_parts(known, seen) if known else frozenset())
        held = dict(standing_steps(known, changed)) if known else {}
        if who is not None:
            self.benches.set_person(who)
        if self.bench_name not in ("", named.name):
            self._leave_bench(frozenset(held))
        done = {step.key: known.done[step.key] for step in held} if known else {}
        self.benches.keep(replace(seen, done=done, used_at=self._bench.roll.store.stamp()))
        self.benches.put_at_hand(self._sitting, named.name, seen.film)
        self._take_bench()
        what = f"; changed: {', '.join(sorted(changed))}" if changed and known else ""
        self._bench.log(f"{named.name}{self.benches.by_person}: {named.parts()}{what}")
        self._take_over(held, changed)
        if BENCH not in self.done():
            self._checklist.confirm(BY_KEY[BENCH])
        return self._checklist.next_step()

    def use_same_bench(self) -> bool:
        """Say that this is the bench that was used last; return False where none is known."""
        last = self.question().last
        if last is not None:
            self.use_bench(last)
        return last is not None

    def _as_seen(self, bench: BenchSetup) -> BenchSetup:
        """The bench with the camera that is connected and the film of the roll."""
        roll, camera = self._bench.roll.roll, self._bench.camera.key
        return replace(bench, camera=camera or bench.camera, film=film_of(roll))

    def _take_bench(self) -> None:
        """Let the bench say whether its holder has a lock, and which kind of light there is.

        The settings name the light of a bench that does not. While nobody has said which bench it
        is, the one that was used last counts: a resumed roll is lit as it was begun.
        """
        known = self.benches.benches()
        self._bench.name = self.bench_name
        bench = self.benches.find(self.bench_name) or next(iter(known), None)
        self._checklist.lock = bench is not None and bench.lock
        kind = (bench.light if bench else "") or self._given.light.kind
        self._bench.settings = replace(self._given, light=replace(self._given.light, kind=kind))

    def _ask_for_another_film(self) -> None:
        """Where the roll needs the holder set for another film, ask those steps again."""
        name, film = self.benches.at_hand(self._sitting)
        wanted = film_of(self._bench.roll.roll)
        if film == wanted:
            return
        if film:
            self._take_over({}, frozenset({Part.FILM}))
        self.benches.put_at_hand(self._sitting, name, wanted)
        if bench := self.benches.find(name):
            self.benches.keep(replace(bench, film=wanted))

    def _take_over(self, held: dict[Step, str], changed: frozenset[Part]) -> None:
        """Take over the steps that hold, and ask those again whose part has changed."""
        confirmed = self.done()
        unset = self._camera_to_set() if any(s.key == "camera-set" for s in held) else ""
        for step in self._of_the_bench:
            if step in held and step.key not in confirmed:
                if step.key == "camera-set" and unset:
                    self._checklist.log(step, f"to do again, the camera shows {unset}")
                    continue
                how = f"unchanged since {held[step]}{self.benches.by_person}"
                self._checklist.confirm(step, how=how)
            elif step.parts & changed and step.key in confirmed:
                self._ask_again(step, f"changed: {', '.join(sorted(step.parts & changed))}")

    def _camera_to_set(self) -> str:
        """Name what the camera check would change, "" for nothing or without a camera."""
        state = self._bench.camera.state
        if state is None:
            return ""
        lines = check_settings(state, self._bench.settings.bench, strobe=self._bench.strobe)
        wrong = [line for line in lines if line.status is CheckStatus.CHANGE]
        return ", ".join(f"{line.label} {line.now}".strip() for line in wrong)

    def _leave_bench(self, held: frozenset[Step]) -> None:
        """At another bench: what was done at the one before says nothing here."""
        for step in self._of_the_bench:
            if step.key in self.done() and step not in held and step.key != BENCH:
                why = f"at another bench{self.benches.by_person}"
                self._checklist.ask_again(step, 0, why)

    # --- the steps ---------------------------------------------------------------------------

    def confirm(self, step: Step, frame: int | None = None) -> None:
        """Store that a step of the set-up was done, for the sitting and for the bench."""
        name, key = self.bench_name, step.key
        before = self.benches.find(name)
        done_before = before.done.get(key) if before else None
        self._checklist.confirm(step, frame=frame, bench=(name, done_before))
        self.benches.mark(name, key, self._bench.roll.store.stamp())

    def confirm_open(self, step: Step) -> NextStep:
        """Store that an open step of the set-up was done, whichever is next.

        Raises
        ------
        NotNow
            When it is no open step of the set-up.
        """
        if step not in WALK or step.key in self.done():
            raise NotNow("That step is done already.", todo="Choose one that is marked ·.")
        if step.key == BENCH:
            raise NotNow("The bench has no name yet.", todo="First say which bench this is.")
        if step.scope is Scope.SITTING:
            self.confirm(step)
        else:
            self._checklist.confirm(step)
        return self._checklist.next_step()

    def do_again(self, step: Step) -> NextStep:
        """Let a set-up step come up again that was confirmed in this session."""
        if step not in WALK or step.key not in self.done():
            raise NotNow("That step is still to do.")
        self._ask_again(step, "as you asked")
        return self._checklist.next_step()

    def undo(self) -> str:
        """Take the last set-up step of this session back, whatever was done since; return it.

        Raises
        ------
        NotNow
            When none was done.
        """
        last = self._undo.last_of({step.key for step in WALK}, self._checklist.confirmed())
        if last is None:
            raise NotNow(
                "There is no set-up step to undo.",
                todo="To do an earlier step again, choose it in the list.",
            )
        self._undo.take_back_only(last)
        self._bench.roll.log("undo", f"Undone: {last.what}")
        return last.what

    def skip(self) -> str:
        """Skip the open steps of the set-up, in this session; the log names each."""
        confirmed = self.done()
        left = [s for s in self._of_the_bench if s.key not in confirmed]
        for step in left:
            self._checklist.confirm(step, how=f"skipped{self.benches.by_person}")
        return f"{plural(len(left), 'set-up step')} skipped. The log and the set-up list them."

    def _ask_again(self, step: Step, why: str) -> None:
        self.benches.mark(self.bench_name, step.key, None)
        self._checklist.ask_again(step, 0, f"{why}{self.benches.by_person}")
