"""The head of the main screen: which roll, what is wrong in a rehearsal, and which checklist."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from rich.text import Text
from textual.widgets import Static

from tether.session.session import View
from tether.text import printable
from tether.tui.widgets.redraw import put

Mishap = tuple[str, str, str]
"""Code, words and heading of what can be made to go wrong in a rehearsal."""


class TitleLine(Static):
    """Shows a line; what differs from roll to roll comes first, because the end may be cut."""

    def show(self, view: View, mishaps: Sequence[Mishap], active: Collection[str]) -> None:
        """Show a view, and which mishaps are in force."""
        roll = view.roll
        line = Text(no_wrap=True, overflow="ellipsis")
        line.append(f" {printable(roll.name, 50)} ", "bold reverse")
        if wrong := in_force(mishaps, active):
            line.append(f"  {wrong}", "italic")
        if view.short:
            line.append("  short checklist", "italic")
        line.append(f"  {roll.process.label}, {roll.film_format.label}")
        put(self, line, layout=False)


def in_force(mishaps: Sequence[Mishap], active: Collection[str]) -> str:
    """Name what is wrong now in the words of the list, "" for nothing."""
    words = [label.partition(" (")[0] for code, label, _ in mishaps if code in active]
    if len(words) > 1:
        return f"{len(words)} mishaps: {'; '.join(words)}"
    return f"mishap: {words[0]}" if words else ""
