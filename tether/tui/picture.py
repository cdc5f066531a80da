"""The small positive of the last picture, right way round, on the screen.

`textual_image` asks the terminal what it can draw when it is imported, which must be before the
program takes the terminal over: pixel graphics where there are any, half blocks elsewhere.
"""

from __future__ import annotations

from typing import ClassVar

from PIL import Image as Pictures
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Container
from textual.screen import ModalScreen
from textual.widgets import Footer
from textual_image.widget import Image

from tether.film import FilmProcess
from tether.session.judging import Judgement


def positive(judgement: Judgement, process: FilmProcess) -> Pictures.Image | None:
    """Return the small positive of a judged file, None where it could not be read."""
    if judgement.picture is None:
        return None
    # numpy comes with it: a tenth of a second that the program's start need not wait for.
    from tether.positive.preview import preview

    return Pictures.fromarray(preview(judgement.picture, process))


class PicturePanel(Container):
    """Shows one picture; takes no room while there is none."""

    can_focus = False

    def compose(self) -> ComposeResult:
        """Lay out the panel."""
        self.add_class("-empty")
        yield Image(id="picture-image")

    def show(self, picture: Pictures.Image | None, title: str) -> None:
        """Show a picture, None for nothing."""
        self.border_title = title
        self.set_class(picture is None, "-empty")
        for image in self.query("#picture-image").results(Image):
            image.image = picture


class LargePicture(ModalScreen[None]):
    """Shows a picture as large as the terminal."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,p,q,enter", "leave", "Back")]

    def __init__(self, picture: Pictures.Image, title: str) -> None:
        super().__init__()
        self.picture = picture
        self.heading = title

    def compose(self) -> ComposeResult:
        """Lay out the picture."""
        with Container(classes="large-picture") as box:
            box.border_title = self.heading
            yield Image(self.picture)
        yield Footer()

    def action_leave(self) -> None:
        """Go back."""
        self.dismiss(None)
