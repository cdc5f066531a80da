"""Which side of a strip faces the lens: asked once, at its first picture, where nothing tells."""

from __future__ import annotations

import pytest
from tether_simulator.server import BenchProcess

from tests.quick import QUICK
from tests.session.test_redo import asked
from tether.archive.archive import Archive
from tether.archive.records import Capture, Frame, Roll, base_side_takes
from tether.camera.process import CameraProcess
from tether.errors import NotNow
from tether.facts import Facts
from tether.film import FilmProcess
from tether.findings import Verdict
from tether.rehearsal import SimulatedHand
from tether.session.judge import Judge
from tether.session.next_step import NextKind, NextStep, asks_which_side
from tether.session.session import Session


def test_a_person_who_sees_writing_backwards_says_so_and_is_heard(
    bench: BenchProcess, camera: CameraProcess, archive: Archive, roll: Roll, judge: Judge
) -> None:
    hand = SimulatedHand(bench, roll)
    with Session(archive, roll, camera, judge, QUICK, hand.listen) as session:
        with pytest.raises(NotNow, match="No picture"):
            session.verdicts.reads_backwards(session.next_step().capture)
        asked(session)
        session.capture()
        place = session.next_step()
        assert asks_which_side(session.roll, session.frames(), place)

        session.verdicts.reads_backwards(place.capture)
        (capture,) = session.frames()[0].captures
        assert capture.verdict is Verdict.RESHOOT
        assert capture.facts.base_side is True
        assert capture.facts.findings[0].code == "wrong-side"
        assert not asks_which_side(session.roll, session.frames(), session.next_step())
        assert "read backwards" in session.store.journal.log_lines(roll.id)[-1][3]

        assert session.undo() == "that writing reads backwards"
        (capture,) = session.frames()[0].captures
        assert (capture.verdict, capture.facts.base_side) == (Verdict.KEEP, None)

        # The strip is turned over and shot again: nothing is left of the answer.
        session.verdicts.reads_backwards(capture)
        session.shoot_again()
        assert asked(session)[0] == "strip-load"
        session.capture()
        session.keep()
        first, second = session.frames()[0].captures
        assert base_side_takes(roll, session.frames()) == {first.id}
        assert session.frames()[0].chosen == second

        # The next frame of the strip is not asked about; who keeps it has it mirrored.
        asked(session)
        session.capture()
        place = session.next_step()
        assert not asks_which_side(session.roll, session.frames(), place)
        session.verdicts.reads_backwards(place.capture)
        session.keep()
        asked(session)
        session.capture()
        third = session.next_step().capture
        assert third is not None
        assert third.facts.base_side is None
        assert third.id in base_side_takes(roll, session.frames()), "like the kept one before"
        beside = "".join(p.read_text() for p in archive.folder(roll).rglob("*.json"))
        assert '"base_side_to_lens": true' in beside, "it is beside the raw file too"


def test_it_is_asked_at_the_first_picture_of_each_strip_where_nothing_tells() -> None:
    roll = Roll(1, "R", "R", FilmProcess.BW_NEGATIVE, "135", 12, 6)

    def waiting(frame: int, facts: Facts, verdict: Verdict = Verdict.KEEP) -> NextStep:
        take = Capture(9, frame, 1, "b", 1, "", "", "program", None, verdict=verdict, facts=facts)
        return NextStep(NextKind.DECIDE, frame, roll.strip_of(frame), capture=take)

    kept = Capture(1, 1, 1, "a", 1, "", "", "program", "chosen")
    frames = [Frame(1, captures=(kept,)), *(Frame(number) for number in range(2, 13))]
    assert not asks_which_side(roll, frames, waiting(2, Facts()))
    assert asks_which_side(roll, frames, waiting(7, Facts()))
    assert asks_which_side(roll, [Frame(n) for n in range(1, 13)], waiting(2, Facts()))
    assert not asks_which_side(roll, frames, waiting(7, Facts(base_side=False))), "the code tells"
    assert not asks_which_side(roll, frames, waiting(7, Facts(), Verdict.RESHOOT))
    assert not asks_which_side(roll, frames, NextStep(NextKind.SHOOT, 7, 2))
