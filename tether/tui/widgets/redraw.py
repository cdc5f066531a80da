"""Draws only what has changed, and lets nothing draw under another screen.

Whatever is given to a widget is drawn again, and most of it laid out again with all the rest of
the screen: some ten milliseconds each, for which a key has to wait.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from rich.console import RenderableType
from rich.text import Text
from textual.screen import Screen
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


def while_seen(screen: Screen[Any], seconds: float, call: Callable[[], object]) -> None:
    """Call every so many seconds, but not under another screen: that would be drawn too."""

    def tick() -> None:
        if screen.is_active:
            call()

    screen.set_interval(seconds, tick)
