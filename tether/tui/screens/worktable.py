"""The main screen: the strip, the next thing to do, the last verdict, and the keys for them."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from datetime import timedelta
from typing import ClassVar

from rich.text import Text
from textual import work
from textual.actions import parse
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container
from textual.events import Key
from textual.screen import Screen

from tether.archive.records import FrameState
from tether.errors import TetherError
from tether.findings import Verdict
from tether.session.next_step import NextKind, NextStep
from tether.session.session import Shot, View
from tether.text import printable
from tether.tui.app_context import ScreenContext
from tether.tui.keys import bindings, key_name
from tether.tui.screens.dialogs import AskText, Pick, Reading
from tether.tui.screens.help_text import MARKS_AND_NUMBERS, help_at
from tether.tui.screens.leftovers_screen import offer_shutter, show_left_over
from tether.tui.screens.pause_screen import PauseScreen
from tether.tui.screens.roll_screens import log_text, progress_text
from tether.tui.screens.setup_screens import screen_of
from tether.tui.screens.worktable_keys import (
    fits,
    frame_complaint,
    mishap_choices,
    take_choices,
    takes_of,
)
from tether.tui.session_port import SessionPort
from tether.tui.terminal.sound import sound
from tether.tui.widgets.camera_line import CameraLine
from tether.tui.widgets.key_line import KeyLine
from tether.tui.widgets.next_step_panel import NextUp, what_is_next
from tether.tui.widgets.picture_panel import LargePicture, PicturePanel
from tether.tui.widgets.redraw import while_seen
from tether.tui.widgets.session_line import SessionLine
from tether.tui.widgets.strip import FrameCell, StripBar
from tether.tui.widgets.title_line import Mishap, TitleLine
from tether.tui.widgets.verdict_panel import VerdictPanel, capture_on_show

_IDLE_SECONDS = 0.3
_STATE_EVERY = 50  # idle looks between two readings of the camera's state


class Worktable(Screen[None]):
    """Where the work is done. Shows values; every action goes to the session's thread."""

    BINDINGS: ClassVar[list[BindingType]] = bindings("main screen")
    TITLE = "Main screen"
    HELP: ClassVar[str] = (
        "Shows the strip, the next thing to do and why, the last verdict with its picture, and "
        "the camera. {next} does the next thing."
    )
    MORE_HELP: ClassVar[str] = MARKS_AND_NUMBERS

    def __init__(self, context: ScreenContext, port: SessionPort) -> None:
        super().__init__()
        self.context = context
        self.port = port
        self.view: View | None = None
        self.line = SessionLine(
            port, context.keys, lost="Press {connect} to connect.", after=self.refresh_view
        )
        self.title_line = TitleLine(id="title")
        self.strip = StripBar(id="strip")
        self.next_up = NextUp(context.keys)
        self.verdict = VerdictPanel(context.settings.exposure, id="verdict")
        self.picture = PicturePanel(context.terminal, port.positive, id="picture")
        self.camera = CameraLine(context.keys)
        self._mishaps: Sequence[Mishap] = ()
        self._active: Sequence[str] = ()
        self._idle = 0
        self._hands_free = context.settings.hands_free.by_itself
        self._stale = False
        """Whether there is something to show that came while another screen was seen."""

    def compose(self) -> ComposeResult:
        """Lay out the screen."""
        yield self.title_line
        yield self.strip
        with Container(id="panels"):
            yield self.next_up
            with Container(id="seen"):
                yield self.verdict
                yield self.picture
        yield self.line
        yield self.camera
        yield KeyLine(rows=2)

    async def on_mount(self) -> None:
        """Show the next step, and begin to look for pictures from the camera."""
        self.line.say(" ".join(self.port.found))
        await self.refresh_view()
        self.port.watchers.append(lambda: self.call_later(self._look_elsewhere))
        while_seen(self, _IDLE_SECONDS, self._look_at_camera)
        self._begin()

    @work(group="action")
    async def _begin(self) -> None:
        """Offer what was left over; in an archive that knows no bench yet, open the set-up."""
        await self._offer_left()
        if self._bench_unknown():
            await self._set_up()

    async def _offer_left(self) -> None:
        await show_left_over(self.context, self.port, self.line)
        await offer_shutter(self.port, self.line)
        await self.refresh_view()

    # --- showing ---------------------------------------------------------------------------

    async def refresh_view(self) -> None:
        """Fetch a fresh view and show it: under another screen, as soon as that is gone."""
        self.view = await self.port.view()
        self._mishaps = self._mishaps or await self.port.mishaps()
        self._active = await self.port.active_mishaps()
        if not self.query("#title"):
            return  # the person has left meanwhile
        if self.is_active:
            await self._show()
            self._go_hands_free()
        else:
            self._stale = True

    async def _look_elsewhere(self) -> None:
        """Show what was done in another window."""
        if self.port.seen is not self.view:
            await self.refresh_view()

    def on_screen_resume(self) -> None:
        """Show what came meanwhile, after what was here before, which comes at once."""
        self.call_after_refresh(self._catch_up)

    async def _catch_up(self) -> None:
        if self._stale:
            await self._show()
        self._go_hands_free()

    def _go_hands_free(self) -> None:
        """Begin to work hands free, where that is wanted, once the set-up is done."""
        fit = self.check_action("bench", ("hands-free",))
        if self._hands_free and fit and self.is_active and self.view and self.view.set_up_done:
            self._hands_free = False
            self.action_bench("hands-free")

    async def _show(self) -> None:
        self._stale = False
        view = self.view
        if view is None:
            return
        self.title_line.show(view, self._mishaps, self._active)
        await self.strip.show(view)
        self.next_up.show(view)
        self.verdict.show(capture_on_show(view))
        self.camera.show(view.camera_name, view.camera)
        self.refresh_bindings()
        self.picture.show(capture_on_show(view), of_negative=view.roll.process.is_negative)

    @work(group="camera")
    async def _look_at_camera(self) -> None:
        """Take a picture that came by the camera's own button; read the camera now and then."""
        if self.line.working or self.port.busy or self.view is None or self.view.camera is None:
            return
        self._idle += 1
        if news := await self.port.copy_news():
            self.line.say(" ".join(news))
        try:
            shot = await self.port.take_from_camera(self.line.report)
            if self._idle % _STATE_EVERY == 0:
                await self.port.refresh_camera()
        except TetherError as error:
            await self.refresh_view()
            await self.line.complain(error)
            return
        if shot is not None or self._idle % _STATE_EVERY == 0:
            await self.refresh_view()
        if shot is not None:
            self._show_shot(shot)

    def _show_shot(self, shot: Shot) -> None:
        """Say what came of a release; let it be heard when it has to be repeated."""
        said = list(shot.said)
        if any(capture.verdict is Verdict.RESHOOT for capture, _ in shot.captures):
            self.app.bell()
            said += filter(None, [sound(self.context.settings.alerts)])
        self.line.say(" ".join(said))

    # --- keys ------------------------------------------------------------------------------

    def _todo(self) -> NextKind | None:
        return self.view.place.kind if self.view else None

    def _bench_unknown(self) -> bool:
        """Whether the question of the bench is open, and the archive knows none."""
        question = self.view.bench if self.view else None
        return question is not None and question.last is None

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only the keys that have something to do now."""
        if action == "give_up":
            return self.line.waits_for_camera
        return fits(self.view, action, parameters, rehearsing=self.port.rehearsing)

    def on_key(self, event: Key) -> None:
        """Say so when a key of this screen has nothing to do now."""
        bound = next(iter(self.context.keys.bound(type(self), event.key)), None)
        if bound is None or self.view is None:
            return
        # This comes before the key's own action, which may leave the message as it finds it.
        namespace, action, parameters = parse(bound.action)
        if not namespace and not self.check_action(action, parameters):
            what = f"{key_name(event.key)} ({bound.description.lower()})"
            does = "has nothing to undo" if action == "undo" else "does nothing now"
            self.line.say(f"{what} {does}. {what_is_next(self.view)}")

    def _do(self, ask: Callable[[], Awaitable[object]]) -> None:
        async def do() -> None:
            if isinstance(said := await self.line.attempt(ask), str):
                self.line.say(said)

        self.run_worker(do(), group="action")

    # --- actions ---------------------------------------------------------------------------

    @work(group="action")
    async def action_proceed(self) -> None:
        """Do the next thing: open a step's screen or confirm it, shoot, or keep what is right."""
        place = self.view.place if self.view else NextStep(NextKind.DONE)
        step = place.step
        if step is not None and self._bench_unknown():
            await self._set_up()
        elif step is not None and step.station:
            await self._open(step.station)
        elif step is not None:
            await self.line.attempt(lambda: self.port.confirm(step))
            if self._bench_unknown():
                await self._set_up()
        elif place.kind is NextKind.SHOOT:
            await self._shoot()
        elif place.capture is not None and place.capture.verdict is Verdict.KEEP:
            await self.line.attempt(self.port.keep)
        elif place.capture is not None:
            self.line.say("Choose first: {keep} keeps it anyway, {reshoot} reshoots.")
            self.app.bell()

    def action_done(self) -> None:
        """Store that the step is done, without its screen."""
        step = self.view.place.step if self.view else None
        self._do(lambda: self.port.confirm(step))

    async def action_next_roll(self) -> None:
        """Let go of this roll, and begin the next one."""
        await self.app.run_action("next_roll")

    def action_forward(self) -> None:
        """Do what comes next, as a foot switch asks for it.

        It goes further than Enter: a picture to shoot again is put aside, so that the hands can
        stay at the film. A picture to check is left to a choice by hand.
        """
        waiting = self.view.place.capture if self.view else None
        if self._todo() is NextKind.DECIDE and waiting and waiting.verdict is Verdict.RESHOOT:
            self.action_again()
        else:
            self.action_proceed()

    @work(group="action")
    async def action_shoot(self) -> None:
        """Shoot."""
        await self._shoot()

    async def _shoot(self) -> None:
        shot = await self.line.attempt(lambda: self.port.capture(self.line.report))
        if shot is not None:
            self._show_shot(shot)

    def action_keep(self) -> None:
        """Keep the picture."""
        self._do(self.port.keep)

    def action_backwards(self) -> None:
        """Say that writing reads backwards."""
        self._do(self.port.reads_backwards)

    def action_again(self) -> None:
        """Shoot the frame again."""
        self._do(self.port.shoot_again)

    @work(group="action")
    async def action_takes(self) -> None:
        """Show the frame's takes; the one that is picked is kept."""
        takes = takes_of(self.view)
        if not takes:
            return
        question = f"Frame {takes[0].frame}: which take to keep?"
        picked = await self.app.push_screen_wait(Pick(question, take_choices(takes)))
        if picked is not None:
            await self.line.attempt(lambda: self.port.choose(takes[0].frame, int(picked)))

    @work(group="action")
    async def action_undo(self) -> None:
        """Take the last step or choice back."""
        what = await self.line.attempt(self.port.undo)
        if what is not None:
            self.line.say(f"Undone: {what}. {what_is_next(self.view)}")

    def action_scroll_verdict(self, pages: int) -> None:
        """Read on, or back, in a verdict that is longer than its panel."""
        panel = self.verdict
        panel.scroll_relative(y=pages * max(panel.size.height - 1, 1), animate=False)

    @work(group="action")
    async def action_use_advice(self) -> None:
        """Set the shutter as advised; the frame is shot again."""
        now_set = await self.line.attempt(self.port.follow_advice)
        if now_set:
            self.line.say(f"The shutter is set to {printable(now_set, 20)}. Shoot the frame.")

    def action_mark(self, state: str) -> None:
        """Skip the frame, or mark it as blank or damaged."""
        self._do(lambda: self.port.mark(FrameState(state)))

    @work(group="action")
    async def action_go(self) -> None:
        """Ask for a frame and go there."""
        if self.view is None:
            return
        last = self.view.roll.frames_expected
        answer = await self.app.push_screen_wait(
            AskText(f"Go to which frame? (1 to {last})", check=lambda t: frame_complaint(t, last))
        )
        if answer:
            await self.line.attempt(lambda: self.port.go_to(int(answer)))

    def action_onward(self) -> None:
        """Leave a frame that was gone to; continue with the next open one."""
        self._do(lambda: self.port.go_to(None))

    def on_frame_cell_clicked(self, event: FrameCell.Clicked) -> None:
        """Go to the frame that was clicked."""
        self._do(lambda: self.port.go_to(event.frame))

    @work(group="action")
    async def action_note(self) -> None:
        """Ask for a note about the frame."""
        if self.view is None:
            return
        number = self.view.place.frame or self.view.roll.frames_expected
        old = self.view.frames[number - 1].note
        text = await self.app.push_screen_wait(AskText(f"Note about frame {number}", old))
        if text is not None:
            noted = await self.line.attempt(lambda: self.port.note(text, number))
            if noted is not None:
                self.line.say(f"Noted for frame {noted}.")

    def action_ask_less(self) -> None:
        """Shorten the checklist, or make it whole again."""
        if self.view is not None:
            short = not self.view.short
            self._do(lambda: self.port.ask_less(short))

    def action_extra(self) -> None:
        """Add a frame at the end of the roll."""
        self._do(self.port.one_more_frame)

    @work(group="action")
    async def action_connect(self) -> None:
        """Connect to the camera again."""
        said = await self.line.attempt(self.port.reconnect)
        if said is not None:
            self.line.say(" ".join(said) or "The camera is connected.")
            await self._offer_left()

    def action_give_up(self) -> None:
        """Stop waiting for a camera that does not answer."""
        self.port.give_up_camera()

    @work(group="action")
    async def action_left_over(self) -> None:
        """Show pictures on the card and files in the folder that belong to no frame."""
        await show_left_over(self.context, self.port, self.line, asked=True)
        await self.refresh_view()

    @work(group="action")
    async def action_log(self) -> None:
        """Show the roll's log."""
        lines = await self.line.attempt(self.port.log_lines)
        text = log_text(lines or ())
        await self.app.push_screen_wait(Reading("Log of the roll, newest last", text, at_end=True))

    @work(group="action")
    async def action_pause(self) -> None:
        """Stop the clock until the person continues."""
        since = await self.line.attempt(self.port.pause)
        if since is None:
            return
        await self.app.push_screen_wait(PauseScreen(since, self.context.keys))
        said = await self.line.attempt(lambda: self.port.go_on(since))
        if said:
            self.line.say(said)

    @work(group="action")
    async def action_statement(self) -> None:
        """Show what was done, what to look at again, and what is next."""
        pause = timedelta(minutes=self.context.settings.planning.pause_minutes)
        said = await self.line.attempt(lambda: self.port.statement(pause))
        if said is not None:
            await self.app.push_screen_wait(Reading("Progress of the roll", progress_text(said)))

    @work(group="action")
    async def action_mishap(self) -> None:
        """Let the simulated hand make a mistake, or put it right (rehearsal only)."""
        choices = mishap_choices(self._mishaps, await self.port.active_mishaps())
        question = "What should go wrong? Choose it again to put it right."
        code = await self.app.push_screen_wait(Pick(question, choices, numbered=True))
        if code:
            frame = self.view.place.frame if self.view else None
            await self.line.attempt(lambda: self.port.toggle_mishap(code, frame))

    @work(group="action")
    async def action_own_button(self) -> None:
        """Press the simulated camera's own shutter button (rehearsal only)."""
        frame = self.view.place.frame if self.view else None
        if frame is not None:
            await self.line.attempt(lambda: self.port.press_camera_button(frame))

    @work(group="action")
    async def action_bench(self, station: str) -> None:
        """Open one of the screens that ready the bench."""
        await self._open(station)

    async def _open(self, station: str) -> None:
        """Open a screen; a step that is next, and was done there, is done."""
        self.line.say("")
        make = await asyncio.to_thread(screen_of, station)
        done = await self.app.push_screen_wait(
            make(self.context, self.port, await self.port.view())
        )
        if station == "hands-free":
            # Left for what has to be done by keys, it begins again after that.
            self._hands_free = bool(done) and self.context.settings.hands_free.by_itself
        await self.refresh_view()
        step = self.view.place.step if self.view else None
        if done and step is not None and step.station == station:
            await self.line.attempt(lambda: self.port.confirm(step))

    @work(group="action")
    async def action_walk(self) -> None:
        """Open the set-up."""
        await self._set_up()

    async def _set_up(self) -> None:
        from tether.tui.screens.setup_screen import SetUpScreen

        await self.app.push_screen_wait(
            SetUpScreen(self.context, self.port, await self.port.view())
        )
        await self.refresh_view()

    def action_leave_out(self) -> None:
        """Skip the rest of the set-up."""
        self._do(self.port.skip_set_up)

    def at_hand(self) -> Text:
        """Explain the step at hand, for the help."""
        return help_at(self.view.place, self.context.keys) if self.view else Text()

    @work(group="action")
    async def action_picture(self) -> None:
        """Show the positive as large as the terminal."""
        if self.picture.picture is None:
            self.line.say("There is no positive: the picture's file could not be read.")
            return
        await self.app.push_screen_wait(
            LargePicture(self.context.terminal, self.picture, self.port)
        )
        await self.refresh_view()

    def action_leave(self) -> None:
        """Leave; everything is stored already."""
        self.app.exit()
