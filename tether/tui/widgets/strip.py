"""The strip in the holder: its frames, their states, and the one at work."""

from __future__ import annotations

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.message import Message
from textual.widget import Widget
from textual.widgets import Static

from tether.archive.records import Frame, FrameState
from tether.session.session import View
from tether.tui.widgets.redraw import put

_STYLES = {
    FrameState.OPEN: "",
    FrameState.KEPT: "green",
    FrameState.SKIPPED: "yellow",
    FrameState.BLANK: "cyan",
    FrameState.DAMAGED: "red",
}


class FrameCell(Static):
    """One frame of the strip; a click asks to go there."""

    class Clicked(Message):
        """A frame was clicked."""

        def __init__(self, frame: int) -> None:
            super().__init__()
            self.frame = frame

    def __init__(self, frame: Frame, current: bool) -> None:
        super().__init__(classes="cell")
        self.frame_number = frame.number
        self.show(frame, current)

    def show(self, frame: Frame, current: bool) -> None:
        """Show a frame's state; ``current`` for the one at work."""
        self.frame_number = frame.number
        takes = len(frame.captures)
        mark = "?" if frame.undecided is not None else frame.state.mark
        text = Text(justify="center")
        text.append(f"{'▸' if current else ' '}{frame.number:>2} ", "bold" if current else "")
        text.append(mark, _STYLES[frame.state])
        text.append(str(takes) if takes > 1 else " ", "dim" if takes > 1 else "")
        put(self, text, layout=False)
        self.set_class(current, "current")

    def on_click(self) -> None:
        """Ask to go to this frame."""
        self.post_message(self.Clicked(self.frame_number))


class StripBar(Widget):
    """The strip at work with its frames, and how far the roll is."""

    def compose(self) -> ComposeResult:
        """Lay out the title and the row of frames."""
        yield Static(id="strip-title")
        yield Horizontal(id="strip-cells")

    async def show(self, view: View) -> None:
        """Show a view."""
        roll = view.roll
        at = view.place.frame or roll.frames_expected
        strip = roll.strip_of(at)
        marks = "".join(
            ("?" if f.undecided else f.state.mark) for f in view.frames[: roll.frames_expected]
        )
        where = f"Strip {strip} of {roll.strips}" if roll.strip_length else "Uncut roll"
        title = Text(no_wrap=True, overflow="ellipsis")
        title.append(f"{where}  ", "bold")
        title.append(f"{view.done} of {roll.frames_expected} frames done  ")
        title.append(marks, "dim")
        put(self.query_one("#strip-title", Static), title, layout=False)
        numbers = list(roll.frames_of(strip))
        room = max((self.size.width or 80) // 8, 4)
        if len(numbers) > room:
            first = min(max(at - room // 2, numbers[0]), numbers[-1] - room + 1)
            numbers = list(range(first, first + room))
        row = self.query_one("#strip-cells", Horizontal)
        frames = [view.frames[n - 1] for n in numbers]
        cells = list(row.query(FrameCell))
        if len(cells) == len(frames):
            # Cells that stay where they are do not lose a click that is under way.
            for cell, frame in zip(cells, frames, strict=True):
                cell.show(frame, frame.number == view.place.frame)
            return
        await row.remove_children()
        await row.mount_all(FrameCell(f, f.number == view.place.frame) for f in frames)
