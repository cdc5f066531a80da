"""The session through the real driver against the simulated PTP/IP camera."""

from __future__ import annotations

import hashlib
import shutil
from collections import namedtuple
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from tether_simulator.faults import (
    BadName,
    DropConnection,
    DuplicateEvent,
    FullCard,
    LateSecondFile,
    LostEvent,
    NeverCompletes,
    SameName,
    Truncated,
)
from tether_simulator.ptp import Operation
from tether_simulator.server import BenchProcess

from tests.quick import QUICK
from tether.archive.archive import Archive
from tether.archive.open_roll import RollBusy
from tether.archive.records import FrameState, Roll, RollError, Scope
from tether.bench.steps import BY_KEY, skipped_steps, steps_of
from tether.camera.errors import CameraError, CameraLost, CameraRefused, CardFull, FileUnavailable
from tether.camera.process import CameraProcess, connect
from tether.camera.protocol import Role
from tether.camera.values import ImageFormat, image_format
from tether.errors import NotNow, TetherError
from tether.facts import Facts
from tether.findings import Verdict
from tether.rehearsal import SimulatedHand
from tether.session.judge import Judge, Judgement, JudgeRequest, unjudged
from tether.session.next_step import NextKind
from tether.session.session import Session
from tether.worker_process import WorkerDied

Build = namedtuple("Build", "archive roll camera judge hand")


@pytest.fixture
def parts(
    archive: Archive, roll: Roll, camera: CameraProcess, judge: Judge, bench: BenchProcess
) -> Build:
    return Build(archive, roll, camera, judge, SimulatedHand(bench, roll))


def at_work(parts: Build) -> Session:
    return Session(parts.archive, parts.roll, parts.camera, parts.judge, QUICK, parts.hand.listen)


def to_shutter(session: Session) -> None:
    """Confirm steps until the next thing is to shoot."""
    while session.next_step().kind is NextKind.STEP:
        session.confirm()


def files_of(parts: Build) -> dict[str, bytes]:
    folder = parts.archive.folder(parts.roll)
    return {p.name: p.read_bytes() for p in folder.iterdir() if p.suffix in {".dng", ".jpg"}}


def test_every_step_is_asked_once_in_its_scope(parts: Build) -> None:
    with at_work(parts) as session:
        asked = []
        while session.next_step().kind is not NextKind.SHOOT:
            step = session.next_step().step
            assert step is not None
            asked.append(step)
            session.confirm(step)
        # The film is checked before the lamp is on; steps that need it in the gate come last.
        roll, sitting = Scope.ROLL, Scope.SITTING
        assert asked == [
            step
            for scope, with_film in (
                (roll, False), (sitting, False), (Scope.STRIP, False), (Scope.FRAME, False),
                (sitting, True), (roll, True),
            )
            for step in steps_of(scope, lock=False, with_film=with_film)
        ]  # fmt: skip
        session.capture()
        session.keep()
        again = []
        while session.next_step().kind is not NextKind.SHOOT:
            step = session.next_step().step
            assert step is not None
            again.append(step.scope)
            session.confirm(step)
        assert set(again) == {Scope.FRAME}


def test_the_log_says_which_steps_were_confirmed_without_a_measurement(parts: Build) -> None:
    with at_work(parts) as session:
        to_shutter(session)
        lines = session.store.journal.log_lines(session.roll.id)
        (base,) = (text for _, _, _, text in lines if text.startswith(BY_KEY["base-set"].label))
        assert base.endswith(", not measured here")
        (loaded,) = (text for _, _, _, text in lines if text.startswith(BY_KEY["strip-load"].label))
        assert "not measured" not in loaded
        assert session.view().remarks[0].text.startswith("No base exposure for this roll yet")


def test_a_strip_is_shot_in_order_and_every_file_is_what_the_camera_holds(
    parts: Build, tmp_path: Path
) -> None:
    with at_work(parts) as session:
        while session.next_step().kind is not NextKind.DONE:
            to_shutter(session)
            session.capture()
            session.keep()
        frames = session.frames()
    assert [f.state for f in frames] == [FrameState.KEPT] * 6
    on_card = sorted(parts.camera.list_files(), key=lambda f: f.name)
    for number, (frame, card) in enumerate(zip(frames, on_card, strict=True)):
        copy = tmp_path / f"{number}.dng"
        parts.camera.fetch(card, copy)
        assert frame.chosen is not None
        filed = parts.archive.folder(parts.roll) / frame.chosen.file_name
        assert filed.read_bytes() == copy.read_bytes()
        assert frame.chosen.sha256 == hashlib.sha256(copy.read_bytes()).hexdigest()
    assert len(set(files_of(parts).values())) == 6


