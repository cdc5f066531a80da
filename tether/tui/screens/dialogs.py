"""Small screens that ask one thing, or show one text."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.events import Key
from textual.screen import ModalScreen
from textual.widgets import Input, Label, OptionList
from textual.widgets.option_list import Option

from tether.tui.keys import bindings
from tether.tui.widgets.key_line import KeyLine
from tether.tui.widgets.redraw import put_title
from tether.tui.widgets.text_view import LongText, Made


class AskText(ModalScreen[str | None]):
    """Asks for a line of text; Escape gives None."""

    BINDINGS: ClassVar[list[BindingType]] = bindings("question")
    TITLE = "A question"
    HELP = "Asks for a line of text. Enter ends it."

    def __init__(
        self, question: str, value: str = "", check: Callable[[str], str | None] | None = None
    ) -> None:
        super().__init__()
        self.question = question
        self.value = value
        self.check = check

    def compose(self) -> ComposeResult:
        """Lay out the question and the line."""
        with Vertical(classes="dialog"):
            yield Label(Text(self.question), classes="question")
            yield Input(self.value, id="answer")
            yield Label("", id="complaint")
            yield Label(Text("[Enter] done", "dim"))
        yield KeyLine()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Take the line when it passes the check."""
        complaint = self.check(event.value) if self.check else None
        if complaint:
            self.query_one("#complaint", Label).update(Text(complaint, "bold red"))
        else:
            self.dismiss(event.value)

    def action_leave(self) -> None:
        """Go back without an answer."""
        self.dismiss(None)


class Pick(ModalScreen[str | None]):
    """Offers a list; Escape gives None.

    Each line has an id and its words; one without an id is a heading. ``numbered`` lines can be
    reached by typing their number.
    """

    BINDINGS: ClassVar[list[BindingType]] = bindings("choice")
    TITLE = "A choice"
    HELP = "Offers a list. Choose with the arrow keys, or type the number of a line, then Enter."

    def __init__(
        self, question: str, options: Iterable[tuple[str, str]], *, numbered: bool = False
    ) -> None:
        super().__init__()
        self.question = question
        self.options = tuple(options)
        self.numbered = [n for n, (key, _) in enumerate(self.options) if key] if numbered else []
        """Where in the list the numbered lines are."""
        self._typed = ""

    def compose(self) -> ComposeResult:
        """Lay out the question and the list."""
        with Vertical(classes="dialog tall"):
            yield Label(Text(self.question), classes="question")
            yield OptionList(*self._lines())
            number = "   number: go to the line" if self.numbered else ""
            yield Label(Text(f"[Enter] choose{number}", "dim"))
        yield KeyLine()

    def _lines(self) -> Iterable[Option]:
        numbers = {place: n for n, place in enumerate(self.numbered, 1)}
        for place, (key, label) in enumerate(self.options):
            if not key:
                yield Option(Text(label, "bold"), disabled=True)
            else:
                number = f"{numbers[place]:>3} " if place in numbers else ""
                yield Option(Text(number + label), id=key)

    def on_key(self, event: Key) -> None:
        """Go to the line whose number is typed."""
        digit = event.character or ""
        if not digit.isdecimal() or not self.numbered:
            return
        number = int(self._typed + digit)
        if number > len(self.numbered):
            number = int(digit)
        self._typed = str(number)
        if number:
            self.query_one(OptionList).highlighted = self.numbered[number - 1]

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Take what was picked."""
        self.dismiss(event.option_id)

    def action_leave(self) -> None:
        """Go back without an answer."""
        self.dismiss(None)


class Reading(ModalScreen[None]):
    """Shows a text to read."""

    BINDINGS: ClassVar[list[BindingType]] = bindings("reading")
    TITLE = "Reading"
    HELP = "Shows a text to read."

    def __init__(self, title: str, made: Made, *, at_end: bool = False) -> None:
        """Begin with a text, or with what makes one for a width, ``at_end`` of it if wanted."""
        super().__init__()
        self.at_end = at_end
        self.heading = title
        self.made = made

    def compose(self) -> ComposeResult:
        """Lay out the text."""
        text = LongText(self.made, at_end=self.at_end, classes="reading")
        text.border_title = self.heading
        yield text
        yield KeyLine()

    def turn_to(self, title: str, made: Made) -> None:
        """Show another text, also while the screen is not open."""
        text = self.query_one(LongText)
        put_title(text, title)
        text.show(made)
        # The terminal may have been made smaller or larger since.
        self.query_one(KeyLine).fit()

    def action_leave(self) -> None:
        """Go back."""
        self.dismiss(None)

    def action_down(self) -> None:
        """Scroll down."""
        self.query_one(LongText).scroll_down()

    def action_up(self) -> None:
        """Scroll up."""
        self.query_one(LongText).scroll_up()
