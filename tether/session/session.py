"""The session: one roll, one camera, one judge, and every action a person can take.

All methods block and are called from one thread; what they return are values that another
thread may show. The next thing to do is derived from the store after each of them.
"""

from __future__ import annotations

from tether.archive.records import LONGEST_ROLL, Confirmed, Frame, FrameState, RollError
from tether.bench.retake_steps import place_of, steps_to_redo
from tether.camera.protocol import Role
from tether.errors import NotNow
from tether.session.next_step import Place
from tether.session.pauses import Pausing
from tether.session.session_values import Judging, Shot, View
from tether.session.setup import Readying
from tether.session.shooting import Shooting
from tether.text import plural, printable

__all__ = ["Judging", "Session", "Shot", "View"]


class Session(Readying, Pausing, Shooting):
    """One roll at work. Use as a context manager, or call `close`; see `Core` for what it takes."""

    def keep(self) -> Place:
        """Keep the picture that waits: it stands for the frame."""
        place = self.place()
        if place.capture is None or place.frame is None:
            raise NotNow("There is no picture waiting to be kept.")
        return self.choose(place.frame, place.capture.id)

    def choose(self, frame: int, capture_id: int) -> Place:
        """Keep one of a frame's pictures: it stands for the frame, the others stay beside it.

        Raises
        ------
        NotNow
            When the frame has no such picture.
        """
        chosen = next((c for c in self._frame(frame).captures if c.id == capture_id), None)
        if chosen is None:
            raise NotNow(f"Frame {frame} has no such picture.")
        self._remember(frame)
        self.store.frames.decide(self._roll_id, frame, FrameState.KEPT, chosen.id)
        return self._decided(frame, f"Kept {chosen.file_name}")

    def _frame(self, number: int) -> Frame:
        return self.frames()[number - 1]

    def _remember(self, number: int) -> None:
        """Make what is about to be decided about a frame something that can be undone."""
        frame, cursor = self._frame(number), self.roll.cursor
        memory = self.store.rolls.memory(self._roll_id) or None

        def put_back() -> None:
            self.store.frames.restore(self._roll_id, frame, cursor, memory)
            self._write_frame(number)

        self._can_undo(f"the choice about frame {number}", put_back)

    def shoot_again(self) -> Place:
        """Put all pictures that wait aside; they stay on disk, and the frame is shot again.

        What the verdict asks to be done first (move the film, focus) comes up as a step again.
        """
        place = self.place()
        if place.capture is None or place.frame is None:
            raise NotNow("There is no picture waiting to be put aside.")
        self._remember(place.frame)
        waiting = [c for c in self._frame(place.frame).captures if c.decision is None]
        for capture in waiting:
            self.store.frames.set_aside(capture.id)
        names = ", ".join(capture.file_name for capture in waiting)
        said = self._decided(place.frame, f"Put aside {names}; shoot again")
        again = steps_to_redo(capture.facts for capture in waiting)
        for step in again:
            at = place_of(step, place.strip or 0, place.frame)
            self.store.journal.take_back(self.sitting.id, Confirmed(step.scope, at, step.key))
            self._log("step", f"Asked again, as the verdict says: {step.what}", place.frame)
        return self.place() if again else said

    def follow_advice(self) -> str:
        """Set the shutter as the verdict advises, and put the picture aside to shoot again.

        Returns the camera's wording of what is set now.

        Raises
        ------
        NotNow
            When no picture waits, or its verdict names no shutter setting.
        CameraError
            When the camera does not take the setting; the picture still waits.
        """
        waiting = self.place().capture
        advice = waiting.facts.advice_shutter if waiting else None
        if self.settings.light.strobe:
            raise NotNow(
                "With a strobe the shutter does not set the exposure.",
                todo="Turn the strobe's power as the verdict says, then shoot again (A).",
            )
        if waiting is None or advice is None or self.camera is None:
            raise NotNow(
                "There is no advice that could be set from here.",
                todo="Change the light or the camera by hand, then shoot again.",
            )
        now_set = self.camera.set(Role.SHUTTER, advice).value
        self._log("camera", f"Shutter set to {printable(now_set)}, as advised", waiting.frame)
        self.refresh_camera()
        self.shoot_again()
        return now_set

    def mark(self, state: FrameState) -> Place:
        """Close the frame that is next as skipped, blank or damaged; its pictures stay.

        For a blank or damaged frame the newest picture, if there is one, stands for it.
        """
        place = self.place()
        if place.frame is None:
            raise NotNow("All frames are decided.", todo="Go to a frame to change it.")
        frame = self._frame(place.frame)
        newest = (
            frame.captures[-1].id if frame.captures and state is not FrameState.SKIPPED else None
        )
        if state is FrameState.SKIPPED and frame.chosen is not None:
            return self.go_to(None)
        self._remember(place.frame)
        self.store.frames.decide(self._roll_id, place.frame, state, newest)
        return self._decided(place.frame, f"Marked as {state.value}")

    def go_to(self, frame: int | None) -> Place:
        """Go to any frame, None for the next open one.

        Raises
        ------
        RollError
            When the roll has no such frame.
        """
        roll = self.roll
        if frame is not None and not 1 <= frame <= roll.frames_expected:
            raise RollError(
                f"This roll has frames 1 to {roll.frames_expected}, not {frame}.",
                kept="Nothing was changed.",
                todo="Give one of its frame numbers.",
            )
        self.store.rolls.set_cursor(roll.id, frame)
        place = self.place()
        self._log("go", f"Went to frame {place.frame}" if place.frame else "Went on", place.frame)
        return place

    def one_more_frame(self) -> Place:
        """Add a frame at the roll's end: the film had one more than was counted."""
        roll = self.roll
        if roll.frames_expected >= LONGEST_ROLL:
            raise RollError(f"A roll has at most {LONGEST_ROLL} frames.")
        self.store.rolls.change(roll.id, frames_expected=roll.frames_expected + 1)
        self.archive.write_roll(self.roll)
        self._log("roll", f"The roll has {plural(roll.frames_expected + 1, 'frame')} now.")
        return self.place()

    def note(self, text: str, frame: int | None = None) -> int:
        """Write a note about a frame (the one that is next unless named); return its number."""
        number = frame or self.place().frame or self.roll.frames_expected
        tidy = printable(text.strip(), 2000)
        self.store.frames.set_note(self._roll_id, number, tidy)
        self._decided(number, f"Note: {tidy}")
        return number
