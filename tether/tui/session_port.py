"""The session as the screens have it: coroutines that run on its thread, answered by values.

A screen holds this port and nothing behind it: not the session, the store or the camera.
So no key waits for the database, whoever else has a transaction open.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Protocol, TypeVar

from tether.archive.records import Capture, FrameState, base_side_takes
from tether.bench.benches import BenchQuestion, BenchSetup
from tether.bench.shutter_loan import DisplacedShutter, displaced, forget, put_back
from tether.bench.steps import Part, Step
from tether.camera.errors import CameraLost
from tether.capture.leftovers import Kind, Leftover
from tether.capture.transfer import Progress
from tether.errors import TetherError
from tether.film import FilmProcess
from tether.reports.rolls import Statement, statement
from tether.session.events import Event
from tether.session.judge import Judgement
from tether.session.next_step import NextKind, NextStep
from tether.session.session import Session, Shot, View
from tether.text import printable
from tether.tui.session_thread import SessionThread

if TYPE_CHECKING:
    from PIL.Image import Image

    from tether.bench.live_focus import Peak
    from tether.settings import PositiveSettings

T = TypeVar("T")
Report = Callable[[Progress], None]
"""Takes how far something is; called on the session's thread."""


@dataclass(frozen=True, slots=True)
class SetUpState:
    """How the set-up of the bench is.

    Attributes
    ----------
    steps, done
        The steps that the bench has, and the keys of those that hold.
    question
        What there is to ask about the bench.
    bench, camera
        What they are called, "" where that is not known.
    film_in_gate
        Whether the steps that need film can be done.
    light
        The kind of light: a lamp or a strobe.
    """

    steps: tuple[Step, ...]
    done: frozenset[str]
    question: BenchQuestion
    bench: str
    camera: str
    film_in_gate: bool
    light: str


class SimulatedBench(Protocol):
    """What a rehearsal has beside the camera: a hand that follows, and mishaps to choose from."""

    def listen(self, event: Event) -> None:
        """Do with the simulated bench what the person just said was done."""
        ...

    def mishaps(self) -> tuple[tuple[str, str, str], ...]:
        """Return (code, label, heading) of everything that can be made to go wrong."""
        ...

    def active(self) -> tuple[str, ...]:
        """Return the codes of what is wrong now."""
        ...

    def toggle(self, code: str, frame: int | None = None) -> None:
        """Let a mishap happen, or put it right when it is in force.

        One that belongs to a picture strikes ``frame``, the one that is next.
        """
        ...

    def press_button(self, frame: int) -> None:
        """Bring a frame into the gate, and press the simulated camera's own shutter button."""
        ...


