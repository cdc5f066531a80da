"""The line of keys at the foot of a screen, and the keys that every screen has.

Textual's own footer is not used: it keeps every key that it ever showed (known upstream), which
over a day at the bench slows the program down. This one is a line of text, which also wraps.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, ClassVar, TypeVar, cast

from textual.binding import Binding, BindingType
from textual.content import Content
from textual.events import Click
from textual.geometry import Size
from textual.screen import ModalScreen, Screen
from textual.style import Style
from textual.widgets import Static

if TYPE_CHECKING:
    from tether.tui.base_app import Shell

T = TypeVar("T")

_MEANT = "pressed"
"""What a part of the line means when it is clicked."""

LEAST = Size(80, 24)
"""Columns and rows that the screens are laid out for."""

EVERYWHERE: list[BindingType] = [
    Binding("question_mark", "app.help", "Help", key_display="?", tooltip="this help"),
    Binding(
        "f1", "app.help", "Help", key_display="F1", tooltip="this help, also from within a field"
    ),
    Binding(
        "ctrl+p",
        "app.command_palette",
        "Commands",
        show=False,
        tooltip="find a command of the screen by its words; themes; a picture of the screen",
    ),
]
"""The keys of every screen. A screen over another one has to have them itself."""

_NAMES = {
    "question_mark": "?",
    "escape": "Esc",
    "pageup": "Page Up",
    "pagedown": "Page Down",
    "up": "↑",
    "down": "↓",
}


class Over(ModalScreen[T]):
    """A screen over another one."""

    BINDINGS: ClassVar[list[BindingType]] = EVERYWHERE


def key_name(key: str) -> str:
    """Return how a key is written in the help and the documents: F, Esc, Ctrl-S."""
    if key in _NAMES:
        return _NAMES[key]
    return "-".join(part.upper() if len(part) == 1 else part.title() for part in key.split("+"))


def bindings_of(kind: type[Screen[Any]]) -> Iterator[Binding]:
    """Yield the keys of a kind of screen: its own, then those of its bases, then everywhere's.

    A binding that says several keys comes once for each, in their order.
    """
    seen: set[str] = set()
    ours = [k for k in kind.__mro__ if not k.__module__.startswith("textual.")]
    for bindings in (*(vars(k).get("BINDINGS", []) for k in ours), EVERYWHERE):
        for binding in Binding.make_bindings(bindings):
            if binding.key not in seen:
                seen.add(binding.key)
                yield binding


def room_complaint(size: Size) -> str | None:
    """Say that a terminal is too small, None when it is not."""
    if size.width >= LEAST.width and size.height >= LEAST.height:
        return None
    return (
        f"This terminal has {size.width} columns and {size.height} rows. The screens are laid out "
        f"for {LEAST.width} by {LEAST.height} and more.\n\nMake its window larger, or its type "
        "smaller. What is under way goes on meanwhile, and nothing is lost.\n\n"
        "[Enter] go on in this size   [Ctrl-C] leave"
    )


def key_rows(kind: type[Screen[Any]]) -> dict[str, tuple[list[str], str]]:
    """Return what a kind of screen does: by action, the names of its keys and what it does."""
    rows: dict[str, tuple[list[str], str]] = {}
    for binding in bindings_of(kind):
        what = binding.tooltip or binding.description.lower()
        rows.setdefault(binding.action, ([], what))[0].append(key_name(binding.key))
    return rows


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
        """Wrap anew."""
        self._write()

    def fit(self) -> None:
        """Take the room of a line, or of the whole screen where that is too small."""
        cramped = cast("Shell", self.app).cramped
        self.set_class(cramped, "-cramped")
        self.styles.height = "100%" if cramped else self._rows
        self._write()

    def _changed(self, screen: Screen[object]) -> None:
        # Also while another window has the keyboard: a picture may come by the camera's own button.
        if self.is_attached and screen is self.screen and not self._told:
            self._told = True  # one line for all that is said until then
            self.call_later(self._write)

    def _write(self) -> None:
        self._told = False
        if not self.is_attached:
            return
        if cast("Shell", self.app).cramped:
            content = Content(room_complaint(self.app.size) or "")
        else:
            content = self._content()
        shown = self.content
        if not isinstance(shown, Content) or not shown.is_same(content):
            self.update(content, layout=False)

    def _content(self) -> Content:
        """Put the keys into as many rows as there are, one action once; the help comes last."""
        fitting: dict[str, tuple[Content, int]] = {}
        for active in self.screen.active_bindings.values():
            binding = active.binding
            if binding.show and binding.action not in fitting:
                key, words = self._key_shown(binding), binding.description.lower()
                shown = _key(binding.key, key, words, enabled=active.enabled)
                fitting[binding.action] = shown, len(key) + len(words) + 3
        # Where not all find room, the help is what tells of the others.
        last, kept = fitting.pop("app.help", (Content(""), 0))
        lines: list[list[Content]] = [[]]
        left = self.size.width
        for shown, width in fitting.values():
            at_end = kept if len(lines) == self._rows else 0
            if width > left - at_end:
                if len(lines) == self._rows:
                    break
                lines.append([])
                left = self.size.width
            left -= width
            lines[-1].append(shown)
        if kept > left and len(lines) < self._rows:
            lines.append([])
        lines[-1].append(last)
        return Content("\n").join(Content("").join(line) for line in lines)

    def _key_shown(self, binding: Binding) -> str:
        named = ("+" in binding.key or binding.key in _NAMES) and not binding.key_display
        return key_name(binding.key) if named else self.app.get_key_display(binding)


def _key(pressed: str, key: str, words: str, *, enabled: bool) -> Content:
    dim = "" if enabled else "dim"
    return Content.assemble(
        (f" {key}", f"bold $footer-key-foreground {dim}"),
        (f" {words} ", f"$footer-description-foreground {dim}"),
    ).stylize(Style.from_meta({_MEANT: pressed}))
