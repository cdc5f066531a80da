"""A text that may be long, of which only the lines that are seen are drawn.

A `Static` renders all its lines before the first is seen: a help of ninety makes a key wait twice
as long as these do, a log of thousands for seconds.
"""

from __future__ import annotations

from collections.abc import Callable

from rich.style import Style
from rich.text import Text
from textual.geometry import Region, Size
from textual.scroll_view import ScrollView
from textual.strip import Strip

Made = Text | Callable[[int], Text]
"""A text, or what makes one for a width in columns."""


class LongText(ScrollView, can_focus=True):
    """Shows a text, broken into lines as wide as there is room."""

    ALLOW_SELECT = False

    def __init__(self, made: Made, *, at_end: bool = False, classes: str | None = None) -> None:
        """Show a text once there is room, ``at_end`` where what is new is its end."""
        super().__init__(classes=classes)
        self._made = made
        self._at_end = at_end
        self.text = Text()
        """What is shown, unbroken."""
        self._lines: list[Text] = []
        self._width = 0
        self._ground = Style()

    def show(self, made: Made) -> None:
        """Show another text from its beginning, also while the screen is not open."""
        self._made = made
        if self._width:  # else it comes with the first layout
            self._break()
        self.scroll_home(animate=False)

    def on_resize(self) -> None:
        """Break the lines again where there is another width."""
        # Of a terminal that is drawn together nothing may be left.
        if (width := max(self.scrollable_content_region.width, 1)) != self._width:
            first, self._width = not self._width, width
            self._break()
            if first and self._at_end:
                self.scroll_end(animate=False)

    def _break(self) -> None:
        text = self._made if isinstance(self._made, Text) else self._made(self._width)
        if text == self.text and self.virtual_size.width == self._width:
            return  # What was drawn of it is still right.
        self.text = text
        self._lines = list(text.wrap(self.app.console, self._width))
        self.virtual_size = Size(self._width, len(self._lines))
        self.refresh()

    def render_lines(self, crop: Region) -> list[Strip]:
        """Draw the lines that are seen."""
        self._ground = self.rich_style  # dear to ask for, and the same for all of them
        return super().render_lines(crop)

    def render_line(self, y: int) -> Strip:
        """Draw one of them."""
        at = y + self.scroll_offset.y
        if at >= len(self._lines):
            return Strip.blank(self._width, self._ground)
        strip = Strip(self._lines[at].render(self.app.console))
        return strip.crop_extend(0, self._width, self._ground).apply_style(self._ground)
