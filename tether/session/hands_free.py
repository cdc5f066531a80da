"""Hands free: the film is the control. At rest and lying right, it is photographed without a key.

The film is watched through live view all the time, also while a file is fetched and judged, so the
person moves it on as soon as the exposure is over. A picture with KEEP is kept; one to reshoot
never is: the film is pushed back or set right, and at rest it is photographed again.
"""

from __future__ import annotations

import queue
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Any

from tether.archive.records import Capture, FrameState, Scope
from tether.bench.film_watch import FilmMotion, FilmState, FilmWatch, FrameCounter, Lies
from tether.bench.live_focus import LiveViewUnreadable, read_linear
from tether.bench.steps import steps_of
from tether.camera.errors import CameraError, CameraLost, CameraRefused
from tether.camera.protocol import CardFile, PartwiseCamera
from tether.capture.tethered import ReconnectableCamera
from tether.capture.transfer import Progress
from tether.film import FILM_FORMATS, FilmFormat
from tether.findings import Verdict
from tether.session.events import FilmWanted
from tether.session.judge import Judgement, JudgeRequest, Judging
from tether.session.next_step import NextKind, NextStep
from tether.session.session import Session

PART_BYTES = 4_000_000
"""Bytes of a file that are fetched between two live pictures."""
_LIVE_FAILURES = 40
"""Live pictures in a row that may fail before the work goes on by keys."""
_WHICH_SIDE = " Does writing read the right way round? If not, turn the strip over."


class Cue(StrEnum):
    """What the person is told, large."""

    LAY_STRIP = "Lay the next strip"
    HOLD_STILL = "Let the film rest"
    MOVE_ON = "Move the film on"
    WRONG_PLACE = "The film is off"
    COUNT_LOST = "Which frame is it?"
    LOOK = "Look at this picture"
    RESHOOT = "Shoot it again"
    BY_KEYS = "On with keys"
    DONE = "The roll is complete"


class Command(StrEnum):
    """What a person can say by a key."""

    SHOOT = "shoot"
    KEEP = "keep"
    AGAIN = "again"
    UNDO = "undo"


@dataclass(frozen=True, slots=True)
class Moment:
    """How the work is, for a screen.

    Attributes
    ----------
    cue, text
        What to do, and why.
    frame
        The frame that is worked on.
    film
        Where the film is; None before the first live picture.
    push_mm
        How far to move the film, positive in the direction in which it has moved so far.
    live
        The live picture, as the camera sent it.
    done
        How many frames are decided.
    """

    cue: Cue
    text: str
    frame: int | None = None
    film: FilmMotion | None = None
    push_mm: float = 0.0
    live: bytes = b""
    done: int = 0


