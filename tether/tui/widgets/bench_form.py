"""Saying which bench this is: its name, its parts, and what was moved since the last time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from rich.text import Text
from textual.actions import SkipAction
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Button, Checkbox, Input, Label

from tether.bench.benches import BenchSetup, tidy
from tether.bench.steps import Part
from tether.errors import TetherError
from tether.settings import LAMP, STROBE
from tether.tui.keys import bindings
from tether.tui.widgets.key_line import KeyLine

_FIELDS = (
    ("name", "Name of the bench", "Attic bench", None),
    ("camera", "Camera and stand", "", Part.CAMERA),
    ("lens", "Lens and spacer", "macro 60 mm, spacer 12 mm", Part.LENS),
    ("holder", "Holder", "strip holder for 135", Part.HOLDER),
    ("lamp", "Lamp and diffuser", "daylight panel, opal glass", Part.LAMP),
    ("person", "Who is at the bench", "", None),
)
"""Field, words, an example, and the part that may have been moved."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What the person said."""

    bench: BenchSetup
    moved: frozenset[Part]
    person: str


class Tick(Checkbox):
    """A box whose cross is there only when it is ticked: it reads without colour.

    Space ticks it. Enter goes to the next line, as everywhere in the form.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "app.focus_next", show=False),
        Binding("space", "toggle_button", show=False),
    ]

    @property
    def _button(self) -> Content:
        return Content(f"[{'X' if self.value else ' '}]")


class BenchForm(ModalScreen[Answer | None]):
    """Asks for a bench; Escape gives None.

    Parameters
    ----------
    bench
        What is known of it; one without a name is new.
    camera
        What the camera that is connected calls itself.
    person
        Who is at the bench, as far as is known.
    """

    BINDINGS: ClassVar[list[BindingType]] = bindings("bench form")
    TITLE = "The bench"
    HELP = (
        "Describe the bench. The set-up checks again what you change or tick as moved; the rest "
        "still counts. Tick 'strobe' if the light is one. The program then says by how many stops "
        "to turn its power, and leaves the shutter alone."
    )

    def __init__(self, bench: BenchSetup, camera: str, person: str) -> None:
        super().__init__()
        self.bench = bench
        self.camera = camera
        self.person = person

    def compose(self) -> ComposeResult:
        """Lay out a line a field; the camera says itself what it is."""
        known = bool(self.bench.name)
        with VerticalScroll(classes="bench-form", can_focus=False):
            yield Label("The bench as it is now (Enter: next line)", classes="heading")
            for key, words, example, part in _FIELDS:
                with Horizontal(classes="bench-line"):
                    yield Label(words, classes="bench-words")
                    if key == "camera":
                        yield Label(Text(self.camera or "not connected"), classes="bench-value")
                    else:
                        value = self.person if key == "person" else getattr(self.bench, key)
                        # Said in words: without colours an example looks like what was written.
                        hint = f"for example {example}" if example else ""
                        yield Input(
                            value, placeholder=hint, id=f"bench-{key}", compact=True,
                            classes="bench-value",
                        )  # fmt: skip
                    if key == "lamp":
                        yield Tick("strobe", self.bench.light == STROBE, id="strobe", compact=True)
                    if key == "holder":
                        yield Tick("locks", self.bench.lock, id="locks", compact=True)
                    if part is not None and known:
                        yield Tick("moved", id=f"moved-{part}", compact=True)
            if known:
                yield Label(
                    "Correct any line that is no longer true. Tick a part that you moved or took "
                    "apart: it will be checked again.",
                    classes="bench-hint",
                )
            yield Label("", id="complaint")
            yield Button("Save", variant="primary", id="save", compact=True)
        yield KeyLine()

    def on_mount(self) -> None:
        """Begin at what is most likely to be written."""
        self.query_one("#bench-lens" if self.bench.name else "#bench-name").focus()

    def action_next_line(self) -> None:
        """Continue in the next field; a list and a button take Enter themselves."""
        if not isinstance(self.focused, Input):
            raise SkipAction
        self.focus_next()

    def on_button_pressed(self) -> None:
        """Take what was written."""
        self.action_save()

    def action_save(self) -> None:
        """Take what was written, or say what is wrong with it."""
        said = {
            key: self.query_one(f"#bench-{key}", Input).value
            for key, *_ in _FIELDS
            if key != "camera"
        }
        for key, words, _, _ in _FIELDS:
            if key not in said:
                continue
            try:
                said[key] = tidy(words.lower(), said[key], needed=key == "name")
            except TetherError as error:
                self.query_one("#complaint", Label).update(Text(str(error), "bold red"))
                self.query_one(f"#bench-{key}").focus()
                return
        moved = frozenset(
            part
            for _, _, _, part in _FIELDS
            if part is not None
            for box in self.query(f"#moved-{part}").results(Checkbox)
            if box.value
        )
        light = STROBE if self.query_one("#strobe", Tick).value else LAMP
        bench = BenchSetup(
            said["name"],
            lens=said["lens"],
            holder=said["holder"],
            lamp=said["lamp"],
            light=light,
            lock=self.query_one("#locks", Tick).value,
        )
        self.dismiss(Answer(bench, moved, said["person"]))

    def action_leave(self) -> None:
        """Go back without an answer."""
        self.dismiss(None)
