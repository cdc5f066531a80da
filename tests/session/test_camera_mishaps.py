"""The camera's mishaps of a rehearsal: each is chosen, said on a picture, put right, and over."""

from __future__ import annotations

import pytest
from tether_simulator.mishaps import CAMERA_MISHAPS
from tether_simulator.server import BenchProcess

from tests.quick import QUICK
from tether.archive.archive import Archive
from tether.archive.records import Roll
from tether.camera.process import CameraProcess
from tether.errors import TetherError
from tether.rehearsal import SimulatedHand
from tether.session.judge import Judge
from tether.session.next_step import NextKind
from tether.session.session import Session

#: What a mishap does to one release: the words of the error, or that a picture came all the same.
EXPECTED = {
    "cable-slips": "",
    "cable-out": "stopped answering",
    "battery-low": "battery",
    "battery-falls": "battery",
    "card-full": "card",
    "camera-hangs": "no picture arrived",
    "file-torn": "arrived with 1000 bytes",
}


@pytest.mark.parametrize("code", EXPECTED)
def test_a_mishap_of_the_camera_loses_nothing_and_is_over_when_it_is_put_right(
    code: str,
    bench: BenchProcess,
    camera: CameraProcess,
    archive: Archive,
    roll: Roll,
    judge: Judge,
) -> None:
    hand = SimulatedHand(bench, roll)
    assert code in [known for known, *_ in hand.mishaps()]
    if code == "battery-low":
        # The driver keeps what it has read for two seconds: here it is low from the beginning.
        hand.toggle(code)
    with Session(archive, roll, camera, judge, QUICK, hand.listen) as session:
        while session.next_step().kind is NextKind.STEP:
            session.confirm()
        if code not in hand.active():
            hand.toggle(code)
        assert hand.active() == (code,)
        expected = EXPECTED[code]
        if expected:
            with pytest.raises(TetherError, match=f"(?i){expected}") as caught:
                session.capture()
            assert caught.value.kept
            assert caught.value.todo
            if code == "battery-falls":
                # It gave out: its own line is still the one that puts it right.
                assert hand.active() == (code,)
        else:
            session.capture()
        for wrong in hand.active():
            hand.toggle(wrong)
        assert hand.active() == ()
        if expected:
            session.reconnect()
        if session.next_step().kind is NextKind.SHOOT:
            session.capture()
        session.keep()
        assert session.frames()[0].chosen is not None
        assert len(list(archive.folder(roll).glob("*_f001_t*.dng"))) >= 1


def test_each_mishap_of_the_camera_is_tried() -> None:
    # Dials that are turned are what the camera check is for: tests/bench/test_camera_check.py.
    assert {m.code for m in CAMERA_MISHAPS} == {*EXPECTED, "home-from-holiday"}


def test_a_mishap_of_a_picture_strikes_the_frame_that_is_next(
    bench: BenchProcess, roll: Roll
) -> None:
    hand = SimulatedHand(bench, roll)
    hand.toggle("blank", 3)
    assert bench.frame() == 3
    assert hand.active() == ("blank",)
    bench.go_to(2)
    assert hand.active() == ()