def test_following_the_advice_puts_the_base_on_target(parts: Build) -> None:
    """Two stops too little light: the advice names a shutter setting, and that one is right."""
    with at_work(parts) as session:
        parts.camera.set(Role.SHUTTER, "1/60")
        to_shutter(session)
        first = session.capture().captures[0][0]
        assert first.verdict != "keep"
        advice = first.facts.advice_shutter
        assert isinstance(advice, str)
        session.shoot_again()
        parts.camera.set(Role.SHUTTER, advice)
        second = session.capture().captures[0][0]
        assert second.verdict == "keep"
        assert second.take == 2
        session.keep()
        frame = session.frames()[0]
    assert [c.decision for c in frame.captures] == ["other", "chosen"]
    assert len(files_of(parts)) == 2, "both stay on disk"


def test_a_stop_at_any_place_resumes_there(parts: Build) -> None:
    seen = []
    for _ in range(40):
        with at_work(parts) as session:
            before = session.next_step()
            seen.append(before.kind)
            if before.kind is NextKind.DONE:
                break
            if before.kind is NextKind.STEP:
                session.confirm()
            elif before.kind is NextKind.SHOOT:
                session.capture()
            else:
                session.keep()
            after = session.next_step()
        with at_work(parts) as session:
            assert session.next_step() == after
    assert seen[-1] is not NextKind.DONE or seen.count(NextKind.SHOOT) == 6
    assert NextKind.DECIDE in seen


def set_to_both(camera: CameraProcess) -> None:
    choices = camera.state().settings[Role.IMAGE_FORMAT].choices
    both = next(c for c in choices if image_format(c) is ImageFormat.RAW_AND_OTHER)
    camera.set(Role.IMAGE_FORMAT, both)


@pytest.mark.parametrize("late", [0.0, 0.3])
def test_raw_and_jpeg_give_one_capture_with_its_companion(
    parts: Build, bench: BenchProcess, late: float
) -> None:
    if late:
        bench.install(LateSecondFile(seconds=late))
    set_to_both(parts.camera)
    parts.camera.close()
    # Waited for as long as a busy machine may take; it ends with the second file.
    patient = replace(QUICK.camera, second_file_seconds=10.0)
    parts = parts._replace(camera=connect(bench.port_name, patient))
    with at_work(parts) as session, closing(parts.camera):
        to_shutter(session)
        assert len(session.capture().captures) == 1
        assert len(session.frames()[0].captures) == 1
    assert sorted(files_of(parts)) == ["Harbour_f001_t1.dng", "Harbour_f001_t1.jpg"]


def test_a_jpeg_that_comes_after_the_next_key_still_finds_its_frame(
    parts: Build, bench: BenchProcess
) -> None:
    """It comes later than the driver waits for a second file, when frame 2 is the next one."""
    bench.install(LateSecondFile(seconds=1.6))
    set_to_both(parts.camera)
    with at_work(parts) as session:
        to_shutter(session)
        session.capture()
        session.keep()
        while (late := session.shooting.take_from_camera()) is None:
            pass
        assert late.captures == ()
        assert session.next_step().frame == 2
    assert sorted(files_of(parts)) == ["Harbour_f001_t1.dng", "Harbour_f001_t1.jpg"]


def test_a_camera_set_to_jpeg_is_not_fired(parts: Build) -> None:
    choices = parts.camera.state().settings[Role.IMAGE_FORMAT].choices
    jpeg = next(c for c in choices if (k := image_format(c)) and not k.has_raw)
    parts.camera.set(Role.IMAGE_FORMAT, jpeg)
    with at_work(parts) as session:
        to_shutter(session)
        with pytest.raises(CameraRefused, match="no raw file"):
            session.capture()
        assert session.next_step().kind is NextKind.SHOOT
    assert parts.camera.list_files() == []


def test_the_cameras_own_button_counts(parts: Build, bench: BenchProcess) -> None:
    with at_work(parts) as session:
        bench.go_to(1)
        bench.press_button()
        shot = None
        while shot is None:
            shot = session.shooting.take_from_camera()
        assert shot.captures[0][0].origin == "button"
        assert session.next_step().kind is NextKind.DECIDE
        assert session.next_step().frame == 1


