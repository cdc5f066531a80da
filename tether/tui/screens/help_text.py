"""The help of each screen, and the command palette: what its keys do, in words."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator
from functools import lru_cache, partial
from typing import Any, Protocol, cast, runtime_checkable

from rich.text import Text
from textual.command import DiscoveryHit, Hit, Hits, Provider
from textual.screen import Screen

from tether.archive.records import FrameState
from tether.findings import Verdict
from tether.session.next_step import NextStep
from tether.tui.keys import Keys, Shell, key_name
from tether.tui.widgets.caution import caution

_ALWAYS = (
    "Tab and Shift-Tab move between fields, the arrow keys through a list or a text. You can click "
    "keys, frames, buttons and lists."
)


@runtime_checkable
class Explains(Protocol):
    """A screen whose help begins with what is at hand, and ends with more."""

    MORE_HELP: str

    def at_hand(self) -> Text:
        """Return the help for the screen as it is now."""
        ...


def help_for(screen: Screen[Any], keys: Keys, width: int) -> Text:
    """Return the help of a screen; keys that do nothing now are dim and say so.

    The lines of the keys are broken here, for ``width`` characters: a table would do it too, but
    takes five times as long, and this is what a person waits for after a key.
    """
    text, more = Text(), ""
    if isinstance(screen, Explains):
        text.append_text(screen.at_hand())
        more = screen.MORE_HELP
    text.append(f"{keys.put_into(screen.HELP)}\n\n" if screen.HELP else "")
    _append_keys(text, screen, keys, width)
    text.append(f"\n{_ALWAYS}\n{more}")
    return text


def _append_keys(text: Text, screen: Screen[Any], keys: Keys, width: int) -> None:
    """Add a line an action, with all keys that do it."""
    active = {active.binding.action for active in screen.active_bindings.values()}
    rows = keys.rows(type(screen))
    column = max(len(", ".join(names)) for names, _ in rows.values())
    for action, (names, what) in rows.items():
        now = action in active
        text.append(f"{', '.join(names):>{column}}  ", "bold" if now else "dim")
        said = what if now else f"{what} (not now)"
        broken = _broken(said, max(width - column - 2, 20))
        text.append(f"\n{' ' * (column + 2)}".join(broken) + "\n", "" if now else "dim")


@lru_cache(1024)
def _broken(said: str, width: int) -> list[str]:
    return textwrap.wrap(said, width)


class ScreenCommands(Provider):
    """Offers what the screen's keys do; a command that is chosen is its key, pressed."""

    def _commands(self) -> Iterator[tuple[str, str, Callable[[], object]]]:
        """Yield (words, explanation, call) of each action that fits now, once."""
        keys = cast(Shell, self.app).keys
        offered: set[str] = set()
        for key, active in self.screen.active_bindings.items():
            row = active.binding
            ours = row.id and active.enabled and row.id not in ("palette", "forward", "quit")
            if ours and row.action not in offered:
                offered.add(row.action)
                what = f"{key_name(key)}: {keys.put_into(row.tooltip or row.description)}"
                yield row.description, what, partial(self.app.simulate_key, key)
        yield "Theme", "Choose other colours, also with high contrast or in grey", self._theme
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


def help_at(place: NextStep, keys: Keys) -> Text:
    """Explain the next thing to do: the step, why, its caution."""
    text = Text()
    if place.step is not None:
        text.append(f"{place.step.what}\n\n", "bold")
        text.append(f"Why: {place.step.why}\n\n{keys.put_into(place.step.more)}\n\n")
        if place.step.caution:
            text.append_text(caution(place.step.caution)).append("\n")
    else:
        text.append(f"Next: {place.sentence()}\n\n", "bold")
    return text


_frames = "  ".join(f"{state.mark} {state.value}" for state in FrameState)
_verdicts = "  ".join(f"{verdict.mark} {verdict.word}" for verdict in Verdict)

MARKS_AND_NUMBERS = f"""
Frames: {_frames}  ? waits for your choice

Verdicts: {_verdicts}

Numbers of a verdict are stops below clipping: 0 is clipped, -1 is one stop below.
base: clear film of a negative. Target -0.5 stops, give or take a third.
brightest, of a transparency highlights: the brightest 0.1 % of the picture.
clipped: share of the picture that is lost. Up to 0.01 % does no harm.

Bars of a verdict: one row per colour, dark at the left, clipping at the right end. On the axis ◆ \
is the film base, and [ ] its target."""
