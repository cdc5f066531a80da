"""The command palette: every key of the screen that is open, by its words."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

from textual.command import DiscoveryHit, Hit, Hits, Provider

from tether.tui.widgets.key_line import bindings_of, key_name


class ScreenCommands(Provider):
    """Offers what the screen's keys do; a command that is chosen is its key, pressed."""

    def _commands(self) -> Iterator[tuple[str, str, Callable[[], object]]]:
        """Yield (words, explanation, call) of each action that fits now, once."""
        fitting = {
            a.binding.action: a.binding
            for a in self.screen.active_bindings.values()
            if a.enabled and a.binding.action != "app.command_palette"
        }
        for binding in bindings_of(type(self.screen)):
            if (fits := fitting.pop(binding.action, None)) is not None:
                what = f"{key_name(fits.key)}: {fits.tooltip or fits.description}"
                yield fits.description, what, partial(self.app.simulate_key, fits.key)
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