@pytest.mark.parametrize(
    "fault",
    [
        DropConnection(code=Operation.GET_PARTIAL_OBJECT, after=5000),
        DropConnection(code=Operation.INITIATE_CAPTURE),
        NeverCompletes(),
    ],
    ids=lambda f: f"{type(f).__name__}-{getattr(f, 'code', '')}",
)
def test_a_lost_camera_costs_no_picture(parts: Build, bench: BenchProcess, fault: object) -> None:
    """What reached the card is fetched after connecting again; else the frame stays open."""
    with at_work(parts) as session:
        to_shutter(session)
        bench.install(fault)  # type: ignore[arg-type]
        try:
            session.capture()
        except TetherError:
            bench.clear()
            session.reconnect()
        bench.clear()
        if session.next_step().kind is NextKind.SHOOT:
            session.capture()
        session.keep()
        frame = session.frames()[0]
    on_card = parts.camera.list_files()
    assert len(frame.captures) == len(on_card) >= 1
    assert frame.chosen is not None


def test_a_picture_taken_before_the_program_died_is_fetched_at_the_next_start(
    parts: Build, bench: BenchProcess
) -> None:
    session = at_work(parts)
    to_shutter(session)
    parts.archive.store.journal.begin(parts.roll.id, "release", 1, {"camera": session.tethered.key})
    session.close()
    bench.go_to(1)
    bench.press_button()
    parts.camera.reconnect()
    with at_work(parts) as session:
        assert any("fetched now" in said for said in session.found)
        assert session.next_step().kind is NextKind.DECIDE
        assert session.next_step().frame == 1


def test_a_picture_whose_judge_died_is_tried_once_more_at_the_next_start(parts: Build) -> None:
    class Dying:
        """A judge whose worker dies under each file, a second time too."""

        asked = 0

        def judge(self, _path: Path, request: JudgeRequest) -> Judgement:
            self.asked += 1
            return unjudged(WorkerDied("It ended."), request.memory, again=True)

    dying = Dying()
    with at_work(parts._replace(judge=dying)) as session:
        to_shutter(session)
        session.capture()
        session.keep()
    with at_work(parts._replace(judge=dying)) as session:
        assert any("take 1 still cannot be judged" in said for said in session.found)
    with at_work(parts._replace(judge=dying)) as session:
        assert dying.asked == 2, "once when it was taken, once at the next start"
        session.store.frames.set_judgement(
            session.frames()[0].captures[0].id,
            Verdict.UNJUDGED,
            unjudged(WorkerDied("It ended."), b"", again=True).facts,
            b"",
        )
    with at_work(parts) as session:
        assert any("take 1 is judged now" in said for said in session.found)
        assert session.frames()[0].captures[0].verdict is not Verdict.UNJUDGED


def test_a_duplicate_event_files_one_picture(parts: Build, bench: BenchProcess) -> None:
    bench.install(DuplicateEvent())
    with at_work(parts) as session:
        to_shutter(session)
        session.capture()
        assert session.shooting.take_from_camera() is None
        assert len(session.frames()[0].captures) == 1


def test_a_lost_event_is_made_up_for(parts: Build, bench: BenchProcess) -> None:
    bench.install(LostEvent())
    with at_work(parts) as session:
        to_shutter(session)
        assert len(session.capture().captures) == 1


def test_a_name_that_comes_again_overwrites_nothing(parts: Build, bench: BenchProcess) -> None:
    bench.install(SameName(nth=2))
    with at_work(parts) as session:
        for _ in range(2):
            to_shutter(session)
            session.capture()
            session.keep()
    assert len(set(files_of(parts).values())) == 2


def test_two_pictures_of_one_name_in_one_folder(parts: Build, bench: BenchProcess) -> None:
    """libgphoto2 gives the first one's bytes for both: the second frame does not get them."""
    bench.install(SameName(nth=2, same=True))
    with at_work(parts) as session:
        to_shutter(session)
        session.capture()
        session.keep()
        to_shutter(session)
        with pytest.raises(CameraError, match=r"a second time|same name"):
            session.capture()
        assert session.frames()[1].captures == ()
        session.capture()
        session.keep()
        assert session.next_step().frame == 3
    assert len(set(files_of(parts).values())) == 2


