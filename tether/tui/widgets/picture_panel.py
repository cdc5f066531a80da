"""The small positive of the last picture, right way round, on the screen."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING, ClassVar

from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container
from textual.screen import ModalScreen

from tether.archive.records import Capture
from tether.tui.keys import bindings
from tether.tui.terminal.probe import Terminal
from tether.tui.widgets.key_line import KeyLine
from tether.tui.widgets.picture_widget import Drawn
from tether.tui.widgets.redraw import put_title

if TYPE_CHECKING:
    from PIL.Image import Image


class PicturePanel(Container):
    """Shows the positive of one capture; takes no room while there is none.

    ``positive_of`` makes it, or None where the file could not be read.
    """

    can_focus = False

    def __init__(
        self,
        terminal: Terminal,
        positive_of: Callable[[Capture], Awaitable[Image | None]],
        *,
        id: str | None = None,
    ) -> None:
        super().__init__(id=id)
        self.drawn = Drawn(terminal, id="picture-drawn")
        self.picture: Image | None = None
        self.heading = ""
        self._positive_of = positive_of
        self._of: tuple[int, bool | None] = (0, None)

    def compose(self) -> ComposeResult:
        """Lay out the panel."""
        self.add_class("-empty")
        yield self.drawn

    @work(exclusive=True)
    async def show(self, capture: Capture | None) -> None:
        """Show the positive of a capture; it is made once for each side that faced the lens."""
        of = (capture.id, capture.facts.base_side) if capture is not None else self._of
        self.heading = f"Positive: frame {capture.frame}, take {capture.take}" if capture else ""
        put_title(self, self.heading)
        if capture is not None and of != self._of:
            # Not for a moment is there the picture of another frame beside its verdict.
            self.picture = None
            self.drawn.show(None)
            self._of, self.picture = of, await self._positive_of(capture)
        if not self.is_attached:
            return  # the person has left meanwhile
        self.set_class(self.picture is None, "-empty")
        if self.drawn.picture is not self.picture:
            self.drawn.show(self.picture)
        self.screen.refresh_bindings()


class LargePicture(ModalScreen[None]):
    """Shows a picture as large as the terminal."""

    BINDINGS: ClassVar[list[BindingType]] = bindings("positive")
    TITLE = "Positive"
    HELP = (
        "The last picture as a positive, the right way round, as large as the terminal. Hatched "
        "spots are saturated: the sensor could hold no more light there."
    )

    def __init__(self, terminal: Terminal, picture: Image, title: str) -> None:
        super().__init__()
        self.terminal = terminal
        self.picture = picture
        self.heading = title

    def compose(self) -> ComposeResult:
        """Lay out the picture."""
        with Container(classes="large-picture") as box:
            box.border_title = self.heading
            yield Drawn(self.terminal, self.picture)
        yield KeyLine()

    def action_leave(self) -> None:
        """Go back."""
        self.dismiss(None)
