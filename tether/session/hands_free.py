"""Hands free: the film is the control. At rest and lying right, it is photographed without a key.

The film is watched through live view all the time, also while a file is fetched and judged, so the
person moves it on as soon as the exposure is over. A picture with KEEP is kept; one to reshoot
never is: the film is pushed back or set right, and at rest it is photographed again.
"""

from __future__ import annotations

import queue
import time
from collections.abc import Callable
from dataclasses import replace

from tether.archive.records import Capture, FrameState, Scope
from tether.bench.film_watch import FilmMotion, FilmState, FilmWatch
from tether.bench.frame_counter import FrameCounter, Lies, Recognised
from tether.bench.live_placement import live_framing
from tether.bench.steps import steps_of
from tether.capture.transfer import Progress
from tether.errors import NotNow
from tether.film import FILM_FORMATS, FilmFormat
from tether.findings import Verdict
from tether.measure.framing.position import Framing
from tether.session.events import FilmWanted
from tether.session.hands_free_cues import Command, Cue, Moment
from tether.session.live_film import LiveFilm
from tether.session.next_step import NextKind, NextStep
from tether.session.session import Session

_WHICH_SIDE = " Does writing read the right way round? If not, turn the strip over."
_BUTTON_SECONDS = 1.0
"""Between two looks for a picture that was taken with the camera's own button."""
_SPOILS_MORE = frozenset({"dust-not-on-film", "focus-drift", "light-moved"})
"""Findings that the next frames will have too: the work waits for a key, whatever is kept."""
_CUT_OFF_MARGIN_MM = 0.2
"""How much more of a picture must seem cut off in live view than in a raw file to be told."""


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
        self._negative = session.roll.process.is_negative
        self._watch = FilmWatch(self._settings, self._form, negative=self._negative)
        self._counter = FrameCounter(self._watch, self._form, self._settings)
        self._live = LiveFilm(session, self._watch, self._show, clock)
        self._commands: queue.SimpleQueue[Command] = queue.SimpleQueue()
        self._begun_at: float | None = None
        self._button_at = self._reminded = 0.0
        self._last: int | None = None
        self._placed = False
        self._goal_mm: float | None = None
        self._looked_at: tuple[int, Recognised | None, Framing | None] = (0, None, None)
        self._touched = False
        self._by_key: int | None = None
        self._said: tuple[Cue, str, int | None] = (Cue.HOLD_STILL, "", None)
        self._done = self._releases = 0
        self._place = NextStep(NextKind.DONE)

    def command(self, command: Command) -> None:
        """Say something by a key; safe from any thread."""
        self._commands.put(command)

    def run(self, stopped: Callable[[], bool]) -> None:
        """Work until the roll is complete, keys are needed, or ``stopped``; may be called again.

        Raises
        ------
        CameraError, FilingError, ArchiveUnusable
            As `Session.capture`; the place is kept.
        """
        self._refresh()
        self._live.begin_anew()
        if self._begun_at is None:
            self._begun_at = self._clock()
            # Keys said that the frame lies in the gate, or nobody has said so yet.
            self._placed = self._place.kind in (NextKind.SHOOT, NextKind.DECIDE)
        with self._live.watching():
            self._session.open_roll.log(
                "checklist", "Hands free: the film at rest is shot; steps are shown, not asked."
            )
            self._session.announce(FilmWanted(self._place.frame, None))
            try:
                while not stopped():
                    self._live.look()
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
        if (error := self._live.check()) is not None:
            self._say(Cue.BY_KEYS, f"There is no live view. {error.what}", place.frame)
            return True
        if command is Command.UNDO:
            self._undo()
        elif place.kind is NextKind.DONE:
            self._say(Cue.DONE, "Every frame is decided.", None)
            return True
        elif place.kind is NextKind.DECIDE and place.capture is not None:
            self._decide(place.capture, command)
        elif place.step is not None and place.step.scope in (Scope.SITTING, Scope.ROLL):
            self._say(Cue.BY_KEYS, f"First by keys: {place.step.what}", place.frame)
            return True
        elif not self._taken_by_button():
            self._shoot_when_right(place, command)
        return False

    def _taken_by_button(self) -> bool:
        """Take in a picture of the camera's own button; it counts like one from here."""
        if self._clock() - self._button_at < _BUTTON_SECONDS:
            return False
        self._button_at = self._clock()
        frame = self._place.frame or 0
        if self._session.shooting.take_from_camera(seconds=0.0) is None:
            return False
        self._begin_at(frame)
        self._refresh()
        return True

    def _undo(self) -> None:
        try:
            said = f"Undone: {self._session.undo()}."
        except NotNow as error:
            said = error.what
        self._refresh()
        waiting = self._place.capture
        self._by_key = waiting.id if waiting else None
        self._last, self._placed = None, False
        self._say(Cue.LOOK if waiting else Cue.HOLD_STILL, said, self._place.frame)

    # --- when to shoot ------------------------------------------------------------------------

    def _shoot_when_right(self, place: NextStep, command: Command | None) -> None:
        """Photograph the frame that is next once the film rests where that frame lies."""
        film, frame = self._live.film, place.frame or 0
        if command is Command.SHOOT:
            self._shoot(place, "by key")
        elif film is not None and film.state is FilmState.HAND:
            self._say(Cue.HAND, "Your hand is in the light. {shoot} shoots anyway.", frame)
        elif film is None or film.state is not FilmState.RESTING:
            self._ask_for_film(place)
        elif not self._begins_strip(place) or (self._form.mounted and self._last is not None):
            self._by_distance(place, film)
        elif self._is_laid(film, frame):
            if not self._told_cut_off(film, frame):
                self._shoot(place)
        else:
            text = f"{{shoot}} shoots the frame in the gate. {self._first_of_strip(place)}"
            self._say(Cue.LAY_STRIP, text, frame)

    def _begins_strip(self, place: NextStep) -> bool:
        """Whether another strip has to be laid for the frame that is next."""
        strip_of = self._session.roll.strip_of
        return self._last is None or strip_of(self._last) != strip_of(place.frame or 0)

    def _first_of_strip(self, place: NextStep) -> str:
        reminders = " ".join(s.what for s in steps_of(Scope.STRIP, short=False, with_film=False))
        return f"Strip {place.strip}, frame {place.frame} first. {reminders}"

    def _ask_for_film(self, place: NextStep) -> None:
        film = self._live.film
        if self._begins_strip(place) and film is not None and film.state is FilmState.OPEN_GATE:
            self._say(Cue.LAY_STRIP, self._first_of_strip(place), place.frame)
        elif self._said[0] is not Cue.MOVE_ON:
            self._say(Cue.HOLD_STILL, f"Frame {place.frame} is next.", place.frame)

    def _is_laid(self, film: FilmMotion, frame: int) -> bool:
        """Whether film was laid, or moved to its frame, since nobody can have counted."""
        seen = self._seen(film)
        if seen is not None and seen.frame != frame and film.resting_seconds < self._insist:
            return False
        if seen is not None and seen.frame == frame and self._last is None:
            return True
        if self._placed or self._live.gone_dark:
            return True
        if self._last is None and not film.certain:
            self._watch.mark()  # what lies here at first was not laid for this
        return self._last is None and abs(film.moved_mm) > self._form.pitch / 4

    @property
    def _insist(self) -> float:
        return self._settings.insist_seconds

    def _seen(self, film: FilmMotion) -> Recognised | None:
        """Return the frame of this run that film at rest shows; looked up once while it rests."""
        self._look_closely(film)
        return self._looked_at[1]

    def _look_closely(self, film: FilmMotion) -> None:
        if self._looked_at[0] == self._live.rests or self._live.linear is None:
            return
        framing = live_framing(
            self._live.linear, self._form, self._negative, self._session.settings.framing
        )
        sure = framing is not None and framing.sure
        if framing is not None and sure:
            self._watch.scaled(1 / framing.scale)
        self._counter.landmark(framing.offset_mm[0] if framing is not None and sure else None)
        seen = None if film.certain and self._last is not None else self._counter.recognise()
        self._looked_at = (self._live.rests, seen, framing)

    def _told_cut_off(self, film: FilmMotion, frame: int) -> bool:
        """Say that a part of the picture is out of view, where live view shows it for certain."""
        self._look_closely(film)
        framing = self._looked_at[2]
        if framing is None or not framing.sure or film.resting_seconds >= self._insist:
            return False
        side = max(framing.missing, key=lambda s: framing.missing[s])
        lost = framing.missing[side]
        if lost <= self._session.settings.framing.missing_mm + _CUT_OFF_MARGIN_MM:
            return False
        text = f"Frame {frame} is next. {lost:.1f} mm of it is out of view."
        forward = self._counter.forward_mm(film)
        goal = forward - self._counter.along_mm(framing.offset_mm[0])
        self._say(Cue.WRONG_PLACE, text, frame, goal if side in self._ends(framing) else None)
        return True

    def _ends(self, framing: Framing) -> tuple[str, str]:
        return ("top", "bottom") if framing.turned else ("left", "right")

    def _by_distance(self, place: NextStep, film: FilmMotion) -> None:
        frame, wanted = place.frame or 0, (place.frame or 0) - (self._last or 0)
        self._look_closely(film)
        lies, off = self._counter.lies(film, wanted)
        if lies is Lies.RIGHT:
            loose = abs(off) > self._settings.placement_mm
            if not self._told_cut_off(film, frame):
                self._shoot(place, f"as it lay, {abs(off):.1f} mm off" if loose else "")
            return
        goal = self._form.pitch * wanted
        if lies is Lies.UNKNOWN:
            self._find_again(film, frame)
        elif lies is Lies.SEEN:
            self._say(Cue.MOVE_ON, f"Frame {frame} is next. This one was shot already.", frame)
        elif lies is Lies.NOT_MOVED:
            self._say(Cue.MOVE_ON, f"Frame {frame} is next.", frame, goal)
        else:
            far = f"{abs(off):.0f} mm {'too far' if off > 0 else 'short'}"
            self._say(Cue.WRONG_PLACE, f"Frame {frame} is next. The film is {far}.", frame, goal)
        if film.resting_seconds - self._reminded > self._insist:
            self._reminded = film.resting_seconds
            self._session.announce(FilmWanted(frame, self._last))

    def _find_again(self, film: FilmMotion, frame: int) -> None:
        """Look which frame it is where the film was lost from sight."""
        seen, strip_of = self._seen(film), self._session.roll.strip_of
        same_strip = seen is not None and strip_of(seen.frame) == strip_of(self._last or 0)
        if seen is not None and same_strip and self._counter.count_from(seen):
            return
        like = f"It looks like frame {seen.frame}. " if seen else "The film was lost from sight. "
        self._say(Cue.COUNT_LOST, f"{like}Frame {frame} in the gate? {{shoot}} shoots it.", frame)

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
        first = self._begins_strip(place)
        self._begin_at(frame)
        told = False

        def exposed() -> None:
            nonlocal told
            if not told:
                told = True
                self._move_on(frame, _WHICH_SIDE if first else "")

        def report(progress: Progress) -> None:
            if progress.phase == "fetch":
                exposed()

        self._live.when_exposed = exposed
        try:
            self._session.capture(report)
        except BaseException:
            self._last, self._placed = None, False
            raise
        finally:
            self._live.when_exposed = None
            self._releases += 1
            self._refresh()
        while self._command() is not None:
            pass  # said of what was on show before this picture

    def _begin_at(self, frame: int) -> None:
        """Count from this frame, which is photographed where the film lies."""
        self._counter.begin(frame)
        self._last, self._placed, self._reminded = frame, False, 0.0
        self._live.gone_dark = False

    def _move_on(self, frame: int, asked: str) -> None:
        roll = self._session.roll
        others = [f for f in self._session.frames() if f.number != frame]
        following = replace(self._session.roll, cursor=None).next_frame(others, frame)
        if following is None:
            self._say(Cue.HOLD_STILL, "That was the last frame.", frame)
        elif roll.strip_of(following) != roll.strip_of(frame) and not self._form.mounted:
            self._say(Cue.LAY_STRIP, f"Next is frame {following}, on another strip.", following)
        else:
            distance = None if self._form.mounted else (following - frame) * self._form.pitch
            self._say(Cue.MOVE_ON, f"Next is frame {following}.{asked}", following, distance)
        self._session.announce(FilmWanted(following, frame))

    # --- what was taken -----------------------------------------------------------------------

    def _decide(self, capture: Capture, command: Command | None) -> None:
        """Keep what may be kept without a key; say what is wrong with everything else."""
        if capture.verdict is None:  # the work was stopped before it had one
            self._session.verdicts.judge_waiting()
            self._refresh()
            return
        verdict = capture.verdict
        if command is Command.KEEP or (capture.id != self._by_key and self._keeps(capture)):
            if verdict is Verdict.KEEP:
                self._counter.confirmed()
            self._session.keep()
            self._refresh()
            return
        if command is Command.AGAIN:
            self._again()
            return
        cue = Cue.RESHOOT if verdict is Verdict.RESHOOT else Cue.LOOK
        if (self._said[0], self._said[2]) != (cue, capture.frame):
            why = " ".join(capture.facts.texts) or "The choice is yours."
            if cue is Cue.RESHOOT:
                why += " {reshoot} first, if it now looks otherwise in live view."
            self._say(cue, why, capture.frame, 0.0 if self._last == capture.frame else None)
            self._session.announce(FilmWanted(capture.frame, capture.frame))
            self._counter.doubted()
            self._touched = False
        film = self._live.film
        if film is None or verdict is not Verdict.RESHOOT or capture.id == self._by_key:
            return
        if film.state is not FilmState.RESTING:
            self._touched = True
        elif self._touched and self._lies_again(film, capture.frame):
            self._again()

    def _keeps(self, capture: Capture) -> bool:
        """Whether a take is kept without a key."""
        if any(finding.code in _SPOILS_MORE for finding in capture.facts.findings):
            return False
        return capture.verdict is Verdict.KEEP or (
            capture.verdict is Verdict.LOOK and self._settings.keep_check
        )

    def _lies_again(self, film: FilmMotion, frame: int) -> bool:
        """Whether film at rest is the frame that was taken.

        After an open gate it has to look like it: the next strip may lie there already.
        """
        if film.certain and self._last == frame:
            return abs(film.moved_mm) < self._form.pitch / 4
        seen = self._seen(film)
        return seen is not None and seen.frame == frame

    def _again(self) -> None:
        self._session.shoot_again()
        self._refresh()
        self._last, self._placed = None, True

    # --- what is said -------------------------------------------------------------------------

    def _command(self) -> Command | None:
        try:
            return self._commands.get_nowait()
        except queue.Empty:
            return None

    def _say(self, cue: Cue, text: str, frame: int | None, goal_mm: float | None = None) -> None:
        """Say what to do; ``goal_mm`` is where the film should be, forward from the last frame."""
        self._goal_mm = goal_mm
        if self._said != (cue, text, frame):
            self._said = (cue, text, frame)
            self._show()

    def _show(self) -> None:
        film, state = self._live.film, self._session.tethered.state
        push = 0.0
        if self._goal_mm is not None and film is not None and film.certain:
            push = self._goal_mm - self._counter.forward_mm(film)
        self._tell(
            Moment(
                *self._said,
                film,
                push,
                self._live.linear,
                self._done,
                self._releases,
                self._clock() - (self._begun_at or self._clock()),
                state.battery_percent if state else None,
            )
        )
