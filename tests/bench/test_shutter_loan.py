"""The shutter that a light test moves stands where it was found, also after a kill in between."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from tether_simulator.faults import Refuse
from tether_simulator.ptp import Operation, Response
from tether_simulator.server import BenchProcess

from tests.quick import QUICK
from tether.archive.archive import Archive
from tether.archive.records import NewRoll, Roll
from tether.bench.light_test import LightTest
from tether.bench.shutter_loan import LentShutter, displaced, forget, put_back
from tether.camera.process import CameraProcess, connect
from tether.camera.protocol import Role
from tether.camera.values import shutter_seconds
from tether.errors import TetherError
from tether.session.judge import Judge
from tether.session.session import Session

KILLED = """
import os, signal, sys
from pathlib import Path
from tests.quick import QUICK
from tether.camera.process import connect
from tether.camera.process import CameraProcess
from tether.archive.archive import Archive
from tether.session.judge import Judge
from tether.bench.light_test import LightTest
from tether.session.session import Session

folder, port, roll, deadly = sys.argv[1:]
archive = Archive(Path(folder))
camera, judge = connect(port, QUICK.camera), Judge()
calls = 0

def watched(real):
    def counted(self, *args):
        global calls
        calls += 1
        if f"{real.__name__} {calls}" == deadly:
            os.kill(os.getpid(), signal.SIGKILL)
        return real(self, *args)
    return counted

session = Session(archive, archive.store.rolls.named(roll), camera, judge, QUICK)
CameraProcess.capture, CameraProcess.set = map(watched, (CameraProcess.capture, CameraProcess.set))
LightTest(session.bench).run()
"""


@pytest.fixture
def session(archive: Archive, roll: Roll, camera: CameraProcess, judge: Judge) -> Iterator[Session]:
    with Session(archive, roll, camera, judge, QUICK) as at_work:
        yield at_work


def shutter_of(session: Session) -> str | None:
    state = session.tethered.refresh()
    return state.value(Role.SHUTTER) if state else None


def left(session: Session) -> str:
    found = displaced(session.store, session.tethered)
    return found.sentence() if found else ""


def test_a_lent_shutter_comes_back(session: Session) -> None:
    lent = LentShutter(session.open_roll, session.tethered, "light test")
    assert lent.movable
    lent.set("1/60")
    assert shutter_of(session) == "1/60"
    assert "light test was cut short and left the shutter at 1/60" in left(session)
    assert lent.put_back() == ""
    assert shutter_of(session) == "1/15"
    assert left(session) == ""


def test_what_the_camera_does_not_take_back_is_said_and_offered(
    session: Session, bench: BenchProcess
) -> None:
    lent = LentShutter(session.open_roll, session.tethered, "light test")
    lent.set("1/60")
    bench.install(Refuse(code=Operation.SET_DEVICE_PROP_VALUE, response=Response.DEVICE_BUSY))
    assert lent.put_back() == "The shutter was not put back: it was at 1/15 before."
    bench.clear()
    assert "(1/15 before)" in left(session)
    assert put_back(session.open_roll, session.tethered) == "1/15"
    assert shutter_of(session) == "1/15"
    with pytest.raises(TetherError, match="nothing to put back"):
        put_back(session.open_roll, session.tethered)


def test_a_second_test_does_not_forget_where_the_shutter_belongs(session: Session) -> None:
    LentShutter(session.open_roll, session.tethered, "light test").set("1/60")
    again = LentShutter(session.open_roll, session.tethered, "light test")
    again.set("1/125")
    assert again.put_back() == ""
    assert shutter_of(session) == "1/60", "as the second test found it"
    assert "(1/15 before)" in left(session)
    forget(session.store, session.tethered)
    assert left(session) == ""


def test_a_dial_that_was_turned_back_by_hand_ends_the_matter(session: Session) -> None:
    LentShutter(session.open_roll, session.tethered, "light test").set("1/60")
    assert session.tethered.camera is not None
    session.tethered.camera.set(Role.SHUTTER, "1/15")
    assert left(session) == ""
    session.tethered.camera.set(Role.SHUTTER, "1/60")
    assert left(session) == ""


def test_a_note_that_makes_no_sense_is_none(session: Session) -> None:
    for stored in ("", "{", "[]", '{"was": "1/15"}', "\\u0000"):
        session.store.set_fact(f"shutter of {session.tethered.key}", stored)
        assert left(session) == ""


# Calls of the camera in a light test on this bench: capture (saturated), set, capture, set back.
@pytest.mark.parametrize("deadly", ["set 2", "capture 3", "set 4"])
def test_killed_in_a_light_test_the_next_start_says_so_and_can_put_the_shutter_back(
    archive: Archive, roll: Roll, bench: BenchProcess, judge: Judge, deadly: str
) -> None:
    bench.remove_film()
    arguments = [str(archive.root), bench.port_name, roll.name, deadly]
    ended = subprocess.run(
        [sys.executable, "-c", KILLED, *arguments],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert ended.returncode == -9, ended.stderr
    camera = connect(bench.port_name, QUICK.camera)
    moved = deadly in ("capture 3", "set 4")
    # Another roll: the shutter is the camera's.
    other = archive.store.rolls.add(NewRoll("Orchard", roll.process, "135", 6, 6))
    with Session(archive, other, camera, judge, QUICK) as session:
        said = " ".join(session.found)
        assert ("the light test was cut short" in said.lower()) is moved, said
        stands = shutter_of(session)
        assert stands is not None
        if moved:
            assert (shutter_seconds(stands) or 0) < 1 / 15
            assert put_back(session.open_roll, session.tethered) == "1/15"
        assert shutter_of(session) == "1/15"
        assert left(session) == ""
    camera.close()


def test_after_a_lost_connection_the_shutter_is_offered_again(
    session: Session, bench: BenchProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.remove_film()
    test = LightTest(session.bench)
    lost: list[str] = []

    def unreachable(lent: LentShutter) -> str:
        assert lent.before is not None
        lost.append(f"The shutter was not put back: it was at {lent.before.value} before.")
        return lost[-1]

    # As it is when the camera cannot be reached any more at the end of a test.
    monkeypatch.setattr(LentShutter, "put_back", unreachable)
    result = test.run()
    assert result.said == "The shutter was not put back: it was at 1/15 before."
    said = " ".join(session.reconnect())
    assert "(1/15 before)" in said
    test.close()
