"""Shows what changed, and leaves alone what did not.

Whatever is given to a widget is drawn anew, and most of it laid out anew with all the rest of the
screen: some ten milliseconds each, for which a key has to wait.
"""

from __future__ import annotations

from rich.console import RenderableType
from rich.text import Text
from textual.widget import Widget
from textual.widgets import Static


def put(where: Static, content: RenderableType, *, layout: bool = True) -> None:
    """Show something; ``layout`` where it may take another number of lines than what was there.

    Only of a text it is known whether it is the same.
    """
    if not (isinstance(content, Text) and _same(where.content, content)):
        where.update(content, layout=layout)


def _same(shown: object, text: Text) -> bool:
    # A text's own comparison leaves out the style of the whole.
    return isinstance(shown, Text) and shown == text and shown.style == text.style


def put_title(where: Widget, title: str) -> None:
    """Write a title into the border of a panel."""
    if where.border_title != title:
        where.border_title = title
