"""From a released shutter, or the camera's own button, to a judged picture in the archive."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from tether.archive.records import Capture, Scope
from tether.bench.steps import BY_KEY
from tether.camera.errors import BatteryLow, CameraError, CameraLost, CameraRefused, CardFull
from tether.camera.protocol import CardFile
from tether.capture.transfer import Progress, SamePicture, Transferred
from tether.errors import NotNow
from tether.session.core import Core
from tether.session.next_step import Place, Todo, in_force
from tether.session.session_values import Shot
from tether.text import printable


class Shooting(Core):
    """A session that takes pictures."""

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
        self.tethered.check_before_release(self.open_roll, self.settings.storage.raw_bytes)
        self._frame_in_gate(place)
        report = report or (lambda _: None)
        report(Progress("fire"))
        intent = self.store.journal.begin(
            self._roll_id,
            "release",
            place.frame,
            {
                "camera": self.camera_key,
                "settings": self.tethered.settings_now(self.settings.light.kind),
            },
        )
        try:
            files = self.camera.capture()
        except (BatteryLow, CardFull) as error:
            self.store.journal.end(intent)
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

    def _frame_in_gate(self, place: Place) -> None:
        """Shooting says that the frame lies in the gate, also where that was not asked."""
        confirmed = self.store.journal.confirmed(self.sitting.id, self._roll_id)
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
        except CameraError as gone:
            self.camera_state = None
            # A cable that is out can look like a refusal at first; that it is out is what helps.
            raise CameraLost(
                f"The camera does not answer any more. At first: {error.what}",
                kept="Whatever it has on its card is looked for when it is connected again.",
                todo=gone.todo or error.todo,
            ) from None
        for waiting in self.frames()[frame - 1].captures:
            if waiting.decision is None and waiting.origin == "card":
                return Shot(((waiting, self.judgement(waiting)),), said)
        if isinstance(error, SamePicture):
            raise error
        raise CameraLost(
            error.what,
            kept=f"The camera is connected. {' '.join(said)}"
            if said
            else "The camera is connected; it made no picture of this frame.",
            todo=f"{self._battery_hint()}{error.todo or 'Shoot the frame again.'}",
        )

    def _battery_hint(self) -> str:
        """Say so when the battery is what may be wrong: a camera only says that it is not ready."""
        percent = self.camera_state.battery_percent if self.camera_state else None
        if percent is None or percent >= self.settings.camera.battery_percent:
            return ""
        return f"The camera's battery is at {percent:.0f} %: charge it or connect mains power. "

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
            transferred: Transferred = self.transfer.take(
                self.camera,
                self.camera_key,
                files,
                frame,
                origin,
                self.tethered.settings_now(self.settings.light.kind),
                intent,
                report,
            )
        except CameraError as error:
            self._log("camera", f"A picture was not fetched: {error}", frame)
            # A connection that breaks is reported as a general refusal by some drivers: look again.
            if isinstance(error, CameraLost | CameraRefused | SamePicture) and intent is not None:
                return self._after_loss(error, frame, report)
            raise
        report(Progress("judge"))
        judged = tuple((c, self._judge_capture(c)) for c in transferred.captures)
        judged = tuple((self._stored(c), j) for c, j in judged)
        self.store.journal.touch_sitting(self.sitting.id)
        late = origin == "button" and self._late_for(files) == frame
        if judged:
            self._release = (frame, frozenset(map(_stem, files)))
        elif not transferred.repeated and not late:
            raise CameraRefused(
                "The camera gave no raw file for this frame.",
                kept=" ".join(transferred.said) or "What it gave is filed beside the raw files.",
                todo="Set its image format to raw, or raw and JPEG, and shoot again.",
            )
        return Shot(judged, transferred.said)

    def _stored(self, capture: Capture) -> Capture:
        return self.open_roll.stored(capture)


def _stem(file: CardFile) -> tuple[str, str]:
    return file.folder, file.name.rpartition(".")[0]


def _left_on_card(files: Sequence[CardFile]) -> str:
    names = ", ".join(printable(f.name, 40) for f in files)
    return (
        f"The camera took {names}, but every frame of the roll is decided: the picture stays on "
        "the card. Add a frame, or go to one, and take it again."
    )
