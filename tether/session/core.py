"""The core of a session: what is stored, where the work stands, the steps and the judgements."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from types import TracebackType
from typing import Self

from tether.archive.archive import Archive
from tether.archive.layout import TRIALS_FOLDER
from tether.archive.open_roll import OpenRoll
from tether.archive.records import Capture, Confirmed, Frame, FrameState, Roll, Scope, Sitting
from tether.bench.light_record import LightKeeper
from tether.bench.light_warnings import light_warnings
from tether.bench.shutter_loan import displaced
from tether.bench.steps import Step, left_out
from tether.camera.protocol import CameraState, Role
from tether.camera.values import shutter_seconds
from tether.capture.bench_shots import BenchShots
from tether.capture.leftover_actions import LeftoverActions
from tether.capture.recovery import recover
from tether.capture.tethered import ReconnectableCamera, Tethered
from tether.capture.transfer import CardTransfer
from tether.errors import NotNow
from tether.session.events import Event, Listener, StepConfirmed
from tether.session.judge import Judgement, JudgeRequest
from tether.session.next_step import Place, find_place
from tether.session.session_values import Judging, View
from tether.session.undo import Undoable, last_undoable
from tether.settings import LAMP, STROBE, Settings
from tether.text import megabytes, plural, printable

_LOADED = ("strip-load", "frame-advance")
"""Steps that say that film lies in the holder."""


class Core:
    """One roll at work: where it stands, its steps, its camera and its judge.

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

    Raises
    ------
    tether.archive.lock.RollBusy
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
    ) -> None:
        self._given = settings or Settings()
        self.settings = self._given
        self.archive = archive
        self.store = archive.store
        self._roll_id = roll.id
        self.open_roll = OpenRoll(archive, roll)
        self.tethered = Tethered(camera)
        self._judge = judge
        self._listener = listener
        self._last: tuple[int, Judgement] | None = None
        self._undo: list[Undoable] = []
        self._release: tuple[int, frozenset[tuple[str, str]]] = (0, frozenset())
        self.transfer = CardTransfer(self.open_roll)
        self.bench_shots = BenchShots(
            self.open_roll, self.tethered, self.transfer, self.settings.storage.raw_bytes
        )
        self.leftovers = LeftoverActions(
            self.open_roll,
            self.tethered,
            self.transfer,
            self._judge_leftover,
            lambda: self.settings.light.kind,
        )
        self.light = LightKeeper(archive.folder(roll) / TRIALS_FOLDER)
        try:
            self.sitting = self._sitting()
            self.found = self._resume()
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

    # --- where the work stands -----------------------------------------------------------

    @property
    def roll(self) -> Roll:
        """The roll as it is stored now."""
        return self.open_roll.roll

    @property
    def camera(self) -> ReconnectableCamera | None:
        """The camera, None where the work goes on without one."""
        return self.tethered.camera

    @property
    def camera_state(self) -> CameraState | None:
        """The camera's state as it was last read, None where it is not known."""
        return self.tethered.state

    @camera_state.setter
    def camera_state(self, state: CameraState | None) -> None:
        self.tethered.state = state

    def frames(self) -> tuple[Frame, ...]:
        """The frames as they are stored now."""
        return self.open_roll.frames()

    def view(self) -> View:
        """Return everything a screen needs."""
        roll = self.roll
        frames = self.store.frames.of(roll)
        confirmed = self._confirmed()
        place = find_place(roll, frames, confirmed, short=self.sitting.short)
        return View(
            roll,
            frames,
            place,
            self.camera_state,
            self.sitting.short,
            self.archive.free_bytes(),
            remarks=light_warnings(
                self.light.kept, frames, self.camera_state, self.settings, self.archive.clock()
            ),
            strobe=self.settings.light.strobe,
            can_undo=last_undoable(self._undo, place, confirmed) is not None,
            camera_name=self.camera.identity.model if self.camera else "",
        )

    def _confirmed(self) -> list[Confirmed]:
        return self.store.journal.confirmed(self.sitting.id, self._roll_id)

    def place(self) -> Place:
        """Return the next thing to do."""
        return self.view().place

    def _sitting(self) -> Sitting:
        """Go on with the last sitting unless the pause was long or the camera is another one."""
        camera = self.camera_key
        last = self.store.journal.last_sitting()
        if last is not None and camera in ("", last.camera):
            pause = self.archive.clock() - datetime.fromisoformat(last.active_at)
            # A clock that was set back gives a negative pause, which is no reason to ask again.
            if pause.total_seconds() < self.settings.sittings.pause_hours * 3600:
                self.store.journal.touch_sitting(last.id)
                return last
        return self.store.journal.begin_sitting(camera)

    @property
    def camera_key(self) -> str:
        """What tells this camera from another one, "" without a camera."""
        return self.tethered.key

    def _resume(self) -> tuple[str, ...]:
        """Find what an earlier stop left behind; return what there is to say about it."""
        said = list(recover(self.transfer, self.camera, self.camera_key))
        # The camera's list of shutter settings is part of a judgement's advice: read it first.
        self.refresh_camera()
        said += [
            f"Frame {frame} had not been judged; that is done now."
            for frame in self._judge_waiting()
        ]
        said += self._shutter_elsewhere()
        if self.camera is not None:
            said += self._room()
        self._announce_what_holds()
        place = self.place()
        self._log("sitting", f"At work on {self.roll.name}; next: {place.sentence()}", place.frame)
        return tuple(said)

    def announce(self, event: Event) -> None:
        """Tell the listener what happened at the bench; without one nothing is done."""
        if self._listener is not None:
            self._listener(event)

    def _announce_what_holds(self) -> None:
        """After an interruption, say which strip and frame were laid into the gate."""
        confirmed = self._confirmed()
        last = {c.key: i for i, c in enumerate(confirmed)}
        for i in sorted(last[key] for key in _LOADED if key in last):
            self.announce(StepConfirmed(confirmed[i]))

    @property
    def film_loaded(self) -> bool:
        """Whether a strip was laid into the holder, as far as was said in this sitting."""
        confirmed = self._confirmed()
        return any(c.key in _LOADED for c in confirmed)

    def _room(self) -> list[str]:
        roll = self.roll
        left = sum(f.state is FrameState.OPEN for f in self.frames())
        need = (
            left * self.open_roll.raw_bytes(self.settings.storage.raw_bytes)
            + self.settings.storage.spare_bytes
        )
        free = self.archive.free_bytes()
        if left == 0 or free >= need:
            return []
        return [
            f"The disk has {megabytes(free)} free; the {plural(left, 'frame')} left on "
            f"{printable(roll.name)} want about {megabytes(need)}. Make room soon."
        ]

    def refresh_camera(self) -> CameraState | None:
        """Read the camera's settings, battery and room afresh."""
        return self.tethered.refresh()

    def reconnect(self) -> tuple[str, ...]:
        """Connect to the camera again, and fetch what it took meanwhile for the open release."""
        self.tethered.reconnect()
        said = list(recover(self.transfer, self.camera, self.camera_key))
        self.refresh_camera()
        self._judge_waiting()
        self._log("camera", "Connected to the camera again.")
        return (*said, *self._shutter_elsewhere())

    def _shutter_elsewhere(self) -> list[str]:
        """Say that an interrupted test has left the shutter somewhere else."""
        left = displaced(self.store, self.camera_key, self.camera_state)
        return [left.sentence()] if left else []

    def _judge_waiting(self) -> list[int]:
        """Judge the captures that a stop left without a verdict; return their frames."""
        waiting = [
            capture
            for frame in self.frames()
            for capture in frame.captures
            if capture.decision is None and not capture.facts.stored
        ]
        for capture in waiting:
            self._judge_capture(capture)
        return [capture.frame for capture in waiting]

    # --- steps -----------------------------------------------------------------------------

    def confirm(self, step: Step | None = None) -> Place:
        """Store that the step that is next was done; return what comes next.

        Raises
        ------
        NotNow
            When the work does not stand at a step, or at another one than ``step``.
        """
        place = self.place()
        if place.step is None or (step is not None and step.key != place.step.key):
            raise NotNow("There is no such step to confirm now.", todo=f"Next: {place.sentence()}")
        at = {Scope.STRIP: place.strip or 0, Scope.FRAME: place.frame or 0}.get(place.step.scope, 0)
        self._confirm(place.step, at, place.frame)
        return self.place()

    def _confirm(self, step: Step, at: int, frame: int | None, how: str = "Done") -> None:
        done = Confirmed(step.scope, at, step.key)
        roll_id = None if step.scope is Scope.SITTING else self._roll_id
        self.announce(StepConfirmed(done))
        self.store.journal.confirm(self.sitting.id, roll_id, done)
        self.archive.write_state(self.roll)
        what = f"“{step.what.rstrip('.')}”"
        self._can_undo(what, lambda: self.store.journal.take_back(self.sitting.id, done), done)
        self.store.journal.touch_sitting(self.sitting.id)
        self._log("step", f"{how}{self._by()}{self._unmeasured(step)}: {step.what}", frame)

    def _unmeasured(self, step: Step) -> str:
        """Return what the log adds where a step was confirmed that could have been measured."""
        kept = self.light.kept
        measured = {"base-exposure": kept.base, "light-test": kept.gate}.get(step.station, kept)
        return ", not measured here" if measured is None else ""

    def _by(self) -> str:
        """Who does it, as words for the log; "" where that is not known."""
        return ""

    def ask_less(self, short: bool) -> str:
        """Shorten the checklist, or ask everything again; return what that means.

        The log names every step that is left out."""
        self.store.journal.set_short(self.sitting.id, short)
        self.sitting = replace(self.sitting, short=short)
        if short:
            names = "; ".join(step.what.rstrip(".") for step in left_out())
            self._log("checklist", f"Shortened. No longer asked: {names}.")
            return f"{len(left_out())} steps of habit are no longer asked; the log names them."
        self._log("checklist", "Whole again: every step is asked.")
        return "Every step is asked again."

    # --- judgement ---------------------------------------------------------------------------

    def _judge_capture(self, capture: Capture) -> Judgement:
        judgement = self._judgement_of(capture)
        self._last = (capture.id, judgement)
        self.store.frames.set_judgement(
            capture.id, judgement.verdict, judgement.facts, judgement.memory
        )
        findings = "; ".join(judgement.facts.texts) or "nothing to object to"
        self._log("verdict", f"{judgement.verdict.value}: {findings}", capture.frame)
        self._write_frame(capture.frame)
        return judgement

    def _judge_leftover(self, capture: Capture) -> None:
        self._judge_capture(capture)
        self.store.journal.touch_sitting(self.sitting.id)

    def _judgement_of(self, capture: Capture) -> Judgement:
        roll = self.roll
        shutter = capture.settings.get(Role.SHUTTER.value, "")
        seconds = shutter_seconds(shutter)
        offered = self.camera_state.settings.get(Role.SHUTTER) if self.camera_state else None
        choices = offered.choices if offered else ()
        request = JudgeRequest(
            process=roll.process,
            format_key=roll.format_key,
            frame=capture.frame,
            shutter=(shutter, seconds) if seconds else None,
            shutters=tuple((c, s) for c in choices if (s := shutter_seconds(c))),
            memory=self.store.rolls.memory(roll.id),
            settings=self._settings_of(capture),
            light=self.light.kept,
            order=sum(c.id <= capture.id for f in self.frames() for c in f.captures),
        )
        return self._judge.judge(self.archive.file(roll, capture.file_name), request)

    def _settings_of(self, capture: Capture) -> Settings:
        """Return the settings with the light that lit a picture, whatever lies there by now."""
        if not capture.settings:  # one that was found: nothing is known of it
            return self.settings
        kind = STROBE if capture.strobe else LAMP
        return replace(self.settings, light=replace(self.settings.light, kind=kind))

    def judgement(self, capture: Capture) -> Judgement:
        """Return a stored capture's judgement for showing, made afresh unless it is the last."""
        if self._last is None or self._last[0] != capture.id:
            self._last = (capture.id, self._judgement_of(capture))
        return self._last[1]

    # --- keeping record ------------------------------------------------------------------

    def _decided(self, frame: int, text: str) -> Place:
        self.store.journal.touch_sitting(self.sitting.id)
        self._log("choice", text, frame)
        self._write_frame(frame)
        return self.place()

    def _can_undo(
        self, what: str, put_back: Callable[[], None], step: Confirmed | None = None
    ) -> None:
        newest = max((c.id for f in self.frames() for c in f.captures), default=0)
        self._undo.append(Undoable(what, put_back, step, newest))

    def undo(self) -> str:
        """Take the last step or choice of this start back; return what it was.

        Pictures are never undone: a picture whose choice is undone waits for a choice again, and
        the steps that a waiting picture was taken upon stand; see `last_undoable`.

        Raises
        ------
        NotNow
            When nothing was done since the program was started that could be taken back.
        """
        before = self.place()
        at = last_undoable(self._undo, before, self._confirmed())
        if at is None and self._undo and before.capture is not None:
            raise NotNow(
                "There is nothing to undo: the steps before this picture stand, as it was taken "
                "upon them.",
                todo="Choose: K keeps it, A shoots again.",
            )
        if at is None:
            raise NotNow("There is nothing to undo since the program was started.")
        undone = self._undo[at]
        del self._undo[at:]
        undone.put_back()
        after = self.place()
        self._log("undo", f"Undone: {undone.what}", after.frame)
        if before.capture is not None and after.frame != before.frame:
            return f"{undone.what}; the picture of frame {before.frame} waits as well"
        return undone.what

    def _write_frame(self, frame: int) -> None:
        self.open_roll.write_frame(frame)

    def _log(self, kind: str, text: str, frame: int | None = None) -> None:
        self.open_roll.log(kind, text, frame)
