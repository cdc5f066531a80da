"""A picture on the screen, as large as it has room for, drawn without holding up a key.

Scaling a picture and turning it into what a terminal draws takes tens of milliseconds: that
happens in a thread, and the screen only puts the finished lines where they belong.
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from rich.control import Control
from rich.segment import ControlType, Segment
from rich.style import Style
from textual import work
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from tether.tui.terminal.probe import Terminal, Way

if TYPE_CHECKING:
    from PIL.Image import Image

    from tether.tui.terminal.terminal_graphics import Pixels

_PLAIN = Style()
_UNTOUCHED = [(ControlType.CURSOR_FORWARD, 0)]
"""A control that moves nothing: what carries one is passed on to the terminal as it is."""


class Drawn(Widget):
    """Shows one picture, or nothing."""

    can_focus = False

    def __init__(
        self, terminal: Terminal, picture: Image | None = None, *, id: str | None = None
    ) -> None:
        super().__init__(id=id)
        self.terminal = terminal
        self.picture = picture
        self._made: list[Strip] | Pixels = []
        self._stale = False
        self._at_work = False

    @property
    def finished(self) -> bool:
        """Whether what is on the screen is the last picture that was asked for."""
        return not self._stale and not self._at_work

    def show(self, picture: Image | None) -> None:
        """Show a picture as soon as it is drawn; one that is still being drawn is dropped."""
        self.picture = picture
        self._redraw()

    def on_resize(self) -> None:
        """Draw again for the room there is now."""
        self._redraw()

    def _redraw(self) -> None:
        self._stale = True
        if not self._at_work and self.is_attached:
            self._draw()

    @work(group="drawn")
    async def _draw(self) -> None:
        # Only the last of several pictures is drawn, but each that was begun is shown: where
        # they come faster than they can be drawn, some of them are still seen.
        if self._at_work:
            return
        self._at_work = True
        try:
            while self._stale and self.is_attached:
                self._stale = False
                await self._draw_once()
        finally:
            self._at_work = False

    async def _draw_once(self) -> None:
        picture, (width, height) = self.picture, self.size
        if picture is None or not width or not height:
            self._made = []
            self.refresh()
            return
        from tether.tui.terminal import terminal_graphics as pictures

        terminal = self.terminal
        if terminal.way is Way.PIXELS:
            await self._hand_over(picture, terminal)
            return
        shades = self.app.no_color or self.app.native_ansi_color
        self._made = await asyncio.to_thread(
            pictures.drawn, picture, width, height, terminal, shades=shades
        )
        self.refresh()

    async def _hand_over(self, picture: Image, terminal: Terminal) -> None:
        """Let the library's own widget send the picture, which was scaled down before."""
        from tether.tui.terminal import terminal_graphics as pictures

        width, height = self.size
        kind = await asyncio.to_thread(pictures.pixel_widget, terminal)
        scaled = await asyncio.to_thread(pictures.fitted, picture, width, height, terminal)
        shown = next(iter(self.query(kind)), None)
        if shown is None:
            await self.mount(kind(scaled))
        else:
            shown.image = scaled

    def render_line(self, y: int) -> Strip:
        """Return a finished line; empty ones lie under a picture of pixels."""
        made, width = self._made, self.size.width
        # For a moment after a change of size the lines are as many and as long as before.
        strip = made[y] if isinstance(made, list) and y < len(made) else Strip.blank(width, _PLAIN)
        return strip.adjust_cell_length(width, _PLAIN).apply_style(self.rich_style)

    def render_lines(self, crop: Region) -> list[Strip]:
        """Return the lines; the last of them draws a picture of pixels over all of them."""
        strips = super().render_lines(crop)
        made = self._made
        whole = crop == Region(0, 0, *self.size)
        if not isinstance(made, list) and whole and strips and self.screen.is_active:
            return [*strips[:-1], self._with_pixels(strips[-1], made)]
        return strips

    def _with_pixels(self, last: Strip, made: Pixels) -> Strip:
        region = self.region
        column, row = region.x + made.box[0], region.y + made.box[1]
        return Strip(
            [
                *last,
                Segment(Control.move_to(column, row).segment.text, _PLAIN),
                Segment(made.data, _PLAIN, _UNTOUCHED),
                Segment(Control.move_to(region.right, region.bottom - 1).segment.text, _PLAIN),
            ],
            last.cell_length,
        )
