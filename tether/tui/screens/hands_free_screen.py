"""Hands free: what to do with the film, large, beside the live positive."""

from __future__ import annotations

import asyncio
from typing import ClassVar

from PIL import Image as Pictures
from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType

from tether.bench.film_watch import FilmState
from tether.bench.live_focus import live_positive
from tether.session.hands_free_cues import Command, Cue, Moment
from tether.session.session import View
from tether.tui.app_context import ScreenContext
from tether.tui.bench_ports import HandsFreePort
from tether.tui.keys import bindings
from tether.tui.screens.bench_screen import BenchScreen, live_beside
from tether.tui.session_port import SessionPort
from tether.tui.terminal.sound import Tone, silence, tone
from tether.tui.widgets.picture_widget import Drawn

_DRAW_SECONDS = 0.1
"""Between two live pictures: a terminal draws no more than about ten a second."""
_TONES = {
    Cue.MOVE_ON: Tone.MOVE_ON,
    Cue.LAY_STRIP: Tone.MOVE_ON,
    Cue.RESHOOT: Tone.STOP,
    Cue.HAND: Tone.STOP,
    Cue.LOOK: Tone.STOP,
    Cue.WRONG_PLACE: Tone.STOP,
    Cue.COUNT_LOST: Tone.STOP,
    Cue.BY_KEYS: Tone.STOP,
}
_FILM = {
    FilmState.MOVING: "moves",
    FilmState.RESTING: "rests",
    FilmState.HAND: "rests, with something over it",
    FilmState.OPEN_GATE: "gate open, no film",
    FilmState.DARK: "dark: is the lamp on?",
}
_ARROW_MM = 0.5


class HandsFreeScreen(BenchScreen):
    """Shows the work while the person moves the film."""

    HEADING = "Hands free"
    HELP = (
        "Move the film by a frame and let it rest. The program shoots it, and keeps it if its "
        "verdict is KEEP. Move on after the sound. Push the film back to reshoot a frame."
    )
    BINDINGS: ClassVar[list[BindingType]] = bindings("hands free")

    def __init__(self, context: ScreenContext, port: SessionPort, view: View) -> None:
        super().__init__(context, port, view)
        self.work_port = HandsFreePort(port)
        self.moment: Moment | None = None
        self.running = False
        self._drawn: object = None
        self._cue: tuple[Cue, int | None] | None = None

    def body(self) -> ComposeResult:
        """Lay out what to do, and the live picture."""
        yield from live_beside(self.context.terminal, "What to do")

    def on_mount(self) -> None:
        """Begin."""
        if why := silence():
            self.line.say(f"The bell is all there is to hear: {why}")
        self.set_interval(_DRAW_SECONDS, self._draw)
        self._run()

    def check_action(self, action: str, _parameters: tuple[object, ...]) -> bool | None:
        """Offer only what fits."""
        return not self.running if action == "go_on" else True

    @work(group="hands-free", exclusive=True)
    async def _run(self) -> None:
        self.running = True
        self.refresh_bindings()
        loop = asyncio.get_running_loop()

        def tell(moment: Moment) -> None:
            loop.call_soon_threadsafe(self._take, moment)

        await self.line.attempt(lambda: self.work_port.run(tell), "Watching the film.")
        self.running = False
        self.refresh_bindings()

    def _take(self, moment: Moment) -> None:
        """Take in how the work is; let it be heard where that changed."""
        before, self.moment = self._cue, moment
        self._cue = (moment.cue, moment.frame)
        heard = _TONES.get(moment.cue) if self._cue != before and self.is_attached else None
        if heard is not None and tone(heard):
            self.app.bell()

    @work(group="live-draw", exclusive=True)
    async def _draw(self) -> None:
        moment = self.moment
        if moment is None or self.app.screen is not self:
            return
        side = self.query_one("#gauges")
        self.put("#gauge-text", self._text(moment, max(side.size.width - 1, 12)))
        if moment.live is None or moment.live is self._drawn:
            return
        self._drawn = moment.live
        positive = await asyncio.to_thread(live_positive, moment.live, self.begun_at.roll.process)
        for drawn in self.query(Drawn):
            drawn.show(Pictures.fromarray(positive))

    def _text(self, moment: Moment, width: int) -> Text:
        stop = _TONES.get(moment.cue) is Tone.STOP
        text = Text()
        text.append(f" {moment.cue.value.upper()} ".ljust(width), "bold reverse")
        if abs(moment.push_mm) >= _ARROW_MM:
            arrow = "→" if moment.push_mm > 0 else "←"
            words = "on" if moment.push_mm > 0 else "back"
            text.append(f"\n{arrow * 3} {abs(moment.push_mm):.0f} mm {words}", "bold")
        text.append(f"\n\n{self.context.keys.put_into(moment.text)}\n", "bold" if stop else "")
        frames = self.begun_at.roll.frames_expected
        text.append(f"\n{moment.done} of {frames} frames done", "dim")
        if moment.film is not None:
            text.append(f"\nThe film: {_FILM[moment.film.state]}", "dim")
        if not self.running:
            text.append(f"\n\n{self.context.keys.put_into('{next} continues, {back} goes back.')}")
        return text

    def action_say(self, command: str) -> None:
        """Pass on what a key says."""
        self.work_port.command(Command(command))

    def action_hold(self) -> None:
        """Hold the work, or continue."""
        if self.running:
            self.work_port.stop()
        else:
            self._run()

    def action_go_on(self) -> None:
        """Continue after a stop."""
        if not self.running:
            self._run()

    def action_leave(self) -> None:
        """Stop after what is under way, and go back to the worktable."""
        self.work_port.stop()
        self._leave()

    @work(group="leave", exclusive=True)
    async def _leave(self) -> None:
        while self.running:
            await asyncio.sleep(0.02)
        self.dismiss(self.moment is not None and self.moment.cue is Cue.BY_KEYS)
