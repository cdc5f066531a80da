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
from tether.errors import TetherError
from tether.tui.keys import bindings
from tether.tui.terminal.probe import Terminal
from tether.tui.widgets.key_line import KeyLine
from tether.tui.widgets.picture_widget import Drawn
from tether.tui.widgets.redraw import put_title

if TYPE_CHECKING:
    from PIL.Image import Image

    from tether.tui.session_port import SessionPort


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
        self.capture: Capture | None = None
        self.of_negative = False
        self._positive_of = positive_of
        self._of: tuple[int, bool | None] = (0, None)

    def compose(self) -> ComposeResult:
        """Lay out the panel."""
        self.add_class("-empty")
        yield self.drawn

    def forget(self) -> None:
        """Have the positive made anew: it is to look otherwise."""
        self._of = (0, None)

    @work(exclusive=True)
    async def show(self, capture: Capture | None, *, of_negative: bool = False) -> None:
        """Show the positive of a capture; it is made once for each side that faced the lens."""
        self.of_negative = of_negative
        of = (capture.id, capture.facts.base_side) if capture is not None else self._of
        self.heading = f"Positive: frame {capture.frame}, take {capture.take}" if capture else ""
        put_title(self, self.heading)
        if capture is not None and of != self._of:
            # Not for a moment is there the picture of another frame beside its verdict.
            self.picture = None
            self.drawn.show(None)
            self._of, self.picture = of, await self._positive_of(capture)
            self.capture = capture
        if not self.is_attached:
            return  # the person has left meanwhile
        self.set_class(self.picture is None, "-empty")
        if self.drawn.picture is not self.picture:
            self.drawn.show(self.picture)
        self.screen.refresh_bindings()


class LargePicture(ModalScreen[None]):
    """Shows the positive of a capture as large as the terminal, and lets its contrast be chosen."""

    BINDINGS: ClassVar[list[BindingType]] = bindings("positive")
    TITLE = "Positive"
    HELP = (
        "The last picture as a positive, the right way round, as large as the terminal. Hatched "
        "spots are saturated: the sensor could hold no more light there. {contrast} makes the "
        "positive of a negative softer or harder, {contrast-roll} gives all frames of the roll the "
        "same. Deliveries use it."
    )

    def __init__(self, terminal: Terminal, panel: PicturePanel, port: SessionPort) -> None:
        super().__init__()
        self.terminal = terminal
        self.panel = panel
        self.port = port

    def compose(self) -> ComposeResult:
        """Lay out the picture."""
        with Container(classes="large-picture") as box:
            box.border_title = self.panel.heading
            yield Drawn(self.terminal, self.panel.picture)
        yield KeyLine()

    def check_action(self, action: str, _parameters: tuple[object, ...]) -> bool | None:
        """Offer a contrast where the film has one."""
        return not action.startswith("contrast") or self.panel.of_negative

    @work(group="contrast", exclusive=True)
    async def action_contrast(self, of_roll: bool) -> None:
        """Choose the next contrast for the frame, or this one for the roll."""
        capture, box = self.panel.capture, self.query_one(".large-picture")
        if capture is None:
            return
        try:
            said = await self.port.turn_contrast(capture, of_roll=of_roll)
        except TetherError as error:
            box.border_subtitle = str(error)
            return
        self.panel.forget()
        self.panel.picture = await self.port.positive(capture)
        box.border_subtitle = said
        self.query_one(Drawn).show(self.panel.picture)

    def action_leave(self) -> None:
        """Go back."""
        self.dismiss(None)