@pytest.mark.parametrize("name", ["../../.profile", "\x1b]0;x\x07.DNG", "a" * 200 + ".DNG"])
def test_a_hostile_name_stays_outside(
    parts: Build, bench: BenchProcess, name: str, tmp_path: Path
) -> None:
    bench.install(BadName(name=name))
    with at_work(parts) as session:
        to_shutter(session)
        said = ""
        try:
            session.capture()
        except TetherError as error:
            said = str(error)
        assert "\x1b" not in said
        lines = session.store.journal.log_lines(parts.roll.id)
    assert all("\x1b" not in text for _, _, _, text in lines)
    inside = {p for p in tmp_path.rglob("*") if p.is_file()}
    assert all(p.is_relative_to(parts.archive.root) for p in inside)


def test_a_file_that_is_cut_short_is_never_filed(parts: Build, bench: BenchProcess) -> None:
    bench.install(Truncated(keep=3000))
    with at_work(parts) as session:
        to_shutter(session)
        with pytest.raises((FileUnavailable, CameraLost)):
            session.capture()
        assert session.frames()[0].captures == ()
    assert files_of(parts) == {}


def test_a_full_card_is_said(parts: Build, bench: BenchProcess) -> None:
    bench.install(FullCard())
    with at_work(parts) as session:
        to_shutter(session)
        with pytest.raises(CardFull):
            session.capture()
        assert session.next_step().kind is NextKind.SHOOT


def test_a_low_battery_starts_no_capture(parts: Build, bench: BenchProcess) -> None:
    with at_work(parts) as session:
        to_shutter(session)
        bench.set_battery(5)
        assert session.shooting.take_from_camera() is None, "the camera's news is heard"
        with pytest.raises(CameraRefused, match="battery"):
            session.capture()


def test_two_programs_on_one_roll(parts: Build) -> None:
    with at_work(parts), pytest.raises(RollBusy, match="'Harbour' is already open"):
        at_work(parts)
    at_work(parts).close()


def test_a_disk_that_is_nearly_full(parts: Build, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = shutil.disk_usage(parts.archive.root)
    with at_work(parts) as session:
        to_shutter(session)
        session.capture()
        session.keep()
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=1_000_000))
    with at_work(parts) as session:
        assert any("Make room" in said for said in session.found)
        to_shutter(session)
        with pytest.raises(TetherError, match="only"):
            session.capture()


def test_marks_notes_and_going_back(parts: Build) -> None:
    with at_work(parts) as session:
        assert session.mark(FrameState.BLANK) == "Frame 1 is marked as blank."
        with pytest.raises(NotNow, match="no picture yet"):
            session.mark(FrameState.DAMAGED)
        to_shutter(session)
        session.capture()
        said = session.mark(FrameState.DAMAGED)
        assert said == "Frame 2 is kept, and marked as damaged."
        assert session.frames()[1].chosen is not None, "it has its positive like any other"
        session.go_to(2)
        assert "no longer" in session.mark(FrameState.DAMAGED)
        session.go_to(2)
        session.mark(FrameState.DAMAGED)
        assert session.mark(FrameState.SKIPPED) == "Frame 3 is skipped."
        session.go_to(2)
        assert session.mark(FrameState.SKIPPED) == "Frame 2 stays as it is."
        assert session.next_step().frame == 4
        session.note("torn \x1b[31mperforation", 2)
        assert session.go_to(3).frame == 3
        to_shutter(session)
        session.capture()
        session.keep()
        assert session.next_step().frame == 4
        with pytest.raises(RollError, match="frames 1 to 6"):
            session.go_to(7)
        frames = session.frames()
    assert [f.state.value for f in frames[:4]] == ["blank", "damaged", "kept", "open"]
    assert frames[1].note == "torn \N{REPLACEMENT CHARACTER}[31mperforation"


def test_going_back_to_a_decided_frame_keeps_its_choice_until_there_is_another(
    parts: Build,
) -> None:
    with at_work(parts) as session:
        to_shutter(session)
        session.capture()
        session.keep()
        session.go_to(1)
        to_shutter(session)
        session.capture()
        session.shoot_again()
        session.go_to(None)
        frame = session.frames()[0]
        assert frame.state is FrameState.KEPT
        assert frame.chosen is not None
        assert frame.chosen.take == 1


