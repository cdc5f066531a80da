"""The screens that ready the bench, by key and from the command palette."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import TYPE_CHECKING, cast

from textual.command import DiscoveryHit, Hit, Hits, Provider

from tether.session.session import Session

if TYPE_CHECKING:
    from tether.tui.bench_screen import BenchScreen
    from tether.tui.worktable import Worktable

STATIONS: Mapping[str, tuple[str, str, str]] = {
    "camera": ("1", "camera", "Check: compare the camera with what the bench asks for"),
    "focus": ("2", "focus", "See the live picture and how sharp its corners are"),
    "light": ("3", "light", "Measure the lamp on the open gate: evenness, flicker, colour"),
}
"""By name: key, short words, what it does."""


def screen_of(name: str) -> Callable[[Session], BenchScreen]:
    """Return what makes the screen; what it measures with is loaded now and not at the start."""
    if name == "camera":
        from tether.tui.check_screen import CheckScreen

        return CheckScreen
    if name == "focus":
        from tether.tui.focus_screen import FocusScreen

        return FocusScreen
    from tether.tui.light_screen import LightScreen

    return LightScreen


class BenchCommands(Provider):
    """Offers the screens in the command palette of the worktable."""

    async def discover(self) -> Hits:
        """Offer all of them before anything is typed."""
        table = cast("Worktable", self.screen)
        for name, (_, words, what) in STATIONS.items():
            yield DiscoveryHit(words.capitalize(), partial(table.action_bench, name), help=what)

    async def search(self, query: str) -> Hits:
        """Offer those whose words fit what was typed."""
        table = cast("Worktable", self.screen)
        matcher = self.matcher(query)
        for name, (_, words, what) in STATIONS.items():
            if (score := matcher.match(words)) > 0:
                yield Hit(
                    score, matcher.highlight(words), partial(table.action_bench, name), help=what
                )
