"""The session: one roll, one camera, one judge, and every action a person can take.

All methods block and are called from one thread; what they return are values that another
thread may show. The next thing to do is derived from the store after each of them.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from types import TracebackType
from typing import Self

from tether.archive.archive import Archive
from tether.archive.open_roll import OpenRoll
from tether.archive.pauses import span
from tether.archive.records import LONGEST_ROLL, Capture, Frame, FrameState, Roll, RollError, Scope
from tether.bench.benches import BenchBook, WorkBench
from tether.bench.light_record import LightRecord
from tether.bench.light_warnings import light_warnings
from tether.bench.shutter_loan import displaced
from tether.bench.steps import BENCH, Step, steps_to_redo
from tether.camera.protocol import Role
from tether.capture.bench_shots import BenchShots
from tether.capture.leftovers import LeftoverActions
from tether.capture.recovery import recover
from tether.capture.tethered import ReconnectableCamera, Tethered
from tether.capture.transfer import CardTransfer, Progress
from tether.errors import NotNow
from tether.session.breaks import Breaks
from tether.session.checklist import Checklist, begin_sitting
from tether.session.events import Event, Listener
from tether.session.judge import Judging, Verdicts
from tether.session.next_step import NextStep
from tether.session.setup import SetUp
from tether.session.shooting import Shooting, Shot
from tether.session.undo import UndoStack
from tether.session.view import View, put_aside
from tether.settings import Settings
from tether.text import megabytes, plural, printable

__all__ = ["Judging", "Session", "Shot", "View"]

_MARKED = {
    FrameState.SKIPPED: "skipped",
    FrameState.BLANK: "marked as blank",
    FrameState.DAMAGED: "kept, and marked as damaged",
    FrameState.KEPT: "kept, and no longer marked as damaged",
}


class Session:
    """One roll at work. Use as a context manager, or call `close`.

    Parameters
    ----------
    archive, roll
        Where the work is stored. The roll is locked for this process.
    camera
        A connected camera, None to go on without one (decisions and notes still work).
    judge
        What judges a raw file.
    settings
        Targets and limits.
    listener
        Called with what happens at the bench; the rehearsal's hand moves the film on it.
    attended
        Whether a person is there; else the log says that nobody did the steps.

    Attributes
    ----------
    open_roll, tethered
        The roll and the camera.
    bench
        What the steps of the set-up work with: test shots, the light, the settings.
    checklist, set_up
        The steps that were done, and which bench this is.
    shooting, verdicts
        From the shutter to a picture in the archive, and what is judged of it.
    leftovers
        What an interruption left.
    found
        What an earlier interruption left, in sentences.

    Raises
    ------
    tether.archive.open_roll.RollBusy
        When another program is at work on the roll.
    """

    def __init__(
        self,
        archive: Archive,
        roll: Roll,
        camera: ReconnectableCamera | None,
        judge: Judging,
        settings: Settings | None = None,
        listener: Listener | None = None,
        *,
        attended: bool = True,
    ) -> None:
        settings = settings or Settings()
        self.archive = archive
        self.store = archive.store
        self._listener = listener
        self.open_roll = roll_at_work = OpenRoll(archive, roll)
        try:
            self.tethered = Tethered(camera)
            self.transfer = CardTransfer(roll_at_work)
            shots = BenchShots(
                roll_at_work, self.tethered, self.transfer, settings.storage.raw_bytes
            )
            light = LightRecord(roll_at_work.test_folder)
            self.bench = WorkBench(roll_at_work, self.tethered, shots, light, settings)
            benches = BenchBook(self.store)
            sitting = begin_sitting(
                self.store, archive.clock, self.tethered.key, settings.sittings.pause_hours
            )
            breaks = Breaks(self.store, archive.clock, sitting, settings.sittings)
            self._undo = UndoStack(roll_at_work, sitting.id, benches)
            self.checklist = Checklist(
                roll_at_work,
                sitting,
                self._undo,
                benches,
                light,
                breaks,
                self.announce,
                attended=attended,
            )
            self.set_up = SetUp(self.bench, benches, self.checklist, self._undo)
            self.verdicts = Verdicts(self.bench, judge, self._undo)
            self.shooting = Shooting(self.bench, self.transfer, self.checklist, self.verdicts)
            self.leftovers = LeftoverActions(
                roll_at_work,
                self.tethered,
                self.transfer,
                self._judge_leftover,
                lambda: self.settings.light.kind,
            )
            of_bench = self.set_up.begin()
            self.found = tuple(filter(None, (*self._resume(), of_bench)))
        except BaseException:
            self.open_roll.close()
            raise

    def __enter__(self) -> Self:
        """Return the session itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Let go of the roll."""
        self.close()

    def close(self) -> None:
        """Let go of the roll; the camera and the archive are the caller's."""
        self.open_roll.close()

    def announce(self, event: Event) -> None:
        """Tell the listener what happened at the bench; without one nothing is done."""
        if self._listener is not None:
            self._listener(event)

    def _resume(self) -> tuple[str, ...]:
        """Find what an earlier interruption left; return what there is to say about it."""
        news = list(recover(self.transfer, self.tethered.camera, self.tethered.key))
        # The camera's list of shutter settings is part of a judgement's advice: read it first.
        self.tethered.refresh()
        news += self.verdicts.judge_waiting(again=True)
        if left := displaced(self.store, self.tethered):
            news.append(left.sentence())
        if self.tethered.camera is not None:
            news += self._room()
        self.checklist.announce_film()
        place = self.next_step()
        self._log("sitting", f"Session on {self.roll.name}; next: {place.sentence()}", place.frame)
        return tuple(news)

    def _room(self) -> list[str]:
        roll, storage = self.roll, self.settings.storage
        left = sum(f.state is FrameState.OPEN for f in self.frames())
        need = left * self.open_roll.raw_bytes(storage.raw_bytes) + storage.spare_bytes
        free = self.archive.free_bytes()
        if left == 0 or free >= need:
            return []
        return [
            f"The disk has {megabytes(free)} free. The {plural(left, 'frame')} left on "
            f"{printable(roll.name)} need about {megabytes(need)}. Make room soon."
        ]

    # --- where the work is -----------------------------------------------------------------

    @property
    def roll(self) -> Roll:
        """The roll as it is stored now."""
        return self.open_roll.roll

    @property
    def settings(self) -> Settings:
        """Targets and limits; the kind of light is that of the bench."""
        return self.bench.settings

    def frames(self) -> tuple[Frame, ...]:
        """The frames as they are stored now."""
        return self.open_roll.frames()

    def next_step(self) -> NextStep:
        """Return the next thing to do."""
        return self.checklist.next_step()

    def view(self) -> View:
        """Return everything a screen needs; with the question about the bench when it is next."""
        frames, place, camera = self.frames(), self.next_step(), self.tethered.camera
        asks_bench = place.step is not None and place.step.key == BENCH
        return View(
            self.roll,
            frames,
            place,
            self.tethered.state,
            self.checklist.sitting.short,
            self.checklist.lock,
            self.set_up.question() if asks_bench else None,
            light_warnings(
                self.bench.light.kept,
                frames,
                self.tethered.state,
                self.settings,
                self.archive.clock(),
            ),
            strobe=self.bench.strobe,
            camera_name=camera.identity.model if camera else "",
            can_undo=self._undo.last(place, self.checklist.confirmed()) is not None,
            set_up_done=self.checklist.only_film_left(),
        )

    def end_pause(self, since: datetime) -> str:
        """Store that a pause is over; return what to check after it, "" for nothing."""
        took = self.checklist.end_pause(since)
        if took.total_seconds() < 60 * self.settings.sittings.recheck_minutes:
            return ""
        return (
            f"You paused for {span(took)}. If the lamp was off, let it warm up again. Then check "
            "light and focus."
        )

    # --- steps and pictures ------------------------------------------------------------------

    def confirm(self, step: Step | None = None) -> NextStep:
        """Store that the step that is next was done; return what comes next.

        For the step that asks which bench this is that means: the same as last time.

        Raises
        ------
        NotNow
            When no step is next, or another one than ``step``.
        """
        place = self.next_step()
        if place.step is None or (step is not None and step.key != place.step.key):
            raise NotNow("That step is not next.", todo=f"Next: {place.sentence()}.")
        if place.step.key == BENCH:
            if not self.set_up.use_same_bench():
                self.checklist.confirm(place.step, frame=place.frame)
        elif place.step.scope is Scope.SITTING:
            self.set_up.confirm(place.step, place.frame)
        else:
            at = place.step.place(place.strip, place.frame)
            self.checklist.confirm(place.step, at, place.frame)
        return self.next_step()

    def capture(self, report: Callable[[Progress], None] = lambda _: None) -> Shot:
        """Fire the shutter for the frame that is next, see `Shooting.release`."""
        return self.shooting.release(report)

    def reconnect(self) -> tuple[str, ...]:
        """Connect to the camera again, see `Shooting.reconnect`."""
        return self.shooting.reconnect()

    # --- choices -----------------------------------------------------------------------------

    def keep(self) -> NextStep:
        """Keep the take that waits, for the frame."""
        place = self.next_step()
        if place.capture is None or place.frame is None:
            raise NotNow("No picture is waiting for your decision.")
        return self.choose(place.frame, place.capture.id)

    def choose(self, frame: int, capture_id: int) -> NextStep:
        """Keep one of a frame's takes for the frame; the others stay beside it.

        Raises
        ------
        NotNow
            When the frame has no such picture.
        """
        chosen = next((c for c in self.open_roll.frame(frame).captures if c.id == capture_id), None)
        if chosen is None:
            raise NotNow(f"Frame {frame} has no such take.")
        self._remember(frame)
        self.store.frames.decide(self.open_roll.id, frame, FrameState.KEPT, chosen.id)
        return self._decided(frame, f"Kept {chosen.file_name}")

    def _remember(self, number: int) -> None:
        """Make a coming decision about a frame one that can be undone; the archive must be there.

        Raises
        ------
        tether.archive.archive.ArchiveUnusable
            When it is not.
        """
        self.archive.check_in_place(self.roll)
        self._undo.add_choice(number)

    def shoot_again(self) -> NextStep:
        """Reshoot the frame; all takes that wait stay on disk and are not kept.

        Steps that the verdict asks for first (move the film, focus) come up again.
        """
        place = self.next_step()
        if place.capture is None or place.frame is None:
            raise NotNow("No picture is waiting for your decision.")
        self._remember(place.frame)
        waiting = [c for c in self.open_roll.frame(place.frame).captures if c.decision is None]
        for capture in waiting:
            self.store.frames.set_aside(capture.id)
        names = ", ".join(capture.file_name for capture in waiting)
        self._decided(place.frame, f"Reshoot; not kept: {names}")
        short = self.checklist.sitting.short
        for step in steps_to_redo((capture.facts for capture in waiting), short=short):
            at = step.place(place.strip, place.frame)
            self.checklist.ask_again(step, at, "as the verdict says", place.frame)
        return self.next_step()

    def follow_advice(self) -> str:
        """Set the shutter as the verdict advises, and reshoot.

        Where the take was put aside already, that only sets the shutter. Returns the camera's
        wording of what is set now.

        Raises
        ------
        NotNow
            When no picture waits or was put aside, or its verdict names no shutter setting.
        CameraError
            When the camera does not take the setting; the picture still waits.
        """
        place = self.next_step()
        waiting = place.capture or put_aside(self.frames(), place)
        advice = waiting.facts.advice_shutter if waiting else None
        if self.bench.strobe:
            raise NotNow(
                "With a strobe, the shutter does not set the exposure.",
                todo="Turn the strobe's power as the verdict says, then reshoot.",
            )
        if waiting is None or advice is None or self.tethered.camera is None:
            raise NotNow(
                "The verdict names no setting that the program can set.",
                todo="Change the light or the camera by hand, then reshoot.",
            )
        now_set = self.tethered.camera.set(Role.SHUTTER, advice).value
        self._log("camera", f"Shutter set to {printable(now_set)}, as advised", waiting.frame)
        self.tethered.refresh()
        if place.capture is not None:
            self.shoot_again()
        return now_set

    def mark(self, state: FrameState) -> str:
        """Close the frame that is next as skipped or blank, or mark its picture as damaged film.

        All pictures stay. A damaged frame is kept as any other, its mark beside it; marking it
        again takes the mark away. Returns what came of it, as a sentence.

        Raises
        ------
        NotNow
            When no frame is next, or a frame without a picture is to be marked as damaged.
        """
        place = self.next_step()
        if place.frame is None:
            raise NotNow("All frames are done.", todo="Go to a frame to change it.")
        frame, number = self.open_roll.frame(place.frame), place.frame
        if state is FrameState.SKIPPED and frame.chosen is not None:
            self.go_to(None)
            return f"Frame {number} stays as it is."
        newest = frame.captures[-1] if frame.captures else None
        take = place.capture or frame.chosen or newest
        if state is FrameState.DAMAGED and take is None:
            raise NotNow(
                f"Frame {number} has no picture yet.",
                todo="Shoot it, then mark it. Skip a frame that cannot be photographed.",
            )
        if state is frame.state is FrameState.DAMAGED and place.capture is None:
            state = FrameState.KEPT
        self._remember(number)
        chosen = take.id if take and state is not FrameState.SKIPPED else None
        self.store.frames.decide(self.open_roll.id, number, state, chosen)
        self._decided(number, f"Marked as {state.value}")
        return f"Frame {number} is {_MARKED[state]}."

    def go_to(self, frame: int | None) -> NextStep:
        """Go to any frame, None for the next open one.

        Raises
        ------
        RollError
            When the roll has no such frame.
        """
        roll = self.roll
        if frame is not None:
            self.open_roll.check_frame(frame)
        self.store.rolls.set_cursor(roll.id, frame)
        place = self.next_step()
        left = frame is None and place.capture is None
        if left and place.frame is not None and place.frame == roll.cursor:
            # It lies in the gate and is open still; who leaves it wants another one.
            others = [f for f in self.frames() if f.number != roll.cursor]
            self.store.rolls.set_cursor(roll.id, self.roll.next_frame(others, place.frame))
            place = self.next_step()
        self._log(
            "go",
            f"Went to frame {place.frame}" if place.frame else "Went to the next open frame",
            place.frame,
        )
        return place

    def one_more_frame(self) -> NextStep:
        """Add a frame at the roll's end: the film had one more than was counted."""
        roll = self.roll
        if roll.frames_expected >= LONGEST_ROLL:
            raise RollError(f"A roll has at most {LONGEST_ROLL} frames.")
        self._undo.add_frame(roll.frames_expected + 1)
        self.store.rolls.change(roll.id, frames_expected=roll.frames_expected + 1)
        self.archive.write_roll(self.roll)
        self._log("roll", f"Frame added: {plural(roll.frames_expected + 1, 'frame')} on the roll.")
        return self.next_step()

    def note(self, text: str, frame: int | None = None) -> int:
        """Write a note about a frame (the one that is next unless named); return its number."""
        number = frame or self.next_step().frame or self.roll.frames_expected
        tidy = printable(text.strip(), 2000)
        self.store.frames.set_note(self.open_roll.id, number, tidy)
        self._decided(number, f"Note: {tidy}")
        return number

    def undo(self) -> str:
        """Take the last step or choice back, also one of an earlier start; return what it was.

        Pictures are never undone: a picture whose choice is undone waits for a choice again, and
        the steps that a waiting picture was taken upon stay done; see `UndoStack.last`.

        Raises
        ------
        NotNow
            When nothing was done that could be taken back.
        """
        before = self.next_step()
        last = self._undo.last(before, self.checklist.confirmed())
        if last is None and self._undo and before.capture is not None:
            raise NotNow(
                "Nothing to undo: steps before a picture cannot be undone once it is taken.",
                todo="Keep it, or reshoot.",
            )
        if last is None:
            raise NotNow("Nothing to undo.")
        self._undo.take_back(last)
        number = last.before.get("frame")
        if number is not None and self.next_step().frame != number:
            self.store.rolls.set_cursor(self.open_roll.id, number)
        after = self.next_step()
        self._log("undo", f"Undone: {last.what}", after.frame)
        if before.capture is not None and after.frame != before.frame:
            return f"{last.what}. Frame {before.frame} is also waiting for your decision"
        return last.what

    def _judge_leftover(self, capture: Capture) -> None:
        self.verdicts.judge(capture)
        self.checklist.touch()

    def _decided(self, frame: int, text: str) -> NextStep:
        self.checklist.touch()
        self._log("choice", text, frame)
        self.open_roll.write_frame(frame)
        return self.next_step()

    def _log(self, kind: str, text: str, frame: int | None = None) -> None:
        self.open_roll.log(kind, text, frame)
