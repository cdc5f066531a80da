"""What the program does on every screen: colours, help, its size, the bell, its rests."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import ClassVar

from textual.app import App
from textual.binding import BindingType
from textual.command import CommandPalette, Provider
from textual.events import Event, InputEvent, Key, Resize
from textual.filter import LineFilter
from textual.theme import Theme
from textual.widgets import Input

from tether.settings import Settings
from tether.tui.commands import ScreenCommands
from tether.tui.keys import APP, EVERYWHERE, Keys
from tether.tui.screens.dialogs import Reading
from tether.tui.screens.help_text import help_for
from tether.tui.terminal import themes
from tether.tui.terminal.gc_scheduler import Calm
from tether.tui.widgets.key_line import KeyLine, room_complaint

_SECONDS_TO_READ = 30.0


class Shell(App[str]):
    """The program without its work."""

    CSS_PATH = Path(__file__).with_name("bench.tcss")
    TITLE = "tether"
    HORIZONTAL_BREAKPOINTS = [  # noqa: RUF012 - the base class declares it without ClassVar
        (0, "-narrow"),
        (110, "-wide"),
    ]
    BINDINGS: ClassVar[list[BindingType]] = [*APP, *EVERYWHERE]
    COMMANDS: ClassVar[set[type[Provider] | Callable[[], type[Provider]]]] = {ScreenCommands}

    def __init__(self, settings: Settings, calm: Calm | None = None) -> None:
        super().__init__()
        self.settings = settings
        self.keys = Keys(settings.keys.by_id)
        self.calm = calm
        self.cramped = False
        """Whether the terminal is too small, and the person did not say to go on all the same."""
        self._help: Reading | None = None
        self._usual_ansi = self.ansi_theme_dark
        for theme in themes.OWN:
            self.register_theme(theme)
        named = themes.checked(settings.screen.theme, list(self.available_themes))
        self.theme = themes.GREYS.name if self.no_color else named

    async def on_mount(self) -> None:
        """Begin to take rests; take the key that the settings name."""
        self.theme_changed_signal.subscribe(self, self._say_how_to_keep)
        if self.calm is not None:
            self.set_interval(1.0, self._rest)
        if self.is_web:
            self._server = os.getppid()
            self.set_interval(2.0, self._mind_server)
        self.set_keymap(self.keys.own)
        for complaint in self.keys.complaints:
            self.notify(
                f"In the settings, \\[keys] {complaint} All other settings are in force.",
                title="A key of the settings was not taken",
                severity="warning",
                timeout=_SECONDS_TO_READ,
            )

    def _mind_server(self) -> None:
        # Whoever ends the server at once leaves nobody who could end this program: it would hold
        # the roll and the camera.
        if os.getppid() != self._server:
            self.exit()

    # --- colours -----------------------------------------------------------------------------

    def watch_theme(self, name: str) -> None:
        """Take a theme's own sixteen colours, too."""
        self.ansi_theme_dark = themes.ansi_of(name) or self._usual_ansi

    def get_line_filters(self) -> Sequence[LineFilter]:
        """Return what is done to all that is drawn."""
        own, clear = themes.filters_of(self.theme), themes.legible_in(self.theme)
        return [*own, *super().get_line_filters(), clear]

    def _say_how_to_keep(self, theme: Theme) -> None:
        if theme.name != self.settings.screen.theme:
            self.notify(
                f"To keep these colours, write under \\[screen] in the settings file: "
                f'theme = "{theme.name}"',
                title="Until you leave",
            )

    # --- size --------------------------------------------------------------------------------

    def on_resize(self, event: Resize) -> None:
        """Say when there is too little room for the screens."""
        self.cramped = room_complaint(event.size, self.keys) is not None
        self._fit()

    def _fit(self) -> None:
        for screen in self.screen_stack:
            for keys in screen.query(KeyLine):
                keys.fit()

    # --- keys --------------------------------------------------------------------------------

    async def on_event(self, event: Event) -> None:
        """Take note of keys and the mouse, by which a rest is told; press none unseen."""
        if isinstance(event, InputEvent):
            if self.calm is not None:
                self.calm.touched()
            if self.cramped and not self.keys.has("quit", event):
                if self.keys.has("next", event):
                    self.cramped = False
                    self._fit()
                return
        await super().on_event(self._lower(event) if isinstance(event, Key) else event)

    def _lower(self, event: Key) -> Key:
        """Take a letter with Shift or Caps Lock for the letter, except where text is written."""
        small = event.key.lower()
        if len(small) > 1 or small == event.key or isinstance(self.focused, Input):
            return event
        return Key(small, small)

    async def action_help(self) -> None:
        """Explain the screen that is open, and its keys."""
        if isinstance(self.screen, CommandPalette):
            return
        screen = self.screen
        title, text = f"Help: {screen.title or screen.TITLE}", partial(help_for, screen, self.keys)
        if self._help is None:
            # One for all screens, which stays when it is closed: a new one takes the terminal
            # three times as long as one that is there.
            self._help = Reading(title, text)
            self.install_screen(self._help, "help")
        else:
            self._help.turn_to(title, text)
        await self.push_screen(self._help)

    def check_action(self, action: str, _parameters: tuple[object, ...]) -> bool | None:
        """Leave the key for a foot switch alone where text is being written."""
        return action != "forward" or not isinstance(self.focused, Input)

    def action_forward(self) -> None:
        """Do what comes next on the screen that is open."""
        forward = getattr(self.screen, "action_forward", None)
        if forward is not None:
            forward()
        else:
            active = self.screen.active_bindings.items()
            self.simulate_key(next((k for k, a in active if a.binding.id == "next"), "enter"))

    def action_leave(self) -> None:
        """Leave the program; everything is stored already."""
        self.exit()

    # --- rest --------------------------------------------------------------------------------

    @property
    def busy(self) -> bool:
        """Whether something is under way that a person waits for."""
        return False

    def _rest(self) -> None:
        if self.calm is not None:
            self.calm.look(busy=self.busy)

    def bell(self) -> None:
        """Ring the terminal's bell, unless the settings switch it off."""
        if self.settings.alerts.bell:
            super().bell()
