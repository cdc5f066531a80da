"""A session's part about readying the bench: which bench it is, and the set-up steps on it."""

from __future__ import annotations

import getpass
from dataclasses import replace

from tether.archive.records import Confirmed, Scope, Sitting
from tether.bench.benches import (
    LONGEST,
    BenchBook,
    BenchQuestion,
    BenchSetup,
    changed_parts,
    film_of,
    standing_steps,
    tidy,
)
from tether.bench.camera_check import CheckStatus, check_settings
from tether.bench.steps import BENCH, BY_KEY, WALK, Part, Step, steps_of
from tether.errors import NotNow
from tether.session.core import Core
from tether.session.next_step import Place
from tether.session.session_values import View
from tether.session.undo import last_of
from tether.text import plural, printable


class Readying(Core):
    """A session that knows its bench."""

    @property
    def benches(self) -> BenchBook:
        """The benches that the archive remembers."""
        return BenchBook(self.store)

    @property
    def bench_name(self) -> str:
        """The bench of this sitting, "" while that was not said."""
        return self.benches.at_hand(self.sitting.id)[0]

    def _take_light(self) -> None:
        """Let the bench say what kind of light there is; else the settings do.

        While nobody has said which bench it is, the one that was used last counts: a roll that is
        gone on with lies under the light that it was begun with.
        """
        known = self.benches.benches()
        bench = self.benches.find(self.bench_name) or next(iter(known), None)
        kind = (bench.light if bench else "") or self._given.light.kind
        self.settings = replace(self._given, light=replace(self._given.light, kind=kind))

    def set_up_done(self) -> frozenset[str]:
        """Return the keys of the steps of the set-up walk that hold now."""
        confirmed = self.store.journal.confirmed(self.sitting.id, self._roll_id)
        walk = {step.key for step in WALK}
        return frozenset(c.key for c in confirmed if c.key in walk)

    def view(self) -> View:
        """Return everything a screen needs; with the question about the bench when it is next."""
        view = super().view()
        if view.place.step is not None and view.place.step.key == BENCH:
            return replace(view, bench=self.bench_question())
        return view

    def bench_question(self) -> BenchQuestion:
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
            self.benches.person or _account(),
        )

    def _as_seen(self, bench: BenchSetup) -> BenchSetup:
        """The bench with the camera that is connected and the film of the roll."""
        return replace(bench, camera=self.camera_key or bench.camera, film=film_of(self.roll))

    # --- which bench it is -------------------------------------------------------------------

    def confirm(self, step: Step | None = None) -> Place:
        """Confirm the step that is next; for the bench that means: the same as last time."""
        place = self.place()
        if place.step is not None and place.step.key == BENCH:
            last = self.bench_question().last
            if last is not None and (step is None or step.key == BENCH):
                return self.use_bench(last)
        return super().confirm(step)

    def use_bench(
        self,
        bench: BenchSetup,
        moved: frozenset[Part] = frozenset(),
        person: str | None = None,
    ) -> Place:
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
        said = replace(
            bench,
            name=tidy("name of the bench", bench.name, needed=True),
            lens=tidy("lens", bench.lens),
            holder=tidy("holder", bench.holder),
            lamp=tidy("lamp", bench.lamp),
        )
        who = None if person is None else tidy("person's name", person)
        known = self.benches.find(said.name)
        seen = self._as_seen(said)
        changed = moved | (changed_parts(known, seen) if known else frozenset())
        held = dict(standing_steps(known, changed)) if known else {}
        if who is not None:
            self.benches.set_person(who)
        if self.bench_name not in ("", said.name):
            self._leave_bench(frozenset(held))
        done = {step.key: known.done[step.key] for step in held} if known else {}
        self.benches.keep(replace(seen, done=done, used_at=self.store.stamp()))
        self.benches.put_at_hand(self.sitting.id, said.name, seen.film)
        self._take_light()
        what = f"; changed: {', '.join(sorted(changed))}" if changed and known else ""
        self._log("bench", f"{said.name}{self._by()}: {said.parts()}{what}")
        self._settle(held, changed)
        if BENCH not in self.set_up_done():
            self._confirm(BY_KEY[BENCH], 0, None)
        return self.place()

    def _settle(self, held: dict[Step, str], changed: frozenset[Part]) -> None:
        """Take over the steps that hold, and ask those again whose part has changed."""
        confirmed = self.set_up_done()
        unset = self._camera_to_set() if any(s.key == "camera-set" for s in held) else ""
        for step in steps_of(Scope.SITTING):
            if step in held and step.key not in confirmed:
                if step.key == "camera-set" and unset:
                    self._log("step", f"Asked again, as the camera shows {unset}: {step.what}")
                    continue
                self._confirm(step, 0, None, f"Unchanged since {held[step]}")
            elif step.parts & changed and step.key in confirmed:
                why = ", ".join(sorted(step.parts & changed))
                self._ask_again(step, f"Asked again ({why} changed)")

    def _camera_to_set(self) -> str:
        """Name what the camera check would change, "" for nothing or without a camera."""
        if self.camera_state is None:
            return ""
        lines = check_settings(
            self.camera_state, self.settings.bench, strobe=self.settings.light.strobe
        )
        wrong = [x for x in lines if x.status is CheckStatus.CHANGE]
        return ", ".join(f"{x.label} {x.now}".strip() for x in wrong)

    def _sitting(self) -> Sitting:
        """Go on with a sitting; where the roll wants the holder set anew, ask that again."""
        self.sitting = super()._sitting()
        name, film = self.benches.at_hand(self.sitting.id)
        wanted = film_of(self.roll)
        if film and film != wanted:
            self._settle({}, frozenset({Part.FILM}))
        if film != wanted:
            self.benches.put_at_hand(self.sitting.id, name, wanted)
            if bench := self.benches.find(name):
                self.benches.keep(replace(bench, film=wanted))
        self._take_light()
        return self.sitting

    def _leave_bench(self, held: frozenset[Step]) -> None:
        """At another bench: what was done at the one before says nothing here."""
        for step in steps_of(Scope.SITTING):
            if step.key in self.set_up_done() and step not in held and step.key != BENCH:
                self.store.journal.take_back(self.sitting.id, Confirmed(Scope.SITTING, 0, step.key))
                self._log("step", f"Asked again at another bench{self._by()}: {step.what}")

    # --- the steps ---------------------------------------------------------------------------

    def confirm_set_up(self, step: Step) -> Place:
        """Store that a set-up step was done, whichever is next.

        Raises
        ------
        NotNow
            When it is no open step of the set-up.
        """
        if step not in WALK or step.key in self.set_up_done():
            raise NotNow("That step is not open.", todo="Choose one that is marked ·.")
        if step.key == BENCH:
            raise NotNow("The bench has no name yet.", todo="Say which bench this is first.")
        self._confirm(step, 0, None)
        return self.place()

    def do_again(self, step: Step) -> Place:
        """Ask a set-up step again that was confirmed in this sitting."""
        if step not in WALK or step.key not in self.set_up_done():
            raise NotNow("That step is open already.")
        self._ask_again(step, "Asked again, as wished")
        return self.place()

    def undo_set_up(self) -> str:
        """Take the last set-up step of this start back, whatever was done since; return it.

        Raises
        ------
        NotNow
            When none was done since the program was started.
        """
        at = last_of(self._undo, {step.key for step in WALK}, self._confirmed())
        if at is None:
            raise NotNow(
                "No step of the set-up was done since the program was started.",
                todo="A asks the step again that is marked, if it is done.",
            )
        undone = self._undo.pop(at)
        undone.put_back()
        self._log("undo", f"Undone: {undone.what}")
        return undone.what

    def skip_set_up(self) -> str:
        """Leave out what is open of the set-up, in this sitting; the log names each step."""
        confirmed = self.set_up_done()
        left = [s for s in steps_of(Scope.SITTING) if s.key not in confirmed]
        for step in left:
            self._confirm(step, 0, None, "Left out")
        return (
            f"{plural(len(left), 'set-up step')} left out; the log names them. Backspace takes the "
            "last one back, W shows all."
        )

    def _ask_again(self, step: Step, how: str) -> None:
        self.store.journal.take_back(self.sitting.id, Confirmed(step.scope, 0, step.key))
        self.benches.mark(self.bench_name, step.key, None)
        self._log("step", f"{how}{self._by()}: {step.what}")

    def _confirm(self, step: Step, at: int, frame: int | None, how: str = "Done") -> None:
        super()._confirm(step, at, frame, how)
        if step.scope is not Scope.SITTING or step.key == BENCH or how != "Done":
            return
        name, key = self.bench_name, step.key
        before = self.benches.find(name)
        self.benches.mark(name, key, self.store.stamp())
        done = self._undo.pop()

        def take_back() -> None:
            done.put_back()
            self.benches.mark(name, key, before.done.get(key) if before else None)

        self._undo.append(replace(done, put_back=take_back))

    def _by(self) -> str:
        """Who does it, as words for the log."""
        who = self.benches.person or _account()
        return f" by {who}" if who else ""


def _account() -> str:
    """Return the name of the account that the program runs under, "" where it has none."""
    try:
        return printable(getpass.getuser(), LONGEST)
    except (OSError, KeyError):
        return ""