class HandsFree:
    """Works through a roll as its film is moved. Lives on the session's thread, like the session.

    Parameters
    ----------
    session
        At any place where film is shot; its set-up is done by keys before.
    tell
        Called on the session's thread with every change and every live picture.
    clock
        Seconds that only go forward.
    """

    def __init__(
        self,
        session: Session,
        tell: Callable[[Moment], None],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._session = session
        self._settings = session.settings.hands_free
        self._tell = tell
        self._clock = clock
        self._form: FilmFormat = FILM_FORMATS[session.roll.format_key]
        self._watch = FilmWatch(self._settings, self._form)
        self._counter = FrameCounter(self._watch, self._form.pitch, self._settings)
        self._reminded = 0.0
        self._commands: queue.SimpleQueue[Command] = queue.SimpleQueue()
        self._last: int | None = None
        self._fresh = True
        self._live = b""
        self._film: FilmMotion | None = None
        self._push = 0.0
        self._touched = False
        self._said: tuple[Cue, str, int | None] = (Cue.HOLD_STILL, "", None)
        self._failures = 0
        self._done = 0
        self._place = NextStep(NextKind.DONE)

    def command(self, command: Command) -> None:
        """Say something by a key; safe from any thread."""
        self._commands.put(command)

    def run(self, stopped: Callable[[], bool]) -> None:
        """Work until the roll is complete, keys are needed, or ``stopped``.

        Raises
        ------
        CameraError, FilingError, ArchiveUnusable
            As `Session.capture`; the place is kept, and `run` may be called again.
        """
        with self._watching():
            self._session.open_roll.log(
                "checklist", "Hands free: the film at rest is shot; steps are shown, not asked."
            )
            self._refresh()
            self._session.announce(FilmWanted(self._place.frame, None))
            try:
                while not stopped():
                    self._look()
                    if self._turn():
                        return
            finally:
                self._session.announce(FilmWanted(None, None))

    # --- what is next -------------------------------------------------------------------------

    def _refresh(self) -> None:
        """Read where the work is: after what changed it, not for each live picture."""
        self._place = self._session.next_step()
        self._done = sum(f.state is not FrameState.OPEN for f in self._session.frames())

    def _turn(self) -> bool:
        """Do what can be done now; return whether it ends here."""
        place, command = self._place, self._command()
        if command is Command.UNDO:
            said = self._session.undo()
            self._refresh()
            self._last, self._fresh = None, True
            self._say(Cue.HOLD_STILL, f"Undone: {said}.", place.frame)
            return False
        if place.kind is NextKind.DONE:
            self._say(Cue.DONE, "Every frame is decided.", None)
            return True
        if place.kind is NextKind.DECIDE and place.capture is not None:
            self._decide(place.capture, command)
            return False
        if place.kind is NextKind.STEP and place.step is not None:
            if place.step.scope in (Scope.SITTING, Scope.ROLL):
                self._say(Cue.BY_KEYS, f"First by keys: {place.step.what}", place.frame)
                return True
            if not self._film_rests():
                self._ask_for_film(place)
                return False
        self._shoot_when_right(place, command)
        return False

    def _film_rests(self) -> bool:
        return self._film is not None and self._film.state is FilmState.RESTING

    def _begins_strip(self, place: NextStep) -> bool:
        """Whether another strip has to be laid for the frame that is next."""
        strip_of = self._session.roll.strip_of
        return self._last is None or strip_of(self._last) != strip_of(place.frame or 0)

    def _ask_for_film(self, place: NextStep) -> None:
        if self._begins_strip(place) and self._film and self._film.state is FilmState.OPEN_GATE:
            reminders = " ".join(
                s.what for s in steps_of(Scope.STRIP, short=False, with_film=False)
            )
            text = f"Strip {place.strip}, frame {place.frame} first. {reminders}"
            self._say(Cue.LAY_STRIP, text, place.frame)
        elif self._said[0] is not Cue.MOVE_ON:
            self._say(Cue.HOLD_STILL, f"Frame {place.frame} is next.", place.frame)

    def _shoot_when_right(self, place: NextStep, command: Command | None) -> None:
        """Photograph the frame that is next once the film rests where that frame lies."""
        frame = place.frame or 0
        if command is Command.SHOOT:
            self._shoot(place, "by key")
        elif not self._film_rests() or self._film is None:
            self._ask_for_film(place)
        elif not self._begins_strip(place):
            self._by_distance(place, self._film)
        elif self._fresh:
            self._shoot(place)
        else:
            self._say(Cue.LAY_STRIP, f"Strip {place.strip}, frame {frame} first.", frame)

    def _by_distance(self, place: NextStep, film: FilmMotion) -> None:
        frame, wanted = place.frame or 0, (place.frame or 0) - (self._last or 0)
        lies, off = self._counter.lies(film, wanted)
        if lies is Lies.RIGHT:
            loose = abs(off) > self._settings.placement_mm
            self._shoot(place, f"as it lay, {abs(off):.1f} mm off" if loose else "")
            return
        if lies is Lies.UNKNOWN:
            text = f"The film was lost from sight. Frame {frame} in the gate? {{shoot}} shoots it."
            self._say(Cue.COUNT_LOST, text, frame)
            return
        far = f"{abs(off):.0f} mm too far" if off > 0 else f"{abs(off):.0f} mm short"
        if lies is Lies.NOT_MOVED:
            self._say(Cue.MOVE_ON, f"Frame {frame} is next.", frame, -off)
        else:
            text = f"Frame {frame} is next. The film is {far}."
            self._say(Cue.WRONG_PLACE, text, frame, -off)
        if film.resting_seconds - self._reminded > self._settings.insist_seconds:
            self._reminded = film.resting_seconds
            self._session.announce(FilmWanted(frame, self._last))

    def _shoot(self, place: NextStep, how: str = "") -> None:
        """Take the reminders as given, fire, and let the film move as soon as that is over."""
        frame = place.frame or 0
        while (step := self._session.next_step()).kind is NextKind.STEP and step.step is not None:
            if step.step.scope in (Scope.SITTING, Scope.ROLL):
                self._refresh()
                return
            at = step.step.place(step.strip, step.frame)
            self._session.checklist.confirm(
                step.step, at, step.frame, "Reminded of, hands free; nobody was asked"
            )
        if how:
            self._session.open_roll.log("step", f"Hands free, shot {how}", frame)
        self._say(Cue.HOLD_STILL, f"Frame {frame} is being taken.", frame)
        self._counter.begin()
        first = self._begins_strip(place)
        self._last, self._fresh, self._reminded = frame, False, 0.0

        def report(progress: Progress) -> None:
            if progress.phase == "fetch":
                self._move_on(frame, _WHICH_SIDE if first else "")

        self._session.capture(report)
        self._refresh()

    def _move_on(self, frame: int, asked: str) -> None:
        others = [f for f in self._session.frames() if f.number != frame]
        following = replace(self._session.roll, cursor=None).next_frame(others, frame)
        if following is None:
            self._say(Cue.HOLD_STILL, "That was the last frame.", frame)
        elif self._session.roll.strip_of(following) != self._session.roll.strip_of(frame):
            self._say(Cue.LAY_STRIP, f"Next is frame {following}, on another strip.", following)
        else:
            distance = (following - frame) * self._form.pitch
            self._say(Cue.MOVE_ON, f"Next is frame {following}.{asked}", following, distance)
        self._session.announce(FilmWanted(following, frame))

    # --- what was taken -----------------------------------------------------------------------

    def _decide(self, capture: Capture, command: Command | None) -> None:
        verdict = capture.verdict
        keeps = verdict is Verdict.KEEP or (verdict is Verdict.LOOK and self._settings.keep_check)
        if keeps or command is Command.KEEP:
            if verdict is Verdict.KEEP:
                self._counter.confirmed()
            self._session.keep()
            self._refresh()
            return
        why = " ".join(capture.facts.texts) or "It could not be judged."
        if command is Command.AGAIN:
            self._again()
            return
        cue = Cue.RESHOOT if verdict is Verdict.RESHOOT else Cue.LOOK
        film = self._film
        back = -self._counter.forward_mm(film) if film and film.certain else 0.0
        if (self._said[0], self._said[2]) != (cue, capture.frame):
            self._say(cue, why, capture.frame, back)
            self._session.announce(FilmWanted(capture.frame, capture.frame))
            self._counter.doubted()
            self._touched = False
        if film is None:
            return
        if film.state is not FilmState.RESTING:
            self._touched = True
        elif (
            self._touched
            and verdict is Verdict.RESHOOT
            and (self._fresh or self._lies_as_taken(film))
        ):
            self._again()

    def _lies_as_taken(self, film: FilmMotion) -> bool:
        return film.certain and abs(film.moved_mm) < self._form.pitch / 4

    def _again(self) -> None:
        self._session.shoot_again()
        self._refresh()
        self._last, self._fresh = None, True

    # --- watching -----------------------------------------------------------------------------

    def _command(self) -> Command | None:
        try:
            return self._commands.get_nowait()
        except queue.Empty:
            return None

    def _say(self, cue: Cue, text: str, frame: int | None, push_mm: float = 0.0) -> None:
        self._said = (cue, text, frame)
        self._push = push_mm
        self._show()

    def _show(self) -> None:
        self._tell(Moment(*self._said, self._film, self._push, self._live, self._done))

    def _look(self) -> None:
        """Take one live picture in."""
        camera = self._session.tethered.connected()
        try:
            self._live = camera.preview()
            linear = read_linear(self._live)[..., 1]
        except CameraLost:
            raise
        except (CameraError, LiveViewUnreadable):
            self._failures += 1
            self._watch.lose_count()
            if self._failures >= _LIVE_FAILURES:
                raise
            return
        self._failures = 0
        self._film = self._watch.take(linear, self._clock())
        if self._film.state in (FilmState.OPEN_GATE, FilmState.DARK):
            self._fresh = True
        self._show()

    @contextmanager
    def _watching(self) -> Iterator[None]:
        """Look at the film also while a file is fetched or judged."""
        tethered, verdicts = self._session.tethered, self._session.verdicts
        camera, judge = tethered.connected(), verdicts.judging
        tethered.camera = _WatchedCamera(camera, self._look)
        verdicts.judging = _WatchedJudge(judge, self._look)
        try:
            yield
        finally:
            tethered.camera, verdicts.judging = camera, judge


class _WatchedCamera:
    """A camera whose files are fetched in parts, with a look at the film between two of them."""

    def __init__(self, camera: ReconnectableCamera, look: Callable[[], None]) -> None:
        self._camera = camera
        self._look = look
        self._partwise = True

    def __getattr__(self, name: str) -> Any:
        return getattr(self._camera, name)

    def fetch(self, file: CardFile, destination: Path) -> int:
        """See `Camera.fetch`."""
        camera = self._camera
        if not file.size or not isinstance(camera, PartwiseCamera) or not self._partwise:
            return camera.fetch(file, destination)
        done = 0
        while done < file.size:
            size = min(PART_BYTES, file.size - done)
            try:
                done += camera.fetch_part(file, destination, done, size)
            except CameraRefused:
                if done:
                    raise
                self._partwise = False
                return camera.fetch(file, destination)
            self._look()
        return done


class _WatchedJudge:
    """A judge that is waited for with an eye on the film."""

    def __init__(self, judge: Judging, look: Callable[[], None]) -> None:
        self._judge = judge
        self._look = look

    def judge(self, path: Path, request: JudgeRequest) -> Judgement:
        """See `Judging.judge`."""
        with ThreadPoolExecutor(1, "judging") as thread:
            judged = thread.submit(self._judge.judge, path, request)
            while not judged.done():
                self._look()
        return judged.result()
