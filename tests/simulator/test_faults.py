"""When a fault strikes, and how one is written down."""

from __future__ import annotations

import pickle

import pytest
from tether_simulator.faults import (
    KINDS,
    BadName,
    DropConnection,
    FaultScript,
    LostEvent,
    Refuse,
    SameName,
    Slow,
    Truncated,
    among,
    parse,
)


def test_strikes_from_the_nth_so_many_times() -> None:
    fault = Slow(code=0x1001, nth=2, times=2)
    script = FaultScript([fault])
    assert [script.operation(0x1001, 0) for _ in range(4)] == [(), (fault,), (fault,), ()]
    assert script.struck == (fault, fault)


def test_counts_only_what_concerns_it() -> None:
    fault = Refuse(code=0x1016, parameter=0x5007)
    script = FaultScript([fault])
    assert script.operation(0x1016, 0x500F) == ()
    assert script.operation(0x1001, 0x5007) == ()
    assert script.picture() == ()
    assert script.event(0x4002) == ()
    assert script.operation(0x1016, 0x5007) == (fault,)


def test_counts_from_when_it_was_installed() -> None:
    script = FaultScript()
    script.picture()
    script.install(Truncated(nth=2))
    assert script.picture() == ()
    assert among(Truncated, script.picture()) == Truncated(nth=2)


def test_without_a_code_every_operation_counts() -> None:
    script = FaultScript([Slow(nth=3)])
    assert [len(script.operation(code, 0)) for code in (1, 2, 3, 4)] == [0, 0, 1, 0]


def test_events_of_another_code_do_not_count() -> None:
    script = FaultScript([LostEvent(code=0x400D)])
    assert script.event(0x4002) == ()
    assert len(script.event(0x400D)) == 1


def test_cleared_faults_strike_no_more() -> None:
    script = FaultScript([Truncated()])
    script.clear()
    assert script.picture() == ()


def test_written_as_a_person_writes_it() -> None:
    assert parse("Slow code=0x101b seconds=2.5 nth=3") == Slow(code=0x101B, seconds=2.5, nth=3)
    assert parse("DropConnection after=70000") == DropConnection(after=70_000)
    assert parse("SameName same=yes") == SameName(same=True)
    assert parse("BadName name=a/b") == BadName(name="a/b")


@pytest.mark.parametrize(
    ("text", "said"),
    [("Melts", "no fault 'Melts'"), ("Slow colour=red", "no 'colour'"), ("Slow nth=x", "invalid")],
)
def test_nonsense_is_refused(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        parse(text)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_crosses_a_process_border(kind: type) -> None:
    assert pickle.loads(pickle.dumps(kind())) == kind()
    assert parse(kind.__name__) == kind()