def test_a_shortened_checklist_says_in_the_log_what_was_skipped_steps(parts: Build) -> None:
    with at_work(parts) as session:
        session.checklist.ask_less(True)
        to_shutter(session)
        lines = [text for _, _, kind, text in session.store.journal.log_lines(parts.roll.id)
                 if kind == "checklist"]  # fmt: skip
        assert all(step.what.rstrip(".") in lines[-1] for step in skipped_steps())
        session.capture()
        session.keep()
        assert session.next_step().kind is NextKind.SHOOT, "two keys a frame"


def test_what_does_not_fit_the_place_changes_nothing(parts: Build) -> None:
    with at_work(parts) as session:
        place = session.next_step()
        for action in (session.keep, session.shoot_again, session.capture):
            with pytest.raises(NotNow):
                action()
        assert session.next_step() == place


@pytest.mark.parametrize(
    ("passed", "goes_on"),
    [
        (timedelta(hours=-200_000), True),
        (timedelta(hours=QUICK.sittings.pause_hours) - timedelta(minutes=1), True),
        (timedelta(hours=QUICK.sittings.pause_hours) + timedelta(minutes=1), False),
    ],
    ids=["a clock that was set back", "a short pause", "a long pause"],
)
def test_what_was_confirmed_holds_until_a_long_pause(
    parts: Build, passed: timedelta, goes_on: bool
) -> None:
    with at_work(parts) as session:
        to_shutter(session)
        ended = datetime.now(UTC)
    with (
        closing(Archive(parts.archive.root, clock=lambda: ended + passed)) as later,
        at_work(parts._replace(archive=later)) as session,
    ):
        assert (session.next_step().kind is NextKind.SHOOT) is goes_on


def test_what_was_done_can_be_undone(parts: Build) -> None:
    with at_work(parts) as session:
        first = session.next_step()
        session.confirm()
        session.undo()
        assert session.next_step() == first
        to_shutter(session)
        session.capture()
        waiting = session.next_step()
        session.keep()
        session.undo()
        assert session.next_step() == waiting
        session.shoot_again()
        session.undo()
        assert session.next_step() == waiting
        session.keep()
        assert session.frames()[0].state is FrameState.KEPT
    with at_work(parts) as session:  # also after a new start
        assert session.view().can_undo
        assert session.undo() == "the choice about frame 1"
        assert session.next_step() == waiting
        while session.view().can_undo:
            session.undo()
        with pytest.raises(NotNow, match="Nothing to undo"):
            session.undo()
    assert len(files_of(parts)) == 1, "pictures are never undone"


def test_steps_are_undone_after_a_new_start_and_not_in_another_session(parts: Build) -> None:
    with at_work(parts) as session:
        session.confirm()
        second = session.next_step()
        session.confirm()
    with at_work(parts) as session:
        assert session.next_step() != second
        session.undo()
        assert session.next_step() == second
    parts.archive.store.journal.begin_sitting(session.tethered.key)
    with at_work(parts) as session:
        assert not session.view().can_undo


@pytest.mark.parametrize(
    "stored",
    [
        "nonsense", "{}", "[1]", '[{"what": "x", "step": null, "newest": 0, "before": {}}]',
        '[{"what": "x", "step": null, "newest": 0, "sitting": 1, "before": {"frame": 99, '
        '"state": "kept", "decisions": {}, "cursor": null, "memory_of": null}}]',
        '[{"what": "x", "step": ["no", 0, "y"], "newest": 0, "sitting": 1, "before": {}}]',
    ],
)  # fmt: skip
def test_what_can_be_undone_is_read_back_with_distrust(parts: Build, stored: str) -> None:
    parts.archive.store.set_fact(f"undo of roll {parts.roll.id}", stored)
    with at_work(parts) as session:
        assert not session.view().can_undo


def test_an_added_frame_is_undone_until_something_is_done_with_it(parts: Build) -> None:
    with at_work(parts) as session:
        for _ in range(6):
            session.mark(FrameState.SKIPPED)
        session.one_more_frame()
        assert session.next_step().frame == 7
        assert session.undo() == "adding frame 7"
        assert session.roll.frames_expected == 6
        assert session.next_step().kind is NextKind.DONE
        session.one_more_frame()
        to_shutter(session)  # a second strip, which the simulated hand loads, too
        session.capture()
        session.keep()
        assert session.undo() == "the choice about frame 7"
        assert session.undo() != "adding frame 7", "its picture is there"
        assert session.roll.frames_expected == 7


