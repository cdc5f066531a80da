"""Focusing: the live picture as a positive, and how sharp its middle and corners are."""

from __future__ import annotations

import asyncio
import time
from collections import deque
from statistics import median
from typing import ClassVar

from PIL import Image as Pictures
from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType

from tether.bench.live_focus import FocusMeter, Gauge, LiveFrame, read_live
from tether.camera.errors import CameraRefused
from tether.errors import TetherError
from tether.session.session import View
from tether.tui.app_context import ScreenContext
from tether.tui.bench_ports import LiveFocusPort
from tether.tui.keys import bindings
from tether.tui.screens.bench_screen import BenchScreen, live_beside
from tether.tui.session_port import SessionPort
from tether.tui.widgets.picture_widget import Drawn

_LEAST_SECONDS = 0.08
"""Between two pictures: a terminal draws no more than about twelve a second."""
_REFUSALS = 4
"""How often in a row a camera may be too busy for a picture before it is taken to have none."""
_BLOCKS = " ▏▎▍▌▋▊▉█"
_ROOM = 1.15
"""Length of a bar over that of its best, so that there is room to go beyond it."""
_HINT = (
    "Turn the ring past the sharpest point until the bars fall, then back to the marks ┃. Magnify "
    "with the camera's own button to see the grain. {retry} after you move the film or magnify."
)
_LATE_PICTURES = 2
"""Pictures that may still come from before the camera was magnified."""


class FocusScreen(BenchScreen):
    """Shows live view until it is left; asks the camera for nothing else meanwhile."""

    HEADING = "Focus"
    HELP = (
        "The live picture as a positive, the right way round. Bars compare the sharpness of its "
        "middle and corners with the best value so far. A bar at its mark is sharp only after you "
        "turned the ring past the sharpest point and back."
    )
    BINDINGS: ClassVar[list[BindingType]] = bindings("focus")

    def __init__(self, context: ScreenContext, port: SessionPort, view: View) -> None:
        super().__init__(context, port, view)
        self.camera = LiveFocusPort(port)
        self.meter = FocusMeter(context.settings.bench.corner_share, port.focus_seen)
        self.gauges: tuple[Gauge, ...] = ()
        self.live = True
        self.pictures = 0
        self._milliseconds: deque[float] = deque(maxlen=20)
        self._shown: deque[float] = deque(maxlen=20)
        self._magnified = False
        self._anew_at = 0
        self._advice = ""

    def body(self) -> ComposeResult:
        """Lay out the picture and the bars beside it."""
        yield from live_beside(self.context.terminal, "Sharpness")

    def on_mount(self) -> None:
        """Begin to look."""
        self._look()

    def check_action(self, action: str, _parameters: tuple[object, ...]) -> bool | None:
        """Offer only what fits: the camera's own magnifier is a key in a rehearsal only."""
        if action in ("magnify", "turn_ring"):
            return self.port.rehearsing and self.live
        return True

    @work(group="live", exclusive=True)
    async def _look(self) -> None:
        """Ask for one picture after the other, in turn with everything else."""
        self.live = True
        self.refresh_bindings()
        process, refused = self.begun_at.roll.process, 0
        while self.is_attached:
            began = time.monotonic()
            if self.app.screen is self:
                try:
                    jpeg, milliseconds = await self.camera.picture()
                    self._milliseconds.append(milliseconds)
                    frame = await asyncio.to_thread(read_live, jpeg, process)
                except CameraRefused as error:
                    refused += 1
                    if refused >= _REFUSALS:
                        await self._without(error)
                        return
                except TetherError as error:
                    await self._without(error)
                    return
                else:
                    refused = 0
                    self._show(frame)
            await asyncio.sleep(max(0.01, _LEAST_SECONDS - (time.monotonic() - began)))

    def _show(self, frame: LiveFrame) -> None:
        self.pictures += 1
        if self.pictures == self._anew_at:
            self.meter.reset()
        self._shown.append(time.monotonic())
        self.gauges = self.meter.read(frame.sharpness)
        for drawn in self.query(Drawn):
            drawn.show(Pictures.fromarray(frame.positive))
        for side in self.query("#gauges"):
            self.put("#gauge-text", self._text(max(side.size.width - 1, 12)))
        self._advise(self.meter.remark(self.gauges) or _HINT)

    def _advise(self, text: str) -> None:
        if text != self._advice:
            self._advice = text
            self.line.say(text)

    def _text(self, width: int) -> Text:
        text = Text()
        for gauge in self.gauges:
            value = f"{100 * gauge.share:.0f} % of best" if gauge.passed else "no peak yet"
            text.append(f"{gauge.place}{value:>{max(width - len(gauge.place), 12)}}\n")
            text.append(f"{gauge_bar(gauge.share, width, marked=gauge.passed)}\n", "bold")
        text.append(f"\n{self.rate()}", "dim")
        return text

    def rate(self) -> str:
        """Return how long the camera takes for a picture, and how many are shown."""
        if not self._milliseconds:
            return ""
        line = f"{median(self._milliseconds):.0f} ms per live picture"
        spent = self._shown[-1] - self._shown[0] if len(self._shown) > 1 else 0.0
        return f"{line}\n{(len(self._shown) - 1) / spent:.0f} shown per second" if spent else line

    async def _without(self, error: TetherError) -> None:
        """Say that there is no live view, and what to do instead."""
        self.live = False
        self.refresh_bindings()
        self.put(
            "#gauge-text",
            Text(
                self.keys.put_into(
                    "No live view here. Focus on the camera's own display, magnified, on the grain "
                    "of the middle and of the corners.\n\nThen go back ({back}) and shoot the "
                    "frame: the verdict judges its sharpness from the raw file. This screen takes "
                    "no test shots.\n\n[{retry}] try again"
                )
            ),
        )
        self._advice = str(error)
        await self.line.complain(error)

    def action_sharp(self) -> None:
        """Go back: it is sharp."""
        self.dismiss(True)

    def action_retry(self) -> None:
        """Forget the best values so far, or look for live view again where there was none."""
        if self.live:
            self.meter.reset()
        else:
            self._advise("")
            self._look()

    @work(group="action")
    async def action_magnify(self) -> None:
        """Press the simulated camera's magnifier, or press it again (rehearsal only)."""
        self._magnified = not self._magnified
        await self.camera.magnify(8.0 if self._magnified else 1.0)
        self._anew_at = self.pictures + 1 + _LATE_PICTURES

    @work(group="action")
    async def action_turn_ring(self, mm: float) -> None:
        """Turn the simulated lens's ring (rehearsal only)."""
        await self.camera.turn_ring(mm)


def gauge_bar(share: float, width: int, *, marked: bool = True) -> str:
    """Draw a share of the best as a bar, exactly ``width`` characters.

    ``marked`` puts a mark at the best; without it no peak was passed.
    """
    mark = min(width - 1, round(width / _ROOM))
    eighths = round(8 * mark * min(max(share, 0.0), 1.0))
    full, part = divmod(eighths, 8)
    bar = ("█" * full + (_BLOCKS[part] if part else "")).ljust(mark)
    return (bar[:mark] + ("┃" if marked else "")).ljust(width)
