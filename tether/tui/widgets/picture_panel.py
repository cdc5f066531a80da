"""The small positive of the last picture, right way round, on the screen."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Container

from tether.tui.terminal.probe import Terminal
from tether.tui.widgets.key_line import KeyLine, Over
from tether.tui.widgets.picture_widget import Drawn
from tether.tui.widgets.update_if_changed import put_title

if TYPE_CHECKING:
    from PIL.Image import Image


class PicturePanel(Container):
    """Shows one picture; takes no room while there is none."""

    can_focus = False

    def __init__(self, terminal: Terminal, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.terminal = terminal

    def compose(self) -> ComposeResult:
        """Lay out the panel."""
        self.add_class("-empty")
        yield Drawn(self.terminal, id="picture-drawn")

    def show(self, picture: Image | None, title: str) -> None:
        """Show a picture, None for nothing."""
        put_title(self, title)
        self.set_class(picture is None, "-empty")
        for drawn in self.query(Drawn):
            if drawn.picture is not picture:
                drawn.show(picture)


class LargePicture(Over[None]):
    """Shows a picture as large as the terminal."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,p,q,enter", "leave", "Back", key_display="Esc", tooltip="back"),
    ]
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
