"""From a released shutter, or the camera's own button, to a judged picture in the archive."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from tether.archive.records import Capture, Scope
from tether.bench.benches import WorkBench
from tether.bench.shutter_loan import displaced
from tether.bench.steps import BY_KEY
from tether.camera.errors import BatteryLow, CameraError, CameraLost, CameraRefused, CardFull
from tether.camera.protocol import CardFile
from tether.capture.recovery import recover
from tether.capture.transfer import CardTransfer, Progress, SamePicture
from tether.errors import NotNow
from tether.session.checklist import Checklist
from tether.session.judge import Judgement, Verdicts
from tether.session.next_step import NextKind, NextStep, in_force
from tether.text import printable


@dataclass(frozen=True, slots=True)
class Shot:
    """What came of a release: the captures with their judgements, and what there is to say."""

    captures: tuple[tuple[Capture, Judgement], ...]
    said: tuple[str, ...] = ()


class Shooting:
    """Takes the pictures of one roll.

    Parameters
    ----------
    bench, transfer
        The roll with its camera, and what fetches and files pictures.
    checklist, verdicts
        Which frame is next, and what judges its picture.
    """

    def __init__(
        self, bench: WorkBench, transfer: CardTransfer, checklist: Checklist, verdicts: Verdicts
    ) -> None:
        self._bench = bench
        self._roll = bench.roll
        self._camera = bench.camera
        self._transfer = transfer
        self._checklist = checklist
        self._verdicts = verdicts
        self._release: tuple[int, frozenset[tuple[str, str]]] = (0, frozenset())

    def release(self, report: Callable[[Progress], None] = lambda _: None) -> Shot:
        """Fire the shutter for the frame that is next; file and judge what comes of it.

        Raises
        ------
        NotNow
            When the work stands somewhere else.
        CameraError
            When no picture came. What the camera may hold is looked for when it is connected
            again.
        FilingError, ArchiveUnusable
            When the picture could not be filed; the camera keeps its copy.
        """
        place = self._checklist.next_step()
        camera = self._camera.connected()
        if place.kind is not NextKind.SHOOT or place.frame is None:
            raise NotNow(
                "Something else comes before the shutter.", todo=f"Next: {place.sentence()}."
            )
        self._camera.check_before_release(self._roll, self._bench.settings.storage.raw_bytes)
        self._frame_in_gate(place)
        report(Progress("fire"))
        facts = {"camera": self._camera.key, "settings": self._settings_now()}
        intent = self._roll.store.journal.begin(self._roll.id, "release", place.frame, facts)
        try:
            files = camera.capture()
        except (BatteryLow, CardFull) as error:
            self._roll.store.journal.end(intent)
            self._roll.log("camera", f"No picture: {error}", place.frame)
            raise
        except CameraError as error:
            # Even a refusal can hide a picture: libgphoto2 reports a connection that breaks
            # after the shutter was fired as a general error. The card tells.
            self._roll.log("camera", f"No picture came of a release: {error}", place.frame)
            return self._after_loss(error, place.frame, report)
        return self.take_in(files, place.frame, "program", intent, report)

    def take_from_camera(
        self, report: Callable[[Progress], None] = lambda _: None, seconds: float = 0.15
    ) -> Shot | None:
        """Look for a picture taken with the camera's own button or a release; None for none.

        Such a picture counts like one fired from here, for the frame that is next. Without a
        frame to give it to it stays on the card, and that is said. While the archive is away
        nothing is looked for: the next key says so. ``seconds`` are waited for one.
        """
        if self._camera.camera is None or not self._roll.in_place():
            return None
        files = self._camera.camera.wait_for_files(seconds)
        if not files:
            return None
        late = self._late_for(files)
        if late is not None:
            return self.take_in(files, late, "button", None, report)
        place = self._checklist.next_step()
        if place.frame is None:
            return Shot((), (_left_on_card(files),))
        self._frame_in_gate(place)
        return self.take_in(files, place.frame, "button", None, report)

    def _late_for(self, files: Sequence[CardFile]) -> int | None:
        """Return the frame whose release files belong to that come after it, None for none.

        The second file of raw and JPEG has the first one's name but for its ending.
        """
        frame, stems = self._release
        return frame if files and all(_stem(f) in stems for f in files) else None

    def _frame_in_gate(self, place: NextStep) -> None:
        """Shooting says that the frame lies in the gate, also where that was not asked."""
        confirmed = self._checklist.confirmed()
        for scope, at, key in (
            (Scope.STRIP, place.strip or 0, "strip-load"),
            (Scope.FRAME, place.frame or 0, "frame-advance"),
        ):
            if key not in in_force(confirmed, scope, at):
                self._checklist.confirm(BY_KEY[key], at, place.frame, "taken as done by shooting")

    def _after_loss(
        self, error: CameraError, frame: int, report: Callable[[Progress], None]
    ) -> Shot:
        """After a camera went silent: connect again and look on its card for the picture."""
        report(Progress("reconnect"))
        try:
            said = self.reconnect()
        except CameraError as gone:
            self._camera.state = None
            # A cable that is out can look like a refusal at first; that it is out is what helps.
            raise CameraLost(
                f"The camera stopped answering. First it said: {error.what}",
                kept="When you connect it again, the program looks for the picture on its card.",
                todo=gone.todo or error.todo,
            ) from None
        for waiting in self._roll.frame(frame).captures:
            if waiting.decision is None and waiting.origin == "card":
                return Shot(((waiting, self._verdicts.of(waiting)),), said)
        if isinstance(error, SamePicture):
            raise error
        raise CameraLost(
            error.what,
            kept=f"The camera is connected. {' '.join(said)}"
            if said
            else "The camera is connected. It made no picture of this frame.",
            todo=f"{self._battery_hint()}{error.todo or 'Shoot this frame again.'}",
        )

    def _battery_hint(self) -> str:
        """Say so when the battery may be the cause: a camera only says that it is not ready."""
        percent = self._camera.state.battery_percent if self._camera.state else None
        if percent is None or percent >= self._bench.settings.camera.battery_percent:
            return ""
        return f"The camera's battery is at {percent:.0f} %: charge it or connect mains power. "

    def take_in(
        self,
        files: Sequence[CardFile],
        frame: int,
        origin: str,
        intent: int | None,
        report: Callable[[Progress], None],
    ) -> Shot:
        """Fetch a release's files, file them for a frame and judge them; see `release`.

        ``origin`` is stored with the captures; ``intent`` is that of a release from here.
        """
        try:
            transferred = self._transfer.take(
                self._camera.connected(),
                self._camera.key,
                files,
                frame,
                origin,
                self._settings_now(),
                intent,
                report,
            )
        except CameraError as error:
            self._roll.log("camera", f"A picture was not fetched: {error}", frame)
            # A connection that breaks is reported as a general refusal by some drivers: look again.
            if isinstance(error, CameraLost | CameraRefused | SamePicture) and intent is not None:
                return self._after_loss(error, frame, report)
            raise
        report(Progress("judge"))
        judged = tuple((c, self._verdicts.judge(c)) for c in transferred.captures)
        judged = tuple((self._roll.stored(c), j) for c, j in judged)
        self._checklist.touch()
        late = origin == "button" and self._late_for(files) == frame
        if judged:
            self._release = (frame, frozenset(map(_stem, files)))
        elif not transferred.repeated and not late:
            raise CameraRefused(
                "The camera gave no raw file for this frame.",
                kept=" ".join(transferred.said) or "Its files are beside the raw files.",
                todo="Set its image format to raw, or raw and JPEG, then shoot this frame again.",
            )
        return Shot(judged, (*transferred.said, *self._checklist.breaks.reminder()))

    def reconnect(self) -> tuple[str, ...]:
        """Connect to the camera again, and fetch what it took meanwhile for the open release."""
        self._camera.reconnect()
        news = list(recover(self._transfer, self._camera.camera, self._camera.key))
        self._camera.refresh()
        self._verdicts.judge_waiting()
        self._roll.log("camera", "Connected to the camera again.")
        left = displaced(self._roll.store, self._camera)
        return (*news, left.sentence()) if left else tuple(news)

    def _settings_now(self) -> dict[str, str]:
        return self._camera.settings_now(self._bench.settings.light.kind)


def _stem(file: CardFile) -> tuple[str, str]:
    return file.folder, file.name.rpartition(".")[0]


def _left_on_card(files: Sequence[CardFile]) -> str:
    names = ", ".join(printable(f.name, 40) for f in files)
    return (
        f"The camera took {names}, but every frame of the roll is done. The picture stays on the "
        "card. Add a frame, or go to one, and shoot it again."
    )
