"""The command palette: every key of the screen that is open, by its words."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import TYPE_CHECKING, cast

from textual.command import DiscoveryHit, Hit, Hits, Provider

from tether.tui.keys import key_name

if TYPE_CHECKING:
    from tether.tui.base_app import Shell


class ScreenCommands(Provider):
    """Offers what the screen's keys do; a command that is chosen is its key, pressed."""

    def _commands(self) -> Iterator[tuple[str, str, Callable[[], object]]]:
        """Yield (words, explanation, call) of each action that fits now, once."""
        keys = cast("Shell", self.app).keys
        offered: set[str] = set()
        for key, active in self.screen.active_bindings.items():
            row = active.binding
            ours = row.id and active.enabled and row.id not in ("palette", "forward", "quit")
            if ours and row.action not in offered:
                offered.add(row.action)
                what = f"{key_name(key)}: {keys.put_into(row.tooltip or row.description)}"
                yield row.description, what, partial(self.app.simulate_key, key)
        yield "Theme", "Try other colours, high contrast and greys among them", self._theme
        yield "Screenshot", "Save a picture of the screen (SVG)", self._screenshot

    def _theme(self) -> None:
        self.app.action_change_theme()

    def _screenshot(self) -> None:
        self.app.action_screenshot()

    async def discover(self) -> Hits:
        """Offer all of them before anything is typed."""
        for words, what, call in self._commands():
            yield DiscoveryHit(words, call, help=what)

    async def search(self, query: str) -> Hits:
        """Offer those whose words or explanation fit what was typed."""
        matcher = self.matcher(query)
        for words, what, call in self._commands():
            score = max(matcher.match(words), matcher.match(what) / 2)
            if score > 0:
                yield Hit(score, matcher.highlight(words), call, help=what)
