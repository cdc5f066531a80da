"""Any order of actions, faults and stops keeps the invariants of docs/storage.md."""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
)
from tether_simulator.camera.dials import Quality
from tether_simulator.faults import BadName, DropConnection, Fault, Refuse, SameName, Truncated
from tether_simulator.ptp import Operation, Property

from tests.archive.bench_rig import ContentJudge, card_pictures, problems
from tests.archive.inprocess_rig import SteadyCamera, body_on
from tether.archive.archive import Archive
from tether.archive.records import FrameState, NewRoll
from tether.camera.errors import CameraError, CardUnclear
from tether.capture.leftovers import Kind
from tether.errors import NotNow
from tether.film import FilmProcess
from tether.session.next_step import NextKind
from tether.session.session import Session

#: Flushing a file in memory costs nothing, which is what makes hundreds of stops affordable.
MEMORY = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None

FAULTS: tuple[Fault | None, ...] = (
    None,
    None,
    DropConnection(code=Operation.GET_OBJECT, after=100),
    DropConnection(code=Operation.GET_OBJECT, nth=2),
    DropConnection(code=Operation.INITIATE_CAPTURE),
    Refuse(code=Operation.INITIATE_CAPTURE),
    Truncated(keep=500),
    BadName(name="../../.profile"),
    BadName(name="a\x1b[31mb\u202e.dng"),
    SameName(),
    SameName(same=True),
)


class PowerCut(BaseException):
    """Ends an action in the middle, as a stop would: nothing catches it."""


@contextmanager
def cut_at(point: int) -> Iterator[None]:
    """Raise `PowerCut` at the n-th call that changes the disk."""
    left = point
    patch = pytest.MonkeyPatch()

    def counted(real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **kw: Any) -> Any:
            nonlocal left
            if threading.current_thread() is not threading.main_thread():
                return real(*args, **kw)  # the camera's own card
            left -= 1
            if left == 0:
                raise PowerCut
            return real(*args, **kw)

        return call

    for name in ("fsync", "link", "unlink", "replace", "rename"):
        patch.setattr(os, name, counted(getattr(os, name)))
    try:
        yield
    finally:
        patch.undo()


