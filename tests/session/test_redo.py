"""What a verdict asks to be done again comes up as a step, and then the picture is right."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from tether_simulator.server import BenchProcess

from tests.quick import QUICK
from tether.archive.archive import Archive
from tether.archive.records import Roll
from tether.bench.steps import steps_to_redo
from tether.camera.process import CameraProcess
from tether.camera.protocol import Role
from tether.facts import Facts
from tether.rehearsal import SimulatedHand
from tether.session.judge import Judge
from tether.session.next_step import NextKind
from tether.session.session import Session


def asked(session: Session) -> list[str]:
    """Confirm steps until the shutter; return which they were."""
    keys = []
    while (step := session.next_step().step) is not None:
        keys.append(step.key)
        session.confirm(step)
    assert session.next_step().kind is NextKind.SHOOT
    return keys


@pytest.fixture
def session(
    bench: BenchProcess, camera: CameraProcess, archive: Archive, roll: Roll, judge: Judge
) -> Iterator[Session]:
    hand = SimulatedHand(bench, roll)
    with Session(archive, roll, camera, judge, QUICK, hand.listen) as begun:
        yield begun


@pytest.mark.parametrize("short", [False, True])
def test_a_film_that_was_not_moved_is_moved_before_the_next_take(
    short: bool, bench: BenchProcess, session: Session
) -> None:
    session.checklist.ask_less(short)
    asked(session)
    session.capture()
    session.keep()
    bench.mishap("not-advanced")
    asked(session)
    (_, judgement), *_ = session.capture().captures
    assert "not-advanced" in {f.code for f in judgement.findings}
    session.shoot_again()
    # Short, the step is taken as done by shooting; the film is moved all the same.
    assert asked(session) == ([] if short else ["frame-advance"])
    (_, judgement), *_ = session.capture().captures
    assert judgement.verdict.value == "keep"
    session.keep()
    bench.mishap("out-of-focus")
    asked(session)
    (_, judgement), *_ = session.capture().captures
    assert "out-of-focus" in {f.code for f in judgement.findings}
    session.shoot_again()
    assert asked(session) == ["focus-lock"]
    (_, judgement), *_ = session.capture().captures
    assert judgement.verdict.value == "keep"


@pytest.mark.parametrize("short", [False, True])
def test_a_strip_that_is_askew_is_lined_up_and_not_loaded_again(
    short: bool, bench: BenchProcess, session: Session
) -> None:
    session.checklist.ask_less(short)
    asked(session)
    bench.mishap("tilted-strip")
    (_, judgement), *_ = session.capture().captures
    assert "askew" in {f.code for f in judgement.findings}
    session.shoot_again()
    wanted = ["strip-load"] if short else ["strip-line-up", "frame-advance", "frame-dust"]
    assert asked(session) == wanted
    (_, judgement), *_ = session.capture().captures
    assert judgement.verdict.value == "keep"


def test_the_advised_shutter_is_there_after_the_take_was_put_aside(
    camera: CameraProcess, session: Session
) -> None:
    asked(session)
    camera.set(Role.SHUTTER, "1/2")
    session.capture()
    advised = session.view().advised_shutter
    assert advised is not None
    session.shoot_again()
    asked(session)
    assert session.view().advised_shutter == advised
    assert session.follow_advice() == advised
    assert session.view().shutter_is_right
    assert session.next_step().kind is NextKind.SHOOT
    session.capture()
    session.keep()
    assert session.view().advised_shutter is None, "that was of the frame before"


def test_notes_and_data_of_any_shape_ask_for_nothing() -> None:
    wrong = {"findings": [{"severity": "note", "code": "not-advanced"}, 3, {"code": "nonsense"}]}
    assert steps_to_redo(map(Facts.read, [{}, wrong, {"findings": "x"}])) == ()
    two = {"findings": [{"severity": "look", "code": "one-side-soft"}, {"code": "out-of-focus"}]}
    assert [s.key for s in steps_to_redo(map(Facts.read, [two, two]))] == [
        "stand-square",
        "focus-lock",
    ]