class SessionPort:
    """What the screens may ask of a session. Every answer is a value, or a `TetherError`.

    Parameters
    ----------
    thread
        Where the session lives.
    session
        Built on that thread, and closed there by `close`.
    simulated
        The simulated bench of a rehearsal.
    """

    def __init__(
        self, thread: SessionThread, session: Session, simulated: SimulatedBench | None = None
    ) -> None:
        self._thread = thread
        self._session = session
        self._simulated = simulated
        self.found = session.found
        """What an earlier interruption left, in sentences; found when the session began."""
        self.focus_seen: dict[str, Peak] = {}
        """The sharpest live pictures, kept while the focus screen is closed."""
        self.seen: View | None = None
        """The view that was read last."""
        self.live = (0, b"")
        """The newest live picture as the camera sent it, with its number from 1."""
        self.watchers: list[Callable[[], object]] = []
        """Called when one of these two is another one: there may be two windows."""

    @property
    def busy(self) -> bool:
        """Whether a call is under way or waits."""
        return self._thread.busy

    async def ask(self, call: Callable[[Session], T]) -> T:
        """Run a call on the session's thread; for the ports of this package, not for screens."""

        def run() -> T:
            try:
                return call(self._session)
            except CameraLost:
                self._session.tethered.state = None
                raise

        return await self._thread.run(run)

    def close(self) -> None:
        """Let go of the roll, once the thread is closed; the camera is the caller's."""
        self._session.close()

    async def announce(self, event: Event) -> None:
        """Tell the session what the person did at the bench."""
        await self.ask(lambda s: s.announce(event))

    # --- where the work is -----------------------------------------------------------------

    async def view(self) -> View:
        """Return everything the worktable shows."""
        view = await self.ask(lambda s: s.view())
        if view != self.seen:
            self.seen = view
            self._tell()
        return self.seen or view

    def show_live(self, jpeg: bytes) -> None:
        """Let whoever watches have a live picture."""
        self.live = (self.live[0] + 1, jpeg)
        self._tell()

    def _tell(self) -> None:
        for told in self.watchers:
            told()

    async def positive(self, capture: Capture) -> Image | None:
        """Return the small positive of a capture, None where its file could not be read."""

        def made(session: Session) -> Image | None:
            from tether.delivery.contrast import contrast_of, graded

            base_side = capture.id in base_side_takes(session.roll, session.frames())
            judged, roll = session.verdicts.of(capture), session.open_roll
            grade = graded(session.settings.positive, contrast_of(roll, capture.frame))
            return positive_of(judged, session.roll.process, grade, mirrored=not base_side)

        return await self.ask(made)

    async def reads_backwards(self) -> None:
        """Say that writing reads backwards in the positive of the picture that waits."""
        await self.ask(lambda s: s.verdicts.reads_backwards(s.next_step().capture))

    async def turn_contrast(self, capture: Capture, *, of_roll: bool) -> str:
        """Give a frame the next contrast, or the roll that of the frame; say which it is.

        A transparency has none: "".
        """

        def turn(session: Session) -> str:
            from tether.delivery.contrast import choose_contrast, contrast_of, next_contrast

            if not session.roll.process.is_negative:
                return ""
            contrast = contrast_of(session.open_roll, capture.frame)
            if not of_roll:
                contrast = next_contrast(contrast)
            choose_contrast(session.open_roll, contrast, None if of_roll else capture.frame)
            where = "all frames" if of_roll else f"frame {capture.frame}"
            return f"{contrast} contrast, {where}"

        return await self.ask(turn)

    async def log_lines(self) -> list[tuple[str, int | None, str, str]]:
        """Return the log of the roll: when, frame, kind, text."""
        return await self.ask(lambda s: s.store.journal.log_lines(s.roll.id))

    async def statement(self, pause: timedelta) -> Statement:
        """Return how far the roll is; a gap of ``pause`` between two pictures is a pause."""
        return await self.ask(lambda s: statement(s.archive, s.roll.name, pause))

    async def copy_news(self) -> Sequence[str]:
        """Return what there is to say about the copies on a second disk since the last call."""

        def news(session: Session) -> Sequence[str]:
            mirror = session.archive.second_copy
            return mirror.news() if mirror is not None else ()

        return await self.ask(news)

    # --- the work ----------------------------------------------------------------------------

    async def confirm(self, step: Step | None) -> None:
        """Store that the step that is next was done."""
        await self.ask(lambda s: s.confirm(step))

    async def capture(self, report: Report) -> Shot:
        """Fire the shutter for the frame that is next; file and judge what comes of it."""
        return await self.ask(lambda s: s.capture(report))

    async def keep(self) -> None:
        """Keep the picture that waits."""
        await self.ask(lambda s: s.keep())

    async def shoot_again(self) -> None:
        """Put the pictures that wait aside."""
        await self.ask(lambda s: s.shoot_again())

    async def choose(self, frame: int, capture_id: int) -> None:
        """Keep one of a frame's pictures."""
        await self.ask(lambda s: s.choose(frame, capture_id))

    async def follow_advice(self) -> str:
        """Set the shutter as the verdict advises; return how it is set now."""
        return await self.ask(lambda s: s.follow_advice())

    async def mark(self, state: FrameState) -> str:
        """Close the frame that is next, or mark its picture; return a sentence about it."""
        return await self.ask(lambda s: f"{s.mark(state)} {{undo}} undoes it.")

    async def go_to(self, frame: int | None) -> None:
        """Go to any frame, None for the next open one."""
        await self.ask(lambda s: s.go_to(frame))

    async def note(self, text: str, frame: int) -> int:
        """Write a note about a frame; return its number."""
        return await self.ask(lambda s: s.note(text, frame))

    async def one_more_frame(self) -> None:
        """Add a frame at the end of the roll."""
        await self.ask(lambda s: s.one_more_frame())

    async def ask_less(self, short: bool) -> str:
        """Shorten the checklist, or ask everything again; return what that means."""
        return await self.ask(lambda s: s.checklist.ask_less(short))

    async def undo(self) -> str:
        """Take the last step or choice back; return what it was."""
        return await self.ask(lambda s: s.undo())

    async def pause(self) -> datetime:
        """Store that a pause begins; return when."""
        return await self.ask(lambda s: s.checklist.begin_pause())

    async def go_on(self, since: datetime) -> str:
        """Store that a pause is over; return what is worth a look after it."""
        return await self.ask(lambda s: s.end_pause(since))

    # --- the camera ----------------------------------------------------------------------------

    async def camera_answers(self) -> bool:
        """Whether the camera's state is known: it is connected, and answered last time."""
        return await self.ask(lambda s: s.tethered.state is not None)

    async def refresh_camera(self) -> None:
        """Read the camera's settings, battery and room."""
        await self.ask(lambda s: s.tethered.refresh())

    async def reconnect(self) -> tuple[str, ...]:
        """Connect to the camera again; return what there is to say."""
        return await self.ask(lambda s: s.reconnect())

    def give_up_camera(self) -> None:
        """End the camera's driver under a call that takes too long; that call then fails.

        The session's thread waits for it: nothing else of the session is asked.
        """
        if self._session.tethered.camera is not None:
            self._session.tethered.camera.give_up()

    async def take_from_camera(self, report: Report) -> Shot | None:
        """Look for a picture taken with the camera's own button; None for none."""

        def look(session: Session) -> Shot | None:
            try:
                return session.shooting.take_from_camera(report)
            except TetherError:
                session.tethered.state = None
                raise

        return await self.ask(look)

    async def displaced(self) -> DisplacedShutter | None:
        """Return the shutter that an interrupted test has left elsewhere, None for none."""
        return await self.ask(lambda s: displaced(s.store, s.tethered))

    async def put_shutter_back(self) -> str:
        """Put that shutter back; return what to say. It is offered again where that fails."""
        return await self.ask(
            lambda s: f"The shutter is back at {printable(put_back(s.open_roll, s.tethered), 20)}."
        )

    async def leave_shutter(self, left: DisplacedShutter) -> str:
        """Leave that shutter where it is; return what to say."""

        def leave(session: Session) -> str:
            forget(session.store, session.tethered)
            here = printable(left.now, 20)
            session.open_roll.log("camera", f"Shutter left at {here} after a test")
            return f"The shutter stays at {here}."

        return await self.ask(leave)

    # --- the set-up ----------------------------------------------------------------------------

    async def set_up_state(self) -> SetUpState:
        """Return how the set-up of the bench is."""

        def read(session: Session) -> SetUpState:
            place, camera = session.next_step(), session.tethered.camera
            return SetUpState(
                session.set_up.steps(),
                session.set_up.done(),
                session.set_up.question(),
                session.set_up.bench_name,
                printable(camera.identity.model, 40) if camera else "",
                place.kind is not NextKind.STEP
                or (place.step is not None and place.step.with_film),
                session.settings.light.kind,
            )

        return await self.ask(read)

    async def use_bench(self, bench: BenchSetup, moved: frozenset[Part], person: str) -> NextStep:
        """Say which bench this is."""
        return await self.ask(lambda s: s.set_up.use_bench(bench, moved, person))

    async def confirm_set_up(self, step: Step) -> NextStep:
        """Store that a set-up step was done, whichever is next."""
        return await self.ask(lambda s: s.set_up.confirm_open(step))

    async def do_again(self, step: Step) -> NextStep:
        """Ask a set-up step again."""
        return await self.ask(lambda s: s.set_up.do_again(step))

    async def undo_set_up(self) -> str:
        """Take the last set-up step back; return what it was."""
        return await self.ask(lambda s: s.set_up.undo())

    async def skip_set_up(self) -> str:
        """Skip the rest of the set-up; return what that means."""
        return await self.ask(lambda s: s.set_up.skip())

    # --- what an interruption left -------------------------------------------------------------

    async def leftovers(self, *, afresh: bool = False) -> tuple[Leftover, ...]:
        """Return what was left and not dealt with; ``afresh`` looks through the card again."""
        return await self.ask(lambda s: s.leftovers.find(afresh=afresh))

    async def new_leftovers(self, items: Sequence[Leftover]) -> bool:
        """Whether one of these was not offered yet."""
        return await self.ask(lambda s: s.leftovers.anything_new(items))

    async def offered(self, items: Sequence[Leftover]) -> None:
        """Take note that these were offered."""

        def note(session: Session) -> None:
            session.leftovers.seen |= frozenset(items)

        await self.ask(note)

    async def frames_for_leftovers(self, count: int) -> list[int]:
        """Return the next frames, ``count`` at most, that have no picture and no decision."""
        return await self.ask(lambda s: s.leftovers.free_frames(count))

    async def take_leftover(self, item: Leftover, frame: int, report: Report) -> str:
        """Fetch or file a picture for a frame; return what came of it."""
        if item.kind is Kind.CARD:
            return await self.ask(lambda s: s.leftovers.fetch(item, frame, report))
        return await self.ask(lambda s: s.leftovers.file(item, frame))

    async def settle_leftover(self, item: Leftover) -> str:
        """Record a file for the frame in its name, or remove a compared copy."""
        if item.kind is Kind.COPY:
            return await self.ask(lambda s: s.leftovers.drop_copy(item))
        return await self.ask(lambda s: s.leftovers.record(item))

    async def leave_leftover(self, item: Leftover) -> str:
        """Leave it where it is, and do not ask about it again."""
        return await self.ask(lambda s: s.leftovers.leave(item))

    # --- a rehearsal's bench -------------------------------------------------------------------

    @property
    def rehearsing(self) -> bool:
        """Whether the bench is simulated, and has mishaps to choose from."""
        return self._simulated is not None

    async def mishaps(self) -> Sequence[tuple[str, str, str]]:
        """Return (code, label, heading) of everything that can be made to go wrong."""
        return await self._of_simulated(lambda bench: bench.mishaps(), ())

    async def active_mishaps(self) -> Sequence[str]:
        """Return the codes of what is wrong now."""
        return await self._of_simulated(lambda bench: bench.active(), ())

    async def toggle_mishap(self, code: str, frame: int | None) -> None:
        """Let a mishap happen, or put it right; one of a picture strikes ``frame``."""
        await self._of_simulated(lambda bench: bench.toggle(code, frame), None)

    async def press_camera_button(self, frame: int) -> None:
        """Bring a frame into the gate, and press the simulated camera's own shutter button."""
        await self._of_simulated(lambda bench: bench.press_button(frame), None)

    async def _of_simulated(self, ask: Callable[[SimulatedBench], T], otherwise: T) -> T:
        bench = self._simulated
        return otherwise if bench is None else await self._thread.run(lambda: ask(bench))


