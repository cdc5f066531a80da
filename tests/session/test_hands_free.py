"""Hands free against the simulated camera: the film moves by itself, its mishaps too."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from tether_simulator.bench_config import BenchConfig
from tether_simulator.server import BenchProcess

from tests.quick import QUICK, SENSOR
from tests.shared_bench import BenchRoom
from tether.archive.archive import Archive
from tether.archive.records import FrameState, NewRoll, Roll, Scope
from tether.camera.process import CameraProcess
from tether.film import FilmProcess
from tether.findings import Verdict
from tether.rehearsal import SimulatedHand
from tether.session.hands_free import HandsFree
from tether.session.hands_free_cues import Command, Cue, Moment
from tether.session.judge import Judge, Judgement, JudgeRequest
from tether.session.next_step import NextKind
from tether.session.session import Session

PATIENCE = 60.0


class Bench:
    """A session, its simulated hand, and what hands free said."""

    def __init__(self, session: Session, hand: SimulatedHand) -> None:
        self.session = session
        self.hand = hand
        self.moments: list[Moment] = []
        self.react = lambda _moment: None
        self.work = HandsFree(session, self._tell)
        self.over = False

    def _tell(self, moment: Moment) -> None:
        last = self.moments[-1] if self.moments else None
        if last is None or (last.cue, last.frame, last.text) != (
            moment.cue, moment.frame, moment.text,
        ):  # fmt: skip
            self.moments.append(moment)
            self.react(moment)

    def run(self, until: Cue = Cue.DONE) -> None:
        end = time.monotonic() + PATIENCE
        self.work.run(lambda: self.over or self.cues[-1:] == [until] or time.monotonic() > end)

    @property
    def cues(self) -> list[Cue]:
        return [moment.cue for moment in self.moments]


@pytest.fixture
def bench(bench_room: BenchRoom) -> Iterator[BenchProcess]:
    config = BenchConfig(frames=4, frames_per_strip=2, seed=7, sensor=SENSOR)
    running = bench_room.bench(config)
    yield running
    running.close()


@pytest.fixture
def roll(archive: Archive) -> Roll:
    return archive.store.rolls.add(NewRoll("Harbour", FilmProcess.BW_NEGATIVE, "135", 4, 2))


@pytest.fixture
def at_work(
    archive: Archive, roll: Roll, camera: CameraProcess, judge: Judge, bench: BenchProcess
) -> Iterator[Bench]:
    hand = SimulatedHand(bench, roll)
    settings = replace(QUICK, hands_free=replace(QUICK.hands_free, insist_seconds=1.0))
    with Session(archive, roll, camera, judge, settings, hand.listen) as session:
        while (place := session.next_step()).kind is NextKind.STEP:
            session.confirm(place.step)
        yield Bench(session, hand)


def test_a_roll_of_two_strips_without_a_key(at_work: Bench, camera: CameraProcess) -> None:
    at_work.run()
    frames = at_work.session.frames()
    assert [f.state for f in frames] == [FrameState.KEPT] * 4
    assert [len(f.captures) for f in frames] == [1] * 4
    assert {c.verdict for f in frames for c in f.captures} == {Verdict.KEEP}
    assert Cue.LAY_STRIP in at_work.cues
    assert len(camera.list_files()) == 4
    log = at_work.session.store.journal.log_lines(at_work.session.roll.id)
    steps = [text for _, frame, kind, text in log if kind == "step" and (frame or 0) > 2]
    assert steps
    assert all("nobody was asked" in text for text in steps)


@pytest.mark.parametrize(
    ("mishap", "cue"),
    [("half-way", Cue.WRONG_PLACE), ("slipped", Cue.RESHOOT), ("not-advanced", Cue.MOVE_ON)],
)
def test_a_mishap_is_told_and_no_such_picture_kept(at_work: Bench, mishap: str, cue: Cue) -> None:
    def let_happen(moment: Moment) -> None:
        if moment.cue is Cue.MOVE_ON and moment.frame == 2 and mishap not in done:
            done.append(mishap)
            at_work.hand.toggle(mishap)

    done: list[str] = []
    at_work.react = let_happen
    at_work.run()
    assert cue in at_work.cues
    frames = at_work.session.frames()
    assert [f.state for f in frames] == [FrameState.KEPT] * 4
    assert {f.chosen.verdict for f in frames if f.chosen} == {Verdict.KEEP}


def test_a_picture_to_look_at_waits_for_a_key(at_work: Bench) -> None:
    capture_of = at_work.session.verdicts.judging.judge

    class Doubting:
        def judge(self, path: Path, request: JudgeRequest) -> Judgement:
            judged = capture_of(path, request)
            return replace(judged, facts=judged.facts._replace(verdict=Verdict.LOOK))

    at_work.session.verdicts.judging = Doubting()
    at_work.run(until=Cue.LOOK)
    assert at_work.session.next_step().kind is NextKind.DECIDE
    at_work.work.command(Command.KEEP)
    at_work.react = lambda moment: setattr(at_work, "over", moment.cue is Cue.MOVE_ON)
    at_work.moments.clear()
    at_work.run(until=Cue.LOOK)
    assert at_work.session.frames()[0].state is FrameState.KEPT


def test_a_camera_that_gives_no_parts_is_asked_for_the_whole_file(
    at_work: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tether.camera.errors import CameraRefused

    def refuse(*_args: object) -> int:
        raise CameraRefused("No parts.")

    monkeypatch.setattr(CameraProcess, "fetch_part", refuse)
    at_work.react = lambda moment: setattr(at_work, "over", moment.frame == 3)
    at_work.run()
    assert [len(f.captures) for f in at_work.session.frames()[:2]] == [1, 1]


def test_set_up_that_is_open_is_left_to_keys(at_work: Bench) -> None:
    step = next(s for s in at_work.session.checklist.confirmed() if s.scope is Scope.SITTING)
    at_work.session.store.journal.take_back(at_work.session.checklist.sitting.id, step)
    at_work.run()
    assert at_work.cues[-1] is Cue.BY_KEYS
    assert not any(f.captures for f in at_work.session.frames())


def test_a_part_is_written_where_it_belongs(
    bench: BenchProcess, camera: CameraProcess, tmp_path: Path
) -> None:
    bench.go_to(1)
    file = camera.capture()[0]
    assert file.size is not None
    whole, parts = tmp_path / "whole", tmp_path / "parts"
    camera.fetch(file, whole)
    done = 0
    while done < file.size:
        done += camera.fetch_part(file, parts, done, min(200_000, file.size - done))
    assert parts.read_bytes() == whole.read_bytes()
