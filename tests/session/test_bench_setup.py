"""The bench that is kept: what is asked again, what still holds, and what a stop leaves of it."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.quick import QUICK
from tether.archive.archive import REHEARSAL_CARD, Archive
from tether.archive.records import FrameState, NewRoll, Roll, Scope
from tether.bench.benches import (
    LONGEST,
    BenchBook,
    BenchError,
    BenchSetup,
    changed_parts,
    standing_steps,
    tidy,
)
from tether.bench.steps import BENCH, BY_KEY, LOCK, SET_UP, Part, steps_of
from tether.errors import NotNow
from tether.film import FilmProcess
from tether.session.judge import Judge
from tether.session.next_step import NextKind
from tether.session.session import Session
from tether.text import printable

TABLE = BenchSetup(
    "Table 1", lens="macro 60 mm", holder="strip holder, 10 mm", lamp="panel", lock=True
)
FILM_CHECK = ("film-base", "roll-check")
EACH_TIME = {s.key for s in SET_UP if s.each_time}


def begun(archive: Archive, roll: Roll, judge: Judge) -> Session:
    """Begin, with the film checked: that comes before everything else."""
    session = Session(archive, roll, None, judge, QUICK)
    for key in FILM_CHECK:
        if (step := session.next_step().step) is not None and step.key == key:
            session.confirm(step)
    return session


def confirm_all(session: Session) -> None:
    for step in SET_UP:
        if step.key not in session.set_up.done():
            session.set_up.confirm_open(step)


def new_sitting(archive: Archive) -> None:
    archive.store.journal.begin_sitting("")


def log_of(session: Session) -> str:
    return "\n".join(f"{k} {t}" for _, _, k, t in session.store.journal.log_lines(session.roll.id))


def open_steps(session: Session) -> set[str]:
    return {s.key for s in SET_UP} - session.set_up.done()


def test_the_first_sitting_asks_everything_and_the_next_one_what_has_to_be_done_each_time(
    archive: Archive, roll: Roll, judge: Judge
) -> None:
    with begun(archive, roll, judge) as session:
        assert session.set_up.question().last is None
        session.set_up.use_bench(TABLE, person="Ada")
        assert open_steps(session) == {s.key for s in SET_UP} - {BENCH}
        confirm_all(session)
        assert session.next_step().step == BY_KEY["holder-blow"]
    new_sitting(archive)
    with begun(archive, roll, judge) as session:
        question = session.set_up.question()
        assert question.last is not None
        assert question.last.parts() == TABLE.parts()
        assert question.person == "Ada"
        # Enter on the question means: the same bench.
        session.confirm(BY_KEY[BENCH])
        assert open_steps(session) == EACH_TIME - {BENCH}
        assert f"step {SET_UP[1].label}: unchanged since 20" in log_of(session)


def test_only_what_a_changed_part_touches_is_asked(
    archive: Archive, roll: Roll, judge: Judge
) -> None:
    with begun(archive, roll, judge) as session:
        session.set_up.use_bench(TABLE)
        confirm_all(session)
        # In the middle of a sitting: the lamp is another one.
        session.set_up.use_bench(replace(TABLE, lamp="strobe"))
        assert open_steps(session) == {s.key for s in SET_UP if Part.LAMP in s.parts}
        assert "light-test" in open_steps(session)
    new_sitting(archive)
    with begun(archive, roll, judge) as session:
        session.set_up.use_bench(replace(TABLE, lamp="strobe"), moved=frozenset({Part.HOLDER}))
        touched = {s.key for s in SET_UP if s.parts & {Part.LAMP, Part.HOLDER}}
        assert open_steps(session) == (EACH_TIME | touched) - {BENCH}


def test_another_lens_is_cleaned_and_focused(archive: Archive, roll: Roll, judge: Judge) -> None:
    with begun(archive, roll, judge) as session:
        session.set_up.use_bench(TABLE)
        confirm_all(session)
        session.set_up.use_bench(replace(TABLE, lens="another 60 mm"))
        assert {"lens-clean", "focus-lock", "light-test"} <= open_steps(session)


def test_another_film_wants_the_holder_set_anew_also_within_a_sitting(
    archive: Archive, roll: Roll, judge: Judge
) -> None:
    with begun(archive, roll, judge) as session:
        session.set_up.use_bench(TABLE)
        confirm_all(session)
    other = archive.store.rolls.add(NewRoll("Slides", FilmProcess.TRANSPARENCY, "135", 6, 0))
    with begun(archive, other, judge) as session:
        assert open_steps(session) == {"holder-fit", "film-gate"}
        confirm_all(session)
    same_kind = archive.store.rolls.add(NewRoll("More", FilmProcess.TRANSPARENCY, "135", 6, 0))
    with begun(archive, same_kind, judge) as session:
        assert open_steps(session) == set()


def test_a_stop_resumes_at_the_same_step_and_the_log_says_who_did_what(
    archive: Archive, roll: Roll, judge: Judge
) -> None:
    with begun(archive, roll, judge) as session:
        session.set_up.use_bench(TABLE, person="Ada")
        session.confirm()
        session.confirm()
        before = session.next_step().step
    with begun(archive, roll, judge) as session:
        assert session.next_step().step == before
        assert f"step {SET_UP[1].label}: done (Ada)" in log_of(session)
        assert f"step {SET_UP[2].label}: done (Ada)" in log_of(session)


def test_a_rehearsed_step_is_never_logged_as_done(
    archive: Archive, roll: Roll, judge: Judge
) -> None:
    """The log is a record of safety steps: nobody held a film in a rehearsal."""
    (archive.root / REHEARSAL_CARD).mkdir()
    with begun(archive, roll, judge) as session:
        session.set_up.use_bench(TABLE, person="Ada")
        assert f"step {SET_UP[0].label}: rehearsed (Ada)" in log_of(session)
    with Session(archive, roll, None, judge, QUICK, attended=False) as session:
        session.confirm()
        assert f"step {SET_UP[1].label}: rehearsed, nobody at the bench" in log_of(session)
        assert ": done" not in log_of(session)


def test_another_bench_owes_nothing_to_the_first(
    archive: Archive, roll: Roll, judge: Judge
) -> None:
    with begun(archive, roll, judge) as session:
        session.set_up.use_bench(TABLE)
        confirm_all(session)
        session.set_up.use_bench(BenchSetup("Attic", lock=True))
        assert open_steps(session) == {s.key for s in SET_UP} - {BENCH}
        # Back at the first one what was done there holds, but for what is due each time.
        session.set_up.use_bench(TABLE)
        assert open_steps(session) == EACH_TIME - {BENCH}


def test_the_rest_is_left_out_with_one_key_named_in_the_log_and_due_the_next_time(
    archive: Archive, roll: Roll, judge: Judge
) -> None:
    with begun(archive, roll, judge) as session:
        session.set_up.use_bench(TABLE)
        said = session.set_up.skip()
        assert said.startswith(f"{len(SET_UP) - 1} set-up steps skipped")
        assert open_steps(session) == set()
        assert log_of(session).count(": skipped") == len(SET_UP) - 1
        assert session.next_step().kind is NextKind.STEP
        assert session.next_step().step == BY_KEY["holder-blow"]
    new_sitting(archive)
    with begun(archive, roll, judge) as session:
        assert session.set_up.question().standing == ()


def test_a_step_is_taken_back_with_what_the_bench_remembers_of_it(
    archive: Archive, roll: Roll, judge: Judge
) -> None:
    with begun(archive, roll, judge) as session:
        session.set_up.use_bench(TABLE)
        step = BY_KEY["stand-square"]
        session.set_up.confirm_open(step)
        session.undo()
        assert step.key in open_steps(session)
        assert BenchBook(archive.store).find("Table 1") == replace(
            BenchBook(archive.store).benches()[0], done={}
        )
        session.set_up.confirm_open(step)
        session.mark(FrameState.SKIPPED)
        assert step.label in session.set_up.undo(), "and not the choice that came since"
        assert step.key in open_steps(session)
        assert session.frames()[0].state is FrameState.SKIPPED
        session.undo()
        session.set_up.confirm_open(step)
        session.set_up.do_again(step)
        assert step.key in open_steps(session)
        with pytest.raises(NotNow):
            session.set_up.do_again(step)
        with pytest.raises(NotNow):
            session.set_up.confirm_open(BY_KEY["frame-dust"])


def test_the_film_is_checked_before_the_set_up_and_never_skipped_with_it(
    archive: Archive, roll: Roll, judge: Judge
) -> None:
    with Session(archive, roll, None, judge, QUICK) as session:
        assert session.next_step().step == BY_KEY["film-base"]
        session.set_up.skip()
        assert session.next_step().step == BY_KEY["film-base"]


def test_only_a_bench_with_a_lock_has_the_step_for_it(
    archive: Archive, roll: Roll, judge: Judge
) -> None:
    with begun(archive, roll, judge) as session:
        session.set_up.use_bench(replace(TABLE, lock=False))
        assert BY_KEY[LOCK] not in session.set_up.steps()
        for step in session.set_up.steps():
            if step.key != BENCH and step not in (BY_KEY["base-set"], BY_KEY["focus-lock"]):
                session.set_up.confirm_open(step)
        assert session.next_step().step == BY_KEY["holder-blow"]
        session.set_up.use_bench(TABLE)
        assert session.next_step().step == BY_KEY[LOCK]
    with begun(archive, roll, judge) as session:
        assert session.next_step().step == BY_KEY[LOCK], "the bench is stored with its lock"


def test_a_bench_of_an_older_program_keeps_the_lock_that_was_tried(archive: Archive) -> None:
    done = {LOCK: "2026-01-02T00:00:00+00:00"}
    archive.store.set_fact("benches", json.dumps([{"name": "A", "done": done}, {"name": "B"}]))
    assert {b.name: b.lock for b in BenchBook(archive.store).benches()} == {"A": True, "B": False}


def test_no_step_is_asked_twice_over_a_roll_and_film_comes_before_focus() -> None:
    keys = [s.key for s in SET_UP]
    assert len(keys) == len(set(keys))
    assert {s.key for s in steps_of(Scope.SITTING, with_film=True)} == {"focus-lock"}
    assert all(s.each_time or s.parts for s in SET_UP), "a step that would never come up again"
    assert all(s.label and (s.see or s.key == BENCH) for s in SET_UP)


@pytest.mark.parametrize(
    "text", ["a\x1b[2J", "a\u202eb", "two\nlines", "x" * (LONGEST + 1), "a\x00"]
)
def test_names_that_could_steer_a_terminal_are_refused(text: str) -> None:
    with pytest.raises(BenchError):
        tidy("lens", text)


def test_what_an_edited_database_says_of_a_bench_is_made_harmless(archive: Archive) -> None:
    hostile = {
        "name": "a\x1b]0;b\x07",
        "lens": 5,
        "lamp": "x" * 10_000,
        "done": {"film-gate": "yesterday", "lens-clean": "2026-01-02T00:00:00+00:00", "rm": "x"},
    }
    archive.store.set_fact("benches", json.dumps([hostile, 3, {"name": ""}, None]))
    (found,) = BenchBook(archive.store).benches()
    assert printable(found.name) == found.name
    assert len(found.lamp) <= LONGEST
    assert found.done == {"lens-clean": "2026-01-02T00:00:00+00:00"}
    for damaged in ("{", "[", "7", '"x"'):
        archive.store.set_fact("benches", damaged)
        archive.store.set_fact("bench at hand", damaged)
        assert BenchBook(archive.store).benches() == ()
        assert BenchBook(archive.store).at_hand(1) == ("", "")


TEXTS = st.text(st.characters(blacklist_categories=["Cs"]), max_size=12)


@settings(max_examples=60)
@given(a=st.tuples(*[TEXTS] * 3), b=st.tuples(*[TEXTS] * 3), keys=st.sets(st.sampled_from(SET_UP)))
def test_what_holds_never_rests_on_a_changed_part(
    a: tuple[str, str, str], b: tuple[str, str, str], keys: set[object]
) -> None:
    done = {s.key: "2026-01-02T00:00:00+00:00" for s in SET_UP if s in keys}
    old, new = BenchSetup("x", "cam", *a, done=done), BenchSetup("x", "cam", *b)
    changed = changed_parts(old, new)
    assert changed == changed_parts(new, old)
    held = {step.key for step, _ in standing_steps(old, changed)}
    assert held <= set(done)
    assert not any(BY_KEY[key].parts & changed or BY_KEY[key].each_time for key in held)
