"""The screen of the session with its keys and all that they do."""

from __future__ import annotations

import asyncio
from datetime import datetime
from typing import ClassVar

from rich.text import Text
from textual import work
from textual.actions import parse
from textual.binding import BindingType
from textual.events import Key

from tether.archive.records import Capture, FrameState, Scope
from tether.findings import Verdict
from tether.session.next_step import NextKind, NextStep
from tether.session.session import View
from tether.text import printable
from tether.tui.screens.dialogs import AskText, Pick, Reading
from tether.tui.screens.help_text import MARKS_AND_NUMBERS, help_at
from tether.tui.screens.hours import Hours
from tether.tui.screens.leftovers_screen import show_left_over
from tether.tui.screens.setup_screens import screen_of
from tether.tui.screens.shutter_offer import offer_shutter
from tether.tui.screens.worktable_keys import WORKTABLE_KEYS
from tether.tui.screens.worktable_view import last_capture
from tether.tui.widgets.key_line import bindings_of, key_name
from tether.tui.widgets.picture_panel import LargePicture
from tether.tui.widgets.strip import FrameCell
from tether.tui.widgets.verdict_panel import VerdictPanel

_DECISIONS = {"chosen": "stands for the frame", "other": "put aside"}


class Worktable(Hours):
    """Where the work is done. Shows values; every action goes to the session's thread."""

    BINDINGS: ClassVar[list[BindingType]] = WORKTABLE_KEYS
    TITLE = "Worktable"
    HELP: ClassVar[str] = (
        "The worktable: the strip as it lies in the holder, what comes next and why, the last "
        "verdict with its picture, and the camera. Enter does what is next."
    )

    MORE_HELP: ClassVar[str] = MARKS_AND_NUMBERS

    def _todo(self) -> NextKind | None:
        return self.view.place.kind if self.view else None

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only the keys that fit the place where the work stands."""
        todo = self._todo()
        if todo is None:
            return action == "leave"
        fits = {
            "proceed": todo is not NextKind.DONE,
            "shoot": todo in (NextKind.SHOOT, NextKind.STEP),
            "keep": todo is NextKind.DECIDE,
            "again": todo is NextKind.DECIDE,
            "use_advice": self.view is not None
            and self.view.advised_shutter is not None
            and not self.view.shutter_is_right,
            "mark": todo in (NextKind.SHOOT, NextKind.DECIDE)
            and (parameters != ("skipped",) or todo is NextKind.SHOOT),
            "picture": self._picture[1] is not None,
            "takes": bool(_takes(self.view)),
            "onward": self.view is not None and self.view.roll.cursor is not None,
            "undo": self.view is not None and self.view.can_undo,
            "extra": todo is NextKind.DONE,
            "connect": self.view is not None and self.view.camera is None,
            "mishap": self.port.rehearsing,
            "own_button": self.port.rehearsing,
            "leave_out": self._setting_up(),
        }
        return fits.get(action, True)

    def on_key(self, event: Key) -> None:
        """Say so when a key of this screen does not fit the place where the work stands."""
        bound = next((b for b in bindings_of(type(self)) if b.key == event.key), None)
        if bound is None or self.view is None:
            return
        # This comes before the key's own action, which may leave the message as it finds it.
        namespace, action, parameters = parse(bound.action)
        if not namespace and not self.check_action(action, parameters):
            what = f"{key_name(bound.key)} ({bound.description.lower()})"
            does = "has nothing to take back" if action == "undo" else "does nothing just now"
            self.say(f"{what} {does}. {self._what_is_next()}")

    def _what_is_next(self) -> str:
        """Say what comes next, in a sentence; with all frames decided, what can be done."""
        place = self.view.place if self.view else NextStep(NextKind.DONE)
        if place.kind is NextKind.DONE:
            return "All frames are decided: G goes back to one, Q leaves."
        return f"Next: {place.sentence().rstrip('.')}."

    # --- actions ---------------------------------------------------------------------------

    @work(group="action")
    async def action_proceed(self) -> None:
        """Do what comes next: confirm the step, shoot, or keep what is right."""
        if self.view is None:
            return
        place = self.view.place
        if place.kind is NextKind.STEP:
            step = place.step
            if self._bench_unknown():
                await self._walk()
                return
            await self.attempt(lambda: self.port.confirm(step))
        elif place.kind is NextKind.SHOOT:
            await self._shoot()
        elif place.kind is NextKind.DECIDE and place.capture is not None:
            if place.capture.verdict is Verdict.KEEP:
                await self.attempt(self.port.keep)
            else:
                self.say("The verdict asks for a choice: K keeps it all the same, A shoots again.")
                self.app.bell()

    @work(group="action")
    async def action_shoot(self) -> None:
        """Shoot; while steps are open, say which."""
        if self.view and self.view.place.kind is NextKind.STEP and self.view.place.step:
            self.say("First the step above: Enter says that it is done. Z asks for fewer steps.")
            return
        await self._shoot()

    async def _shoot(self) -> None:
        shot = await self.attempt(lambda: self.port.capture(self._report))
        if shot is not None:
            self._show_shot(shot)

    @work(group="action")
    async def action_keep(self) -> None:
        """Keep the picture."""
        await self.attempt(self.port.keep)

    @work(group="action")
    async def action_again(self) -> None:
        """Shoot the frame again."""
        await self.attempt(self.port.shoot_again)

    @work(group="action")
    async def action_takes(self) -> None:
        """Show the frame's takes; the one that is picked stands for the frame."""
        takes = _takes(self.view)
        if not takes:
            return
        options = [
            (
                str(c.id),
                f"Take {c.take}   {c.verdict:<9} {_DECISIONS.get(c.decision or '', 'waits')}",
            )
            for c in takes
        ]
        question = f"Frame {takes[0].frame}: which take shall stand for it?"
        picked = await self.app.push_screen_wait(Pick(question, options))
        if picked is not None:
            await self.attempt(lambda: self.port.choose(takes[0].frame, int(picked)))

    @work(group="action")
    async def action_undo(self) -> None:
        """Take the last step or choice back."""
        what = await self.attempt(self.port.undo)
        if what is not None:
            self.say(f"Undone: {what}. {self._what_is_next()}")

    def action_scroll_verdict(self, pages: int) -> None:
        """Read on, or back, in a verdict that is longer than its panel."""
        panel = self.query_one(VerdictPanel)
        panel.scroll_relative(y=pages * max(panel.size.height - 1, 1), animate=False)

    @work(group="action")
    async def action_use_advice(self) -> None:
        """Set the shutter as advised; the frame is shot again."""
        now_set = await self.attempt(self.port.follow_advice)
        if now_set:
            self.say(f"The shutter is set to {printable(now_set, 20)}. Shoot the frame again.")

    @work(group="action")
    async def action_mark(self, state: str) -> None:
        """Close the frame without a picture, or with one of nothing."""
        await self.attempt(lambda: self.port.mark(FrameState(state)))

    @work(group="action")
    async def action_go(self) -> None:
        """Ask for a frame and go there."""
        if self.view is None:
            return
        last = self.view.roll.frames_expected
        answer = await self.app.push_screen_wait(
            AskText(f"Go to which frame? (1 to {last})", check=lambda t: _frame_complaint(t, last))
        )
        if answer:
            await self.attempt(lambda: self.port.go_to(int(answer)))

    @work(group="action")
    async def action_onward(self) -> None:
        """Leave a frame that was gone to; go on with the next open one."""
        await self.attempt(lambda: self.port.go_to(None))

    @work(group="action")
    async def on_frame_cell_clicked(self, event: FrameCell.Clicked) -> None:
        """Go to the frame that was clicked."""
        await self.attempt(lambda: self.port.go_to(event.frame))

    @work(group="action")
    async def action_note(self) -> None:
        """Ask for a note about the frame."""
        if self.view is None:
            return
        number = self.view.place.frame or self.view.roll.frames_expected
        old = self.view.frames[number - 1].note
        text = await self.app.push_screen_wait(AskText(f"Note about frame {number}", old))
        if text is not None:
            noted = await self.attempt(lambda: self.port.note(text, number))
            if noted is not None:
                self.say(f"Noted for frame {noted}.")

    @work(group="action")
    async def action_ask_less(self) -> None:
        """Shorten the checklist, or make it whole again."""
        if self.view is None:
            return
        short = not self.view.short
        said = await self.attempt(lambda: self.port.ask_less(short))
        if said:
            self.say(said)

    @work(group="action")
    async def action_extra(self) -> None:
        """Add a frame at the end of the roll."""
        await self.attempt(self.port.one_more_frame)

    @work(group="action")
    async def action_connect(self) -> None:
        """Connect to the camera again."""
        said = await self.attempt(self.port.reconnect)
        if said is not None:
            self.say(" ".join(said) or "The camera is connected.")
            await show_left_over(self)
            await offer_shutter(self)

    @work(group="action")
    async def action_left_over(self) -> None:
        """Show pictures on the card and files in the folder that belong to no frame."""
        await show_left_over(self, asked=True)

    @work(group="action")
    async def action_log(self) -> None:
        """Show the roll's log."""
        lines = await self.attempt(self.port.log_lines)
        text = Text()
        for at, frame, kind, line in lines or ():
            text.append(f"{_clock(at)} ", "dim")
            text.append(
                f"{kind:<10} {f'f{frame:03d}' if frame else '    '} {printable(line, 500)}\n"
            )
        await self.app.push_screen_wait(Reading("Log of the roll, newest last", text, at_end=True))

    @work(group="action")
    async def action_mishap(self) -> None:
        """Let the simulated hand make a mistake, or put it right (rehearsal only)."""
        active = await self.port.active_mishaps()
        options = [
            (code, f"{'▣' if code in active else '□'} {label}")
            for code, label in await self.port.mishaps()
        ]
        code = await self.app.push_screen_wait(
            Pick("What shall go wrong? (again: put right)", options)
        )
        if code:
            frame = self.view.place.frame if self.view else None
            await self.attempt(lambda: self.port.toggle_mishap(code, frame))

    @work(group="action")
    async def action_own_button(self) -> None:
        """Press the simulated camera's own shutter button (rehearsal only)."""
        frame = self.view.place.frame if self.view else None
        if frame is not None:
            await self.attempt(lambda: self.port.press_camera_button(frame))

    @work(group="action")
    async def action_bench(self, station: str) -> None:
        """Open one of the screens that ready the bench."""
        self.say("")
        make = await asyncio.to_thread(screen_of, station)
        await self.app.push_screen_wait(make(self.context, self.port, await self.port.view()))
        await self.refresh_view()

    async def on_mount(self) -> None:
        """Begin. The base has its own, which Textual calls as well."""
        self._begin()

    @work(group="action")
    async def _begin(self) -> None:
        """Offer what was left over; in an archive that knows no bench yet, open the set-up walk."""
        if self.view is None:
            await self.refresh_view()
        await show_left_over(self)
        await offer_shutter(self)
        if self._bench_unknown():
            await self._walk()

    def _setting_up(self) -> bool:
        step = self.view.place.step if self.view else None
        return step is not None and step.scope is Scope.SITTING

    def _bench_unknown(self) -> bool:
        """Whether the bench is asked about, and the archive knows none."""
        question = self.view.bench if self.view else None
        return question is not None and question.last is None

    @work(group="action")
    async def action_walk(self) -> None:
        """Open the set-up walk."""
        await self._walk()

    async def _walk(self) -> None:
        from tether.tui.screens.setup_screen import WalkScreen

        await self.app.push_screen_wait(WalkScreen(self.context, self.port, await self.port.view()))
        await self.refresh_view()

    @work(group="action")
    async def action_leave_out(self) -> None:
        """Leave out what is open of the set-up."""
        said = await self.attempt(self.port.skip_set_up)
        if said:
            self.say(said)

    def at_hand(self) -> Text:
        """Explain the step at hand, for the help."""
        return help_at(self.view.place) if self.view else Text()

    @work(group="action")
    async def action_picture(self) -> None:
        """Show the positive as large as the terminal."""
        picture = self._picture[1]
        if picture is not None and self.view is not None:
            title = self._picture_title(last_capture(self.view))
            await self.app.push_screen_wait(LargePicture(self.context.terminal, picture, title))

    def action_leave(self) -> None:
        """Leave; everything is stored already."""
        self.app.exit()


def _takes(view: View | None) -> tuple[Capture, ...]:
    """The captures of the frame that is next."""
    frame = view.place.frame if view else None
    return view.frames[frame - 1].captures if view and frame else ()


def _clock(at: str) -> str:
    """A stored time as the clock on the wall shows it."""
    return datetime.fromisoformat(at).astimezone().strftime("%Y-%m-%d %H:%M:%S")


def _frame_complaint(text: str, last: int) -> str | None:
    if text.isdecimal() and 1 <= int(text) <= last:
        return None
    return f"Give a number from 1 to {last}."