_RING = (255, 130, 0, 255)
"""Colour around a speck that may be dust."""


def positive_of(
    judgement: Judgement, process: FilmProcess, grade: PositiveSettings, *, mirrored: bool = True
) -> Image | None:
    """Return the small positive of a judged file, None where it could not be read.

    Transparent pixels are saturated: they are hatched where the picture is drawn, because stripes
    that are made smaller with it come out as grey. ``mirrored``: the emulsion faced the lens.
    """
    if judgement.picture is None:
        return None
    # Together a tenth of a second that the program's start need not wait for.
    import numpy as np
    from PIL import Image, ImageDraw

    from tether.positive.tones import SATURATED, preview

    full = np.asarray((judgement.picture >= SATURATED).any(axis=2))
    seen = np.where(full, 0, 255).astype(np.uint8)
    tones = preview(judgement.picture, process, settings=grade, mirrored=mirrored, hatch=0)
    image = Image.fromarray(np.dstack([tones, seen[:, ::-1] if mirrored else seen]))
    if judgement.facts.has("dust-on-film"):
        draw, radius = ImageDraw.Draw(image), image.width / 60
        for down, across in judgement.facts.specks:
            x = image.width * (1 - across if mirrored else across)
            y = image.height * down
            draw.ellipse((x - radius, y - radius, x + radius, y + radius), outline=_RING, width=2)
    return image