def test_the_strip_in_the_holder_is_finished_first_after_a_jump(parts: Build) -> None:
    parts.archive.store.rolls.change(parts.roll.id, frames_expected=12)
    with at_work(parts) as session:
        to_shutter(session)
        session.capture()
        session.keep()
        session.go_to(8)
        to_shutter(session)
        session.go_to(None)
        assert session.next_step().frame == 9, "it was left, although it lies in the gate"
        to_shutter(session)
        session.capture()
        session.keep()
        order = []
        while session.next_step().kind is not NextKind.DONE:
            order.append(session.next_step().frame)
            to_shutter(session)
            session.capture()
            session.keep()
        assert order == [10, 11, 12, 7, 8, 2, 3, 4, 5, 6], "the strip that lies in the holder first"


def test_undoing_passes_over_the_steps_that_a_waiting_picture_was_taken_upon(
    parts: Build,
) -> None:
    with at_work(parts) as session:
        to_shutter(session)
        session.capture()
        assert not session.view().can_undo
        with pytest.raises(NotNow, match="steps before a picture"):
            session.undo()
        session.keep()
        to_shutter(session)
        session.capture()
        assert session.view().can_undo
        said = session.undo()
        assert said == "the choice about frame 1. Frame 2 is also waiting for your decision"
        assert (session.next_step().frame, session.next_step().kind) == (1, NextKind.DECIDE)
        session.keep()
        assert (session.next_step().frame, session.next_step().kind) == (2, NextKind.DECIDE)
        session.keep()
        assert session.next_step().step == BY_KEY["frame-advance"], "of frame 3"
        session.confirm()
        said = session.undo()
        assert BY_KEY["frame-advance"].label in said
        assert session.undo() == "the choice about frame 2"
    assert len(files_of(parts)) == 2, "pictures are never undone"


def test_a_step_of_another_frame_than_the_one_in_the_gate_is_passed_over(parts: Build) -> None:
    with at_work(parts) as session:
        to_shutter(session)
        session.capture()
        session.keep()
        to_shutter(session)
        session.mark(FrameState.SKIPPED)
        to_shutter(session)
        assert session.capture().captures[0][0].frame == 3
        assert session.undo().startswith("the choice about frame 2")
        assert (session.next_step().frame, session.next_step().kind) == (2, NextKind.STEP)
        assert session.undo() == "the choice about frame 1", "frame 2 was not in the gate any more"


def test_several_takes_are_put_aside_together_and_any_can_be_chosen(
    parts: Build, bench: BenchProcess
) -> None:
    with at_work(parts) as session:
        bench.go_to(1)
        for _ in range(2):
            bench.press_button()
            while session.shooting.take_from_camera() is None:
                pass
        session.shoot_again()
        to_shutter(session)
        assert session.next_step().frame == 1
        takes = session.frames()[0].captures
        session.choose(1, takes[0].id)
        chosen = session.frames()[0].chosen
        assert chosen is not None
        assert chosen.take == 1
        with pytest.raises(NotNow, match="no such take"):
            session.choose(2, takes[0].id)


def test_a_picture_that_waits_is_not_passed_over(parts: Build) -> None:
    """A second take of a decided frame waits: leaving it does not hide it."""
    with at_work(parts) as session:
        session.mark(FrameState.SKIPPED)
        session.go_to(1)
        to_shutter(session)
        session.capture()
        session.go_to(None)
        assert session.next_step().kind is NextKind.DECIDE
        assert session.next_step().frame == 1


def test_a_restarted_rehearsal_has_the_film_where_it_was(parts: Build, bench: BenchProcess) -> None:
    with at_work(parts) as session:
        session.mark(FrameState.SKIPPED)
        to_shutter(session)
        assert bench.frame() == 2
    bench.remove_film()
    with at_work(parts):
        assert bench.frame() == 2


def test_a_picture_judged_at_the_next_start_gets_advice_in_the_cameras_own_words(
    parts: Build,
) -> None:
    with at_work(parts) as session:
        parts.camera.set(Role.SHUTTER, "1/60")
        to_shutter(session)
        (shot, _) = session.capture().captures[0]
        session.store.frames.set_judgement(shot.id, Verdict.UNJUDGED, Facts(), b"")
    with at_work(parts) as session:
        assert any("had not been judged" in said for said in session.found)
        waiting = session.next_step().capture
        assert waiting is not None
        state = parts.camera.state()
        assert waiting.facts.advice_shutter in state.settings[Role.SHUTTER].choices
