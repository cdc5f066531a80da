"""Shows what changed, and leaves alone what did not.

Whatever is given to a widget is drawn anew, and most of it laid out anew with all the rest of the
screen: some ten milliseconds each, for which a key has to wait.
"""

from __future__ import annotations

from rich.text import Text
from textual.widget import Widget
from textual.widgets import Static


def put(where: Static, text: Text, *, layout: bool = True) -> None:
    """Show a text; ``layout`` where it may take another number of lines than the one before."""
    if where.content != text:
        where.update(text, layout=layout)


def put_title(where: Widget, title: str) -> None:
    """Write a title into the border of a panel."""
    if where.border_title != title:
        where.border_title = title
