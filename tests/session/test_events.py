"""What a session tells its listener, and what the rehearsal's hand does on it."""

from __future__ import annotations

from tether_simulator.server import BenchProcess

from tests.quick import QUICK
from tether.archive.archive import Archive
from tether.archive.records import Confirmed, Roll, Scope
from tether.rehearsal import SimulatedHand
from tether.session.events import (
    BlankLaid,
    Event,
    FilmPutBack,
    GateOpened,
    LampSwitched,
    StepConfirmed,
)
from tether.session.judge import Judge
from tether.session.next_step import NextKind
from tether.session.session import Session


def to_the_first_shot(session: Session) -> None:
    while session.next_step().kind is NextKind.STEP:
        session.confirm()


def test_each_step_is_told_once_in_the_order_of_doing(
    archive: Archive, roll: Roll, judge: Judge
) -> None:
    events: list[Event] = []
    with Session(archive, roll, None, judge, QUICK, events.append) as session:
        to_the_first_shot(session)
        stored = archive.store.journal.confirmed(session.checklist.sitting.id, roll.id)
    assert events == [StepConfirmed(step) for step in stored]
    assert len(events) > 10


def test_after_an_interruption_only_the_film_in_the_gate_is_told(
    archive: Archive, roll: Roll, judge: Judge
) -> None:
    with Session(archive, roll, None, judge, QUICK) as session:
        to_the_first_shot(session)
    events: list[Event] = []
    with Session(archive, roll, None, judge, QUICK, events.append):
        assert events == [
            StepConfirmed(Confirmed(Scope.STRIP, 1, "strip-load")),
            StepConfirmed(Confirmed(Scope.FRAME, 1, "frame-advance")),
        ]


def test_the_simulated_bench_follows_what_is_told(
    archive: Archive, roll: Roll, judge: Judge, bench: BenchProcess
) -> None:
    with Session(archive, roll, None, judge, QUICK, SimulatedHand(bench, roll).listen) as session:
        assert bench.frame() is None
        to_the_first_shot(session)
        assert bench.frame() == 1
        session.announce(GateOpened())
        assert bench.frame() is None
        session.announce(LampSwitched(False))
        assert not bench.lamp_on()
        session.announce(LampSwitched(True))
        assert bench.lamp_on()
        session.announce(FilmPutBack())
        assert bench.frame() == 1
        session.announce(BlankLaid())
        assert bench.frame() != 1
