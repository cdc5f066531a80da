"""The session: one roll, one camera, one judge, and every action a person can take.

All methods block and are called from one thread; what they return are values that another
thread may show. The next thing to do is derived from the store after each of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Protocol

from tether.camera.errors import BatteryLow, CameraError, CameraLost, CameraRefused, CardFull
from tether.camera.protocol import Camera, CameraState, CardFile, Role
from tether.camera.values import image_format, shutter_seconds
from tether.errors import TetherError
from tether.session.archive import Archive
from tether.session.checklist import BY_KEY, Scope, Step, left_out
from tether.session.delivery import Delivered, Delivery, Progress
from tether.session.judging import Judgement, JudgeRequest
from tether.session.place import Place, Todo, find_place, in_force
from tether.session.recovery import recover
from tether.session.roll import LONGEST_ROLL, Capture, Frame, FrameState, Roll, RollError
from tether.session.store import Confirmed, Sitting
from tether.settings import Settings
from tether.text import megabytes, plural, printable


class Judging(Protocol):
    """What judges a raw file; see `tether.session.judging.Judge`."""

    def judge(self, path: Path, request: JudgeRequest) -> Judgement:
        """Judge a file; never raises for a file that is bad."""
        ...


class SessionCamera(Camera, Protocol):
    """A camera that can be connected to again after it was lost."""

    def reconnect(self) -> None:
        """Connect anew to the same port."""
        ...


@dataclass(frozen=True, slots=True)
class View:
    """Everything a screen needs, as one value."""

    roll: Roll
    frames: tuple[Frame, ...]
    place: Place
    camera: CameraState | None
    short: bool
    free_bytes: int

    @property
    def done(self) -> int:
        """How many frames are decided."""
        return sum(f.state is not FrameState.OPEN for f in self.frames)


@dataclass(frozen=True, slots=True)
class Shot:
    """What came of a release: the captures with their judgements, and what there is to say."""

    captures: tuple[tuple[Capture, Judgement], ...]
    said: tuple[str, ...] = ()


class NotNow(TetherError):
    """The action does not fit the place where the work stands; nothing was changed."""


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
    on_step
        Called with each step when it is confirmed; the rehearsal's hand moves the film on it.

    Raises
    ------
    tether.session.lock.RollBusy
        When another program is at work on the roll.
    """

    def __init__(
        self,
        archive: Archive,
        roll: Roll,
        camera: SessionCamera | None,
        judge: Judging,
        settings: Settings | None = None,
        on_step: Callable[[Confirmed], None] | None = None,
    ) -> None:
        self.settings = settings or Settings()
        self.archive = archive
        self.store = archive.store
        self._roll_id = roll.id
        self._lock = archive.open_roll(roll)
        self.camera = camera
        self._judge = judge
        self._on_step = on_step
        self.camera_state: CameraState | None = None
        self._last: tuple[int, Judgement] | None = None
        self._release: tuple[int, frozenset[tuple[str, str]]] = (0, frozenset())
        self._delivery = Delivery(archive, roll.id)
        try:
            self.sitting = self._sitting()
            self.found = self._resume()
        except BaseException:
            self._lock.release()
            raise

    def __enter__(self) -> Session:
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
        self._lock.release()

    # --- where the work stands -----------------------------------------------------------

    @property
    def roll(self) -> Roll:
        """The roll as it is stored now."""
        return self.store.roll_by_id(self._roll_id)

    def frames(self) -> tuple[Frame, ...]:
        """The frames as they are stored now."""
        return self.store.frames(self.roll)

    def view(self) -> View:
        """Return everything a screen needs."""
        roll = self.roll
        frames = self.store.frames(roll)
        confirmed = self.store.confirmed(self.sitting.id, roll.id)
        place = find_place(roll, frames, confirmed, short=self.sitting.short)
        return View(
            roll, frames, place, self.camera_state, self.sitting.short, self.archive.free_bytes()
        )

    def place(self) -> Place:
        """Return the next thing to do."""
        return self.view().place

    def _sitting(self) -> Sitting:
        """Go on with the last sitting unless the pause was long or the camera is another one."""
        camera = self.camera_key
        last = self.store.last_sitting()
        if last is not None and camera in ("", last.camera):
            pause = datetime.now(UTC) - datetime.fromisoformat(last.active_at)
            # A clock that was set back gives a negative pause, which is no reason to ask again.
            if pause.total_seconds() < self.settings.sittings.pause_hours * 3600:
                self.store.touch_sitting(last.id)
                return last
        return self.store.begin_sitting(camera)

    @property
    def camera_key(self) -> str:
        """What tells this camera from another one, "" without a camera."""
        if self.camera is None:
            return ""
        who = self.camera.identity
        return printable(f"{who.maker}/{who.model}/{who.serial}")

    def _resume(self) -> tuple[str, ...]:
        """Find what an earlier stop left behind; return what there is to say about it."""
        said = list(recover(self._delivery, self.camera, self.camera_key))
        roll = self.roll
        for frame in self.frames():
            for capture in frame.captures:
                if capture.decision is None and not capture.facts:
                    self._judge_capture(capture)
                    said.append(f"Frame {frame.number} had not been judged; that is done now.")
        if self.camera is not None:
            self.refresh_camera()
            said += self._room()
        place = self.place()
        self._log("sitting", f"At work on {roll.name}; next: {place.sentence()}", place.frame)
        return tuple(said)

    def _room(self) -> list[str]:
        roll = self.roll
        left = sum(f.state is FrameState.OPEN for f in self.frames())
        need = left * self._raw_bytes() + self.settings.storage.spare_bytes
        free = self.archive.free_bytes()
        if left == 0 or free >= need:
            return []
        return [
            f"The disk has {megabytes(free)} free; the {plural(left, 'frame')} left on "
            f"{printable(roll.name)} want about {megabytes(need)}. Make room soon."
        ]

    def _raw_bytes(self) -> float:
        sizes = [c.size for f in self.frames() for c in f.captures]
        return max(sizes) if sizes else self.settings.storage.raw_bytes

    def refresh_camera(self) -> CameraState | None:
        """Read the camera's settings, battery and room afresh."""
        if self.camera is not None:
            # A state that cannot be read is not known: what was known before says nothing now.
            self.camera_state = None
            self.camera_state = self.camera.state()
        return self.camera_state

    def reconnect(self) -> tuple[str, ...]:
        """Connect to the camera again, and fetch what it took meanwhile for the open release."""
        if self.camera is None:
            raise NotNow("There is no camera to connect to.", todo="Start again with a camera.")
        self.camera_state = None
        self.camera.reconnect()
        said = list(recover(self._delivery, self.camera, self.camera_key))
        self._judge_waiting()
        self.refresh_camera()
        self._log("camera", "Connected to the camera again.")
        return tuple(said)

    def _judge_waiting(self) -> None:
        for frame in self.frames():
            for capture in frame.captures:
                if capture.decision is None and not capture.facts:
                    self._judge_capture(capture)

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
        if self._on_step:
            self._on_step(done)
        self.store.confirm(self.sitting.id, roll_id, done)
        self.store.touch_sitting(self.sitting.id)
        self._log("step", f"{how}: {step.what}", frame)

    def ask_less(self, short: bool) -> str:
        """Shorten the checklist, or ask everything again; return what that means.

        The log names every step that is left out."""
        self.store.set_short(self.sitting.id, short)
        self.sitting = replace(self.sitting, short=short)
        if short:
            names = "; ".join(step.what.rstrip(".") for step in left_out())
            self._log("checklist", f"Shortened. No longer asked: {names}.")
            return f"{len(left_out())} steps of habit are no longer asked; the log names them."
        self._log("checklist", "Whole again: every step is asked.")
        return "Every step is asked again."

    # --- capture ---------------------------------------------------------------------------

    def capture(self, report: Callable[[Progress], None] | None = None) -> Shot:
        """Fire the shutter for the frame that is next; file and judge what comes of it.

        Raises
        ------
        NotNow
            When the work stands somewhere else.
        CameraError
            When no picture came. What the camera may hold is looked for when it is connected
            again.
        IntakeError, ArchiveUnusable
            When the picture could not be filed; the camera keeps its copy.
        """
        place = self.place()
        if self.camera is None:
            raise NotNow("No camera is connected.", todo="Attach the camera and start again.")
        if place.todo is not Todo.SHOOT or place.frame is None:
            raise NotNow("This is not the moment to shoot.", todo=f"Next: {place.sentence()}.")
        self._before_release()
        self._frame_in_gate(place)
        report = report or (lambda _: None)
        report(Progress("fire"))
        intent = self.store.begin(
            self._roll_id,
            "release",
            place.frame,
            {"camera": self.camera_key, "settings": self._settings_now()},
        )
        try:
            files = self.camera.capture()
        except (BatteryLow, CardFull) as error:
            self.store.end(intent)
            self._log("camera", f"No picture: {error}", place.frame)
            raise
        except CameraError as error:
            # Even a refusal can hide a picture: libgphoto2 reports a connection that breaks
            # after the shutter was fired as a general error. The card tells.
            self._log("camera", f"No picture came of a release: {error}", place.frame)
            return self._after_loss(error, place.frame, report)
        return self._take_in(files, place.frame, "program", intent, report)

    def take_from_camera(self, report: Callable[[Progress], None] | None = None) -> Shot | None:
        """Look for a picture taken with the camera's own button or a release; None for none.

        Such a picture counts like one fired from here, for the frame that is next. Without a
        frame to give it to it stays on the card, and that is said.
        """
        if self.camera is None:
            return None
        files = self.camera.wait_for_files(0.15)
        if not files:
            return None
        report = report or (lambda _: None)
        late = self._late_for(files)
        if late is not None:
            return self._take_in(files, late, "button", None, report)
        place = self.place()
        if place.frame is None:
            return Shot((), (_left_on_card(files),))
        self._frame_in_gate(place)
        return self._take_in(files, place.frame, "button", None, report)

    def _late_for(self, files: Sequence[CardFile]) -> int | None:
        """Return the frame whose release files belong to that come after it, None for none.

        The second file of raw and JPEG has the first one's name but for its ending.
        """
        frame, stems = self._release
        return frame if files and all(_stem(f) in stems for f in files) else None

    def _before_release(self) -> None:
        state = self.refresh_camera()
        said = state.value(Role.IMAGE_FORMAT) if state else None
        kind = image_format(said) if said else None
        if kind is not None and not kind.has_raw:
            raise CameraRefused(
                f"The camera is set to {printable(said or '')}, which gives no raw file.",
                kept="Nothing was shot.",
                todo="Set its image format to raw, or raw and JPEG.",
            )
        need = 2 * self._raw_bytes()
        free = self.archive.free_bytes()
        if free < need:
            raise TetherError(
                f"The archive's disk has only {megabytes(free)} left.",
                kept="Nothing was shot; all that was filed is safe.",
                todo="Make room on the disk, then go on.",
            )

    def _frame_in_gate(self, place: Place) -> None:
        """Shooting says that the frame lies in the gate, also where that was not asked."""
        confirmed = self.store.confirmed(self.sitting.id, self._roll_id)
        for scope, at, key in (
            (Scope.STRIP, place.strip or 0, "strip-load"),
            (Scope.FRAME, place.frame or 0, "frame-advance"),
        ):
            if key not in in_force(confirmed, scope, at):
                self._confirm(BY_KEY[key], at, place.frame, "Taken as done by shooting")

    def _after_loss(
        self, error: CameraError, frame: int, report: Callable[[Progress], None]
    ) -> Shot:
        """After a camera went silent: connect again and look on its card for the picture."""
        assert self.camera is not None, "only a camera can be lost"
        report(Progress("reconnect"))
        try:
            said = self.reconnect()
        except CameraError:
            self.camera_state = None
            raise error from None
        for waiting in self.frames()[frame - 1].captures:
            if waiting.decision is None and waiting.origin == "card":
                return Shot(((waiting, self.judgement(waiting)),), said)
        raise CameraLost(
            error.what,
            kept="The camera is connected; it made no picture of this frame.",
            todo=error.todo or "Shoot the frame again.",
        )

    def _take_in(
        self,
        files: Sequence[CardFile],
        frame: int,
        origin: str,
        intent: int | None,
        report: Callable[[Progress], None],
    ) -> Shot:
        assert self.camera is not None, "files come from a camera"
        try:
            delivered: Delivered = self._delivery.take(
                self.camera,
                self.camera_key,
                files,
                frame,
                origin,
                self._settings_now(),
                intent,
                report,
            )
        except CameraError as error:
            self._log("camera", f"A picture was not fetched: {error}", frame)
            if isinstance(error, CameraLost) and intent is not None:
                return self._after_loss(error, frame, report)
            raise
        report(Progress("judge"))
        judged = tuple((c, self._judge_capture(c)) for c in delivered.captures)
        judged = tuple((self._stored(c), j) for c, j in judged)
        self.store.touch_sitting(self.sitting.id)
        late = origin == "button" and self._late_for(files) == frame
        if judged:
            self._release = (frame, frozenset(map(_stem, files)))
        elif not delivered.repeated and not late:
            raise CameraRefused(
                "The camera gave no raw file for this frame.",
                kept=" ".join(delivered.said) or "What it gave is filed beside the raw files.",
                todo="Set its image format to raw, or raw and JPEG, and shoot again.",
            )
        return Shot(judged, delivered.said)

    def _settings_now(self) -> dict[str, str]:
        state = self.camera_state
        return {r.value: s.value for r, s in state.settings.items()} if state else {}

    def _stored(self, capture: Capture) -> Capture:
        frame = self.frames()[capture.frame - 1]
        return next(c for c in frame.captures if c.id == capture.id)

    # --- judgement ---------------------------------------------------------------------------

    def _judge_capture(self, capture: Capture) -> Judgement:
        judgement = self._judgement_of(capture)
        self._last = (capture.id, judgement)
        self.store.set_judgement(
            capture.id, judgement.verdict.value, judgement.facts, judgement.memory
        )
        findings = "; ".join(f.text for f in judgement.findings) or "nothing to object to"
        self._log("verdict", f"{judgement.verdict.value}: {findings}", capture.frame)
        self._write_frame(capture.frame)
        return judgement

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
            memory=self.store.memory(roll.id),
            settings=self.settings,
        )
        return self._judge.judge(self.archive.file(roll, capture.file_name), request)

    def judgement(self, capture: Capture) -> Judgement:
        """Return a stored capture's judgement for showing, made afresh unless it is the last."""
        if self._last is None or self._last[0] != capture.id:
            self._last = (capture.id, self._judgement_of(capture))
        return self._last[1]

    # --- decisions -----------------------------------------------------------------------------

    def keep(self) -> Place:
        """Keep the picture that waits: it stands for the frame."""
        place = self.place()
        if place.capture is None or place.frame is None:
            raise NotNow("There is no picture waiting to be kept.")
        self.store.decide(self._roll_id, place.frame, FrameState.KEPT, place.capture.id)
        return self._decided(place.frame, f"Kept {place.capture.file_name}")

    def shoot_again(self) -> Place:
        """Put the picture that waits aside; it stays on disk, and the frame is shot again."""
        place = self.place()
        if place.capture is None or place.frame is None:
            raise NotNow("There is no picture waiting to be put aside.")
        self.store.set_aside(place.capture.id)
        return self._decided(place.frame, f"Put aside {place.capture.file_name}; shoot again")

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
        advice = waiting.facts.get("advice_shutter") if waiting else None
        if waiting is None or not isinstance(advice, str) or self.camera is None:
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
        frame = self.frames()[place.frame - 1]
        newest = (
            frame.captures[-1].id if frame.captures and state is not FrameState.SKIPPED else None
        )
        if state is FrameState.SKIPPED and frame.chosen is not None:
            return self.go_to(None)
        self.store.decide(self._roll_id, place.frame, state, newest)
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
        self.store.set_cursor(roll.id, frame)
        place = self.place()
        self._log("go", f"Went to frame {place.frame}" if place.frame else "Went on", place.frame)
        return place

    def one_more_frame(self) -> Place:
        """Add a frame at the roll's end: the film had one more than was counted."""
        roll = self.roll
        if roll.frames_expected >= LONGEST_ROLL:
            raise RollError(f"A roll has at most {LONGEST_ROLL} frames.")
        self.store.change_roll(roll.id, frames_expected=roll.frames_expected + 1)
        self.archive.write_roll(self.roll)
        self._log("roll", f"The roll has {plural(roll.frames_expected + 1, 'frame')} now.")
        return self.place()

    def note(self, text: str, frame: int | None = None) -> int:
        """Write a note about a frame (the one that is next unless named); return its number."""
        number = frame or self.place().frame or self.roll.frames_expected
        tidy = printable(text.strip(), 2000)
        self.store.set_note(self._roll_id, number, tidy)
        self._decided(number, f"Note: {tidy}")
        return number

    def _decided(self, frame: int, text: str) -> Place:
        self.store.touch_sitting(self.sitting.id)
        self._log("choice", text, frame)
        self._write_frame(frame)
        return self.place()

    def _write_frame(self, frame: int) -> None:
        self.archive.write_frame(self.roll, self.frames()[frame - 1])

    def _log(self, kind: str, text: str, frame: int | None = None) -> None:
        self.store.log(kind, text, self._roll_id, frame)


def _stem(file: CardFile) -> tuple[str, str]:
    return file.folder, file.name.rpartition(".")[0]


def _left_on_card(files: Sequence[CardFile]) -> str:
    names = ", ".join(printable(f.name, 40) for f in files)
    return (
        f"The camera took {names}, but every frame of the roll is decided: the picture stays on "
        "the card. Add a frame, or go to one, and take it again."
    )
