"""The line of keys at the foot of a screen.

Textual's own footer is not used: it keeps every key that it ever showed (known upstream), which
over a day at the bench slows the program down. This one is a line of text, which also wraps.
"""

from __future__ import annotations

from itertools import groupby
from typing import cast

from textual.binding import Binding
from textual.content import Content
from textual.events import Click
from textual.geometry import Size
from textual.screen import Screen
from textual.style import Style
from textual.widgets import Static

from tether.tui.keys import Keys, Shell, bindings_of, key_name

_MEANT = "pressed"
"""What a part of the line means when it is clicked."""

LEAST = Size(80, 24)
"""Columns and rows that the screens are laid out for."""


def room_complaint(size: Size, keys: Keys) -> str | None:
    """Say that a terminal is too small, None when it is not."""
    if size.width >= LEAST.width and size.height >= LEAST.height:
        return None
    return (
        f"This terminal has {size.width} columns and {size.height} rows. The screens need "
        f"{LEAST.width} by {LEAST.height}.\n\nMake the window larger or the type smaller. Work "
        "under way continues, and nothing is lost.\n\n"
        f"[{keys['next']}] continue in this size   [{keys['quit']}] leave"
    )


class KeyLine(Static):
    """Shows the keys that fit now; each can be clicked. What finds no room is in the help.

    In a terminal that is too small it covers the screen and says so, because every screen has it.
    """

    ALLOW_SELECT = False

    def __init__(self, rows: int = 1) -> None:
        super().__init__()
        self._rows = rows
        self._told = False
        self.styles.height = rows

    def on_mount(self) -> None:
        """Follow what the screen says about its keys."""
        self.screen.bindings_updated_signal.subscribe(self, self._changed)
        self.fit()

    def on_click(self, event: Click) -> None:
        """Press the key that was clicked."""
        if key := event.style.meta.get(_MEANT):
            self.app.simulate_key(key)

    def on_unmount(self) -> None:
        """Follow it no longer."""
        self.screen.bindings_updated_signal.unsubscribe(self)

    def on_resize(self) -> None:
        """Wrap again."""
        self._write()

    def fit(self) -> None:
        """Take the room of a line, or of the whole screen where that is too small."""
        cramped = cast(Shell, self.app).cramped
        self.set_class(cramped, "-cramped")
        self.styles.height = "100%" if cramped else self._rows
        self._write()

    def _changed(self, screen: Screen[object]) -> None:
        # Also while another window has the keyboard: a picture may come by the camera's own button.
        if self.is_attached and screen is self.screen and not self._told:
            self._told = True  # one line for all news until then
            self.call_later(self._write)

    def _write(self) -> None:
        self._told = False
        if not self.is_attached:
            return
        if cast(Shell, self.app).cramped:
            content = Content(room_complaint(self.app.size, cast(Shell, self.app).keys) or "")
        else:
            content = self._content()
        shown = self.content
        if not isinstance(shown, Content) or not shown.is_same(content):
            self.update(content, layout=False)

    def _content(self) -> Content:
        """Put the keys into as many rows as there are, one action once; the help comes last.

        Keys that do the same to several things, as each of the bench's screens, are shown together
        or not at all.
        """
        fitting: dict[str, tuple[Content, int]] = {}
        # Textual puts a key of the person's own behind those of the table.
        place = {row.action: n for n, row in enumerate(bindings_of(type(self.screen)))}
        offered = self.screen.active_bindings.values()
        for active in sorted(offered, key=lambda a: place.get(a.binding.action, len(place))):
            binding = active.binding
            if binding.show and binding.action not in fitting:
                key, words = self._key_shown(binding), binding.description.lower()
                shown = _key(binding.key, key, words, enabled=active.enabled)
                fitting[binding.action] = shown, len(key) + len(words) + 3
        # Where not all find room, the help is what tells of the others.
        last, kept = fitting.pop("app.help", (Content(""), 0))
        lines: list[list[Content]] = [[]]
        left = self.size.width
        for _, peers in groupby(fitting.items(), key=lambda item: item[0].partition("(")[0]):
            together = [shown for _, shown in peers]
            width = sum(width for _, width in together)
            at_end = kept if len(lines) == self._rows else 0
            if width > left - at_end:
                if len(lines) == self._rows:
                    break
                lines.append([])
                left = self.size.width
            left -= width
            lines[-1] += [shown for shown, _ in together]
        if kept > left and len(lines) < self._rows:
            lines.append([])
        lines[-1].append(last)
        return Content("\n").join(Content("").join(line) for line in lines)

    def _key_shown(self, binding: Binding) -> str:
        shown = self.app.get_key_display(binding)
        return shown if len(shown) == 1 else key_name(binding.key)


def _key(pressed: str, key: str, words: str, *, enabled: bool) -> Content:
    dim = "" if enabled else "dim"
    return Content.assemble(
        (f" {key}", f"bold $footer-key-foreground {dim}"),
        (f" {words} ", f"$footer-description-foreground {dim}"),
    ).stylize(Style.from_meta({_MEANT: pressed}))