class Bench(RuleBasedStateMachine):
    """A person at the bench who does anything at any time."""

    def __init__(self) -> None:
        super().__init__()
        self.base = Path(tempfile.mkdtemp(prefix="any-order-", dir=MEMORY))
        self.body = body_on(self.base / "card")
        self.camera: SteadyCamera
        self.session: Session
        self.kept: dict[str, str] = {}
        self.left: set[str] = set()
        self.lines = 0

    @initialize(by_name=st.booleans())
    def attach(self, by_name: bool) -> None:
        """A camera that goes by its files' handles, or one that goes by their names."""
        self.camera = SteadyCamera(self.body, by_name=by_name)
        self.open()

    def open(self) -> None:
        self.archive = Archive(self.base / "archive")
        if not self.archive.store.rolls.has("roll"):
            self.archive.store.rolls.add(
                NewRoll("roll", FilmProcess.BW_NEGATIVE, frames_expected=4, strip_length=4)
            )
        self.camera.reconnect()
        self.session = Session(
            self.archive, self.archive.store.rolls.named("roll"), self.camera, ContentJudge()
        )

    def leave(self) -> None:
        self.session.close()
        self.archive.close()

    def todo(self) -> NextKind:
        return self.session.next_step().kind

    @precondition(lambda self: self.todo() is NextKind.STEP)
    @rule()
    def confirm_all(self) -> None:
        for _ in range(40):
            if self.todo() is not NextKind.STEP:
                return
            self.session.confirm()
        raise AssertionError("the steps come to an end")

    @precondition(lambda self: self.todo() is NextKind.SHOOT)
    @rule(fault=st.sampled_from(FAULTS), jpeg=st.booleans())
    def shoot(self, fault: Fault | None, jpeg: bool) -> None:
        quality = Quality.RAW_AND_JPEG if jpeg else Quality.RAW
        self.body.turn(Property.COMPRESSION_SETTING, quality.value)
        if fault:
            self.body.faults.install(fault)
        with contextlib.suppress(CameraError):
            self.session.capture()
        self.body.faults.clear()

    @precondition(lambda self: self.todo() is NextKind.SHOOT)
    @rule(point=st.integers(1, 14))
    def stopped_while_shooting(self, point: int) -> None:
        with contextlib.suppress(PowerCut), cut_at(point):
            self.session.capture()
        self.leave()
        self.open()

    @precondition(lambda self: self.todo() is NextKind.DECIDE)
    @rule(point=st.integers(1, 4))
    def stopped_while_keeping(self, point: int) -> None:
        with contextlib.suppress(PowerCut), cut_at(point):
            self.session.keep()
        self.leave()
        self.open()

    @rule(at_work=st.booleans())
    def button(self, at_work: bool) -> None:
        self.body.press_button()
        self.body.wait()
        if at_work:
            self.session.shooting.take_from_camera()

    @precondition(lambda self: self.todo() is NextKind.DECIDE)
    @rule(keep=st.booleans())
    def decide(self, keep: bool) -> None:
        if keep:
            self.session.keep()
        else:
            self.session.shoot_again()

    @rule(state=st.sampled_from([FrameState.SKIPPED, FrameState.BLANK, FrameState.DAMAGED]))
    def mark(self, state: FrameState) -> None:
        with contextlib.suppress(NotNow):
            self.session.mark(state)

    @rule(frame=st.one_of(st.none(), st.integers(1, 4)))
    def go_to(self, frame: int | None) -> None:
        self.session.go_to(frame)

    @rule(text=st.text(max_size=30))
    def note(self, text: str) -> None:
        self.session.note(text, 2)

    @rule(orderly=st.booleans())
    def start_again(self, orderly: bool) -> None:
        if orderly:
            self.leave()
        else:
            self.session.close()  # the lock goes with the process; the database is not closed
        self.open()

    @rule(afresh=st.booleans(), last=st.booleans(), leave=st.booleans(), frame=st.integers(1, 4))
    def deal_with_a_leftover(self, afresh: bool, last: bool, leave: bool, frame: int) -> None:
        with contextlib.suppress(CardUnclear):
            self.session.leftovers.find(afresh=afresh)
        items = self.session.leftovers.find()
        if not items:
            return
        item = items[-1 if last else 0]
        if leave:
            self.session.leftovers.leave(item)
            self.left |= {f.name for f in item.files}
            return
        with contextlib.suppress(CameraError, NotNow):
            if item.kind is Kind.CARD:
                self.session.leftovers.fetch(item, frame)
            elif item.kind is Kind.WHOLE:
                self.session.leftovers.file(item, frame)
            elif item.kind is Kind.COPY:
                self.session.leftovers.drop_copy(item)

    @rule()
    def connect_again(self) -> None:
        self.session.reconnect()

    @invariant()
    def sound(self) -> None:
        store = self.archive.store
        roll = store.rolls.named("roll")
        assert problems(self.archive, "roll", complete=False) == []
        recorded = {name: sha for name, _, sha in store.frames.recorded(roll.id)}
        assert len(set(recorded.values())) == len(recorded), "each picture is recorded once"
        assert recorded.items() >= self.kept.items(), "what was recorded stays"
        assert set(recorded.values()) <= {sha for sha, _, _ in card_pictures(self.base / "card")}
        lines = len(store.journal.log_since(roll.id, 0))
        assert lines >= self.lines, "the log only grows"
        self.kept, self.lines = recorded, lines
        assert {p.name for p in self.base.iterdir()} == {"archive", "card"}
        assert {p.name.partition(".sqlite3")[0] for p in self.archive.root.iterdir()} == {
            "roll",
            "tether",
            "archive.json",
        }

    def offered(self) -> set[str]:
        """The names that a person is offered; all of a card that the driver cannot list."""
        try:
            found = self.session.transfer.offered(self.camera, self.session.tethered.key)
        except CardUnclear:
            assert self.camera.by_name
            names = [name for _, name, _ in card_pictures(self.base / "card")]
            assert len(set(names)) < len(names)
            assert any("same name" in said for said in self.session.found), "it is said"
            return set(names)
        return {f.name for f in found}

    def teardown(self) -> None:
        try:
            self.leave()
            self.open()
            self.sound()
            here = {sha for _, _, sha in self.archive.store.frames.recorded(self.session.roll.id)}
            waiting = self.offered() | self.left
            # A file that comes beside one that never comes whole is asked for at the next starts.
            for facts in self.archive.store.journal.open_fetches(self.session.tethered.key):
                waiting |= {f["name"] for f in facts["files"]}
            for sha, name, whole in card_pictures(self.base / "card"):
                assert not whole or sha in here or name in waiting, f"{name} is lost"
            self.leave()
        finally:
            self.body.close()
            shutil.rmtree(self.base)


Bench.TestCase.settings = settings(
    max_examples=40,
    stateful_step_count=25,
    suppress_health_check=list(HealthCheck),
)
TestAnyOrder = Bench.TestCase
TestAnyOrder.__doc__ = "Random orders of everything that a person and bad luck can do."


def test_the_cut_is_no_ordinary_error() -> None:
    """The machine above would prove nothing if the program caught the cut."""
    assert not issubclass(PowerCut, Exception)
    assert not issubclass(PowerCut, sqlite3.Error)
