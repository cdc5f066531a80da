"""Choosing a roll, describing a new one, and reading the log and the progress of one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import ClassVar

from rich.text import Text
from textual.actions import SkipAction
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.screen import Screen
from textual.widgets import Button, Input, Label, OptionList, Select
from textual.widgets.option_list import Option

from tether.archive.records import STRIP_CUTS, NewRoll, RollProgress
from tether.description import ROLL_FIELDS
from tether.errors import TetherError
from tether.film import FILM_FORMATS, FilmProcess
from tether.reports.rolls import Statement
from tether.text import printable
from tether.tui.keys import bindings
from tether.tui.widgets.key_line import KeyLine


class ChooseRoll(Screen[str | None]):
    """Offers the rolls of the archive, unfinished ones first; "" asks for a new one."""

    BINDINGS: ClassVar[list[BindingType]] = bindings("rolls")
    TITLE = "Rolls"
    HELP = "The rolls of the archive, unfinished ones first. Enter resumes the marked one."

    def __init__(self, rolls: Sequence[RollProgress]) -> None:
        super().__init__()
        self.rolls = sorted(rolls, key=lambda p: (p.next_frame is None, -p.roll.id))

    def compose(self) -> ComposeResult:
        """Lay out the list."""
        with Vertical(classes="page"):
            yield Label("Which roll are you shooting?", classes="heading")
            options = [Option(Text("+ A new roll"), id="new")]
            for p in self.rolls:
                left = f"next: frame {p.next_frame}" if p.next_frame else "complete"
                line = (
                    f"{printable(p.roll.name, 40)}   {p.roll.process.label}   "
                    f"{p.frames_done} of {p.roll.frames_expected}   {left}"
                )
                options.append(Option(Text(line), id=f"roll-{p.roll.id}"))
            listed = OptionList(*options)
            listed.highlighted = 1 if len(options) > 1 else 0
            yield listed
        yield KeyLine()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Resume the roll that was chosen."""
        if event.option_id == "new":
            self.dismiss("")
            return
        self.dismiss(
            next(p.roll.name for p in self.rolls if f"roll-{p.roll.id}" == event.option_id)
        )

    def action_leave(self) -> None:
        """Leave the program."""
        self.dismiss(None)


_DESCRIBED = {key: words for key, words in ROLL_FIELDS.items() if key != "former_names"}


class DescribeRoll(Screen[NewRoll | None]):
    """Asks what a new roll is."""

    BINDINGS: ClassVar[list[BindingType]] = bindings("a new roll")
    TITLE = "A new roll"
    HELP = (
        "Describe the new roll. Count partly exposed frames too; frames can be added at the end. "
        "The kind of film sets how exposure is judged, the strips how often one is loaded."
    )

    def __init__(
        self, name: str = "", taken: Sequence[str] = (), begins: NewRoll | None = None
    ) -> None:
        super().__init__()
        self.roll_name = name
        self.begins = begins or NewRoll(name, FilmProcess.BW_NEGATIVE)
        self.taken = frozenset(taken)

    def compose(self) -> ComposeResult:
        """Lay out the form."""
        with VerticalScroll(classes="page form", can_focus=False):
            yield Label("A new roll", classes="heading")
            with _line("Name, as on the sleeve"):
                yield Input(self.roll_name, id="name", compact=True)
            with _line("Film"):
                yield Select(
                    [(p.label, p.value) for p in FilmProcess],
                    value=self.begins.process.value,
                    allow_blank=False,
                    id="process",
                    compact=True,
                )
            with _line("Format"):
                yield Select(
                    [(f.label, key) for key, f in FILM_FORMATS.items()],
                    value=self.begins.format_key,
                    allow_blank=False,
                    id="format",
                    compact=True,
                )
            with _line("Number of frames"):
                yield Input(
                    str(self.begins.frames_expected), id="frames", type="integer", compact=True
                )
            with _line("Frames per strip"):
                yield Select(
                    [(str(n) if n else "not cut", n) for n in STRIP_CUTS],
                    value=self.begins.strip_length,
                    allow_blank=False,
                    id="strips",
                    compact=True,
                )
            with _line("Notes (optional)"):
                yield Input(self.begins.notes, id="notes", compact=True)
            yield Label(
                "Count partly exposed frames at both ends too. Enter moves to the next line."
            )
            yield Label("", id="complaint")
            with Horizontal(classes="buttons"):
                yield Button("Start the roll", variant="primary", id="start", compact=True)
            yield Label("About the film (optional)", classes="heading")
            said = self.begins.description.texts()
            for key, described in _DESCRIBED.items():
                with _line(described.words):
                    yield Input(said.get(key, ""), id=f"said-{key}", compact=True)
        yield KeyLine()

    def on_mount(self) -> None:
        """Begin at the name, or past it when it is known."""
        self.query_one("#process" if self.roll_name else "#name").focus()

    def on_button_pressed(self) -> None:
        """Start the roll."""
        self.action_start()

    def action_next_line(self) -> None:
        """Continue in the next field; a list and a button take Enter themselves."""
        if not isinstance(self.focused, Input):
            raise SkipAction
        self.focus_next()

    def action_start(self) -> None:
        """Check the form; start the roll, or say what is wrong."""
        frames = self.query_one("#frames", Input).value
        new = NewRoll(
            name=self.query_one("#name", Input).value,
            process=FilmProcess(str(self.query_one("#process", Select).value)),
            format_key=str(self.query_one("#format", Select).value),
            frames_expected=int(frames) if frames.isdecimal() else 0,
            strip_length=int(str(self.query_one("#strips", Select).value)),
            notes=self.query_one("#notes", Input).value,
        )
        said = {key: self.query_one(f"#said-{key}", Input).value for key in _DESCRIBED}
        try:
            description = self.begins.description.changed(said)
            new = replace(new, description=description).checked()
        except TetherError as error:
            self._complain(str(error))
            return
        if new.name in self.taken:
            self._complain("The archive already has a roll of that name.")
            return
        self.dismiss(new)

    def _complain(self, text: str) -> None:
        self.query_one("#complaint", Label).update(Text(text, "bold red"))

    def action_leave(self) -> None:
        """Go back."""
        self.dismiss(None)


def _line(words: str) -> Horizontal:
    """A line of the form: its words, and beside them what is filled in."""
    return Horizontal(Label(words), classes="form-line")


def log_text(lines: Iterable[tuple[str, int | None, str, str]]) -> Text:
    """Lay out a roll's log, with the times of the clock on the wall."""
    text = Text()
    for at, frame, kind, line in lines:
        clock = datetime.fromisoformat(at).astimezone().strftime("%Y-%m-%d %H:%M:%S")
        text.append(f"{clock} ", "dim")
        text.append(f"{kind:<10} {f'f{frame:03d}' if frame else '    '} {printable(line, 500)}\n")
    return text


def progress_text(progress: Statement) -> Text:
    """Lay out the progress of a roll, and what to do next."""
    text = Text("\n".join(progress.lines()))
    text.append(f"\n{progress.copy}\n\n")
    text.append("What to do next\n", "bold")
    return text.append("\n".join(progress.next))
