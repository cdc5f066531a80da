"""The terminal program: it finds roll and camera, opens the worktable, and has the manners that all
screens share: colours, room, keys and help, the bell, its rests."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual import work
from textual.app import App, ComposeResult
from textual.binding import BindingType
from textual.command import CommandPalette, Provider
from textual.containers import Vertical
from textual.events import Event, InputEvent, Key, Resize
from textual.filter import LineFilter
from textual.reactive import Reactive
from textual.screen import Screen
from textual.theme import Theme
from textual.widgets import Input, Static

from tether.archive.following import following_roll
from tether.archive.open_roll import hold_roll
from tether.archive.records import NewRoll, Roll, RollError
from tether.errors import TetherError
from tether.reports.rolls import NEWEST
from tether.settings import Settings
from tether.settings_file import keep
from tether.text import printable
from tether.tui.app_context import AppContext, ScreenContext
from tether.tui.keys import APP, EVERYWHERE, Keys, bindings
from tether.tui.screens.dialogs import Pick, Reading
from tether.tui.screens.help_text import ScreenCommands, help_for
from tether.tui.screens.roll_screens import ChooseRoll, DescribeRoll
from tether.tui.session_thread import SessionThread
from tether.tui.terminal import themes
from tether.tui.terminal.gc_scheduler import Calm
from tether.tui.widgets.key_line import KeyLine, room_complaint

if TYPE_CHECKING:
    from tether.capture.tethered import ReconnectableCamera
    from tether.session.session import Session
    from tether.tui.screens.worktable import Worktable
    from tether.tui.session_port import SessionPort

_SECONDS_TO_READ = 20.0


def _table_parts() -> tuple[type[Session], type[SessionPort], type[Worktable]]:
    """Load what the work itself needs: a tenth of a second that a first form need not wait for."""
    from tether.session.session import Session
    from tether.tui.screens.worktable import Worktable
    from tether.tui.session_port import SessionPort

    return Session, SessionPort, Worktable


class Opening(Screen[None]):
    """Shown until the camera and the roll are found, or says why they are not."""

    BINDINGS: ClassVar[list[BindingType]] = bindings("opening")
    TITLE = "Opening"
    HELP = (
        "Shown until the roll and its camera are found. If one is missing, it says why and what "
        "you can do."
    )

    def compose(self) -> ComposeResult:
        """Lay out the page."""
        with Vertical(classes="page"):
            yield Static("", id="opening")
        yield KeyLine()

    def action_retry(self) -> None:
        """Look for the camera and the roll again."""
        app = self.app
        if isinstance(app, TetherApp) and app.port is None:
            app.begin()


class TetherApp(App[str]):
    """The program, from its start to its end; `shut` comes after its screen is gone."""

    CSS_PATH = Path(__file__).with_name("bench.tcss")
    TITLE = "tether"
    HORIZONTAL_BREAKPOINTS = [  # noqa: RUF012 - the base class declares it without ClassVar
        (0, "-narrow"),
        (110, "-wide"),
    ]
    BINDINGS: ClassVar[list[BindingType]] = [*APP, *EVERYWHERE]
    # Set here and not at the start, when it would have all styles made a second time.
    ansi_theme_dark = Reactive(themes.DARK, init=False)
    ansi_theme_light = Reactive(themes.LIGHT, init=False)
    COMMANDS: ClassVar[set[type[Provider] | Callable[[], type[Provider]]]] = {ScreenCommands}

    def __init__(self, context: AppContext, calm: Calm | None = None) -> None:
        super().__init__()
        self.context = context
        self.settings = context.settings
        self.keys = Keys(self.settings.keys.by_id)
        self.calm = calm
        self.thread = SessionThread()
        self.opening = Opening()
        self.port: SessionPort | None = None
        self.roll_name = ""
        """The roll at work, "" while there is none."""
        self.not_made: NewRoll | None = None
        """A roll that was described, and not stored yet."""
        self.camera: ReconnectableCamera | None = None
        self.cramped = False
        """Whether the terminal is too small, and the person did not say to continue anyway."""
        self._help: Reading | None = None
        for theme in themes.OWN:
            self.register_theme(theme)
        named = self.settings.screen.theme
        known = named if named in themes.OFFERED else Settings().screen.theme
        self.theme = themes.GREYS.name if self.no_color else known
        self._theme_kept = self.theme

    # --- the start ---------------------------------------------------------------------------

    async def on_mount(self) -> None:
        """Take the keys of the settings, begin to take rests, and to look for roll and camera."""
        self.watch_theme()
        self.theme_changed_signal.subscribe(self, self._keep_theme)
        if self.calm is not None:
            self.set_interval(1.0, self._rest)
        if self.is_web:
            self._server = os.getppid()
            self.set_interval(2.0, self._mind_server)
        self.set_keymap(self.keys.own)
        if self.keys.complaints:
            self._warn(
                "These keys of the settings are not in force", "\n".join(self.keys.complaints)
            )
        if self.settings.screen.theme not in themes.OFFERED:
            self._warn(
                f"There is no theme '{self.settings.screen.theme}'.",
                f"The colours are those of {self.theme}. The command palette "
                f"({self.keys['palette']}) lists the others under Theme.",
            )
        await self.open()

    async def open(self) -> None:
        """Show the first screen, and begin."""
        await self.push_screen(self.opening)
        self.begin()

    @work(exclusive=True, group="begin")
    async def begin(self) -> None:
        """Find the roll, then the camera, then open the worktable."""
        try:
            # What was described is not asked again only because no camera was found.
            wanted = self.not_made or await self._find_roll()
            if wanted is None:
                self.exit()
                return
            archive = self.context.archive
            if isinstance(wanted, NewRoll):
                self.not_made = wanted
            else:
                # Whoever is at work on the roll holds the camera too: say that, not the other.
                await self.thread.run(lambda: hold_roll(archive, wanted).release())
            self._say(f"{printable(wanted.name)}: looking for the camera …")
            parts = asyncio.ensure_future(asyncio.to_thread(_table_parts))
            self.camera = self.camera or await self._find_camera()
            if self.camera is None:
                self.exit()
                return
            # A roll is stored when its work can begin: a mistyped one leaves nothing behind.
            roll = (
                wanted
                if isinstance(wanted, Roll)
                else await self.thread.run(lambda: archive.store.rolls.add(wanted))
            )
            self.not_made = None
            self._say(f"{printable(roll.name)}: reading the archive …")
            simulated = self.context.simulated
            session_of, port_of, table_of = await parts
            session = await self.thread.run(
                lambda: session_of(
                    archive,
                    roll,
                    self.camera,
                    self.context.judge,
                    self.context.settings,
                    simulated.listen if simulated else None,
                )
            )
            self.port = port_of(self.thread, session, simulated)
            self.roll_name = roll.name
            await self._open_window(self.port)
        except TetherError as error:
            if isinstance(error, RollError):
                self.not_made = None  # what was described cannot be: the form comes again
            retry, leave = self.keys["retry"], self.keys["leave"]
            kept = (
                f"The roll '{printable(self.not_made.name)}' is not made yet. {retry} tries "
                f"again with its details; {leave} leaves, and prints the command that starts it."
                if self.not_made is not None
                else f"{retry} tries again, {leave} leaves."
            )
            self._say(f"✗ {error}\n\n{kept}")
            self.bell()
            return
        context = ScreenContext(self.settings, self.context.terminal, self.keys)
        await self.push_screen(table_of(context, self.port))

    @work(exclusive=True, group="next roll")
    async def action_next_roll(self) -> None:
        """Let go of the roll at work, and begin the one that follows it; the camera stays."""
        port, store = self.port, self.context.archive.store
        if port is None:
            return
        name = self.roll_name
        new = await self.thread.run(lambda: following_roll(store, store.rolls.named(name)))
        if self.context.window is not None:
            self.notify(f"Leave, then give: tether shoot '{new.name}'", markup=False)
            return
        self.port = None
        await self.thread.run(port.close)
        while self.screen is not self.opening:
            await self.pop_screen()
        self.context = replace(self.context, roll=new.name, new=new, form=None)
        self.begin()

    async def _open_window(self, port: SessionPort) -> None:
        window = self.context.window
        if window is not None:
            await window.start(port)
            window.show()
            self.notify(window.address, title="The window", timeout=_SECONDS_TO_READ, markup=False)

    async def on_unmount(self) -> None:
        """Close the window beside the terminal."""
        if self.context.window is not None:
            await self.context.window.close()

    def _say(self, text: str) -> None:
        self.opening.query_one("#opening", Static).update(Text(text))

    async def _find_roll(self) -> Roll | NewRoll | None:
        store = self.context.archive.store
        rolls = await self.thread.run(lambda: store.rolls.at_hand(NEWEST))
        name = self.context.roll or ""
        if self.context.new is not None:
            new = self.context.new
            if not await self.thread.run(lambda: store.rolls.has(new.name)):
                listed = await self.thread.run(partial(store.waiting.named, new.name))
                return listed.with_film(new) if listed else new
            name = new.name
        if not name and rolls:
            picked = await self.push_screen_wait(ChooseRoll(rolls))
            if picked is None:
                return None
            name = picked
        known = bool(name) and await self.thread.run(partial(store.rolls.has, name))
        if known:
            return await self.thread.run(partial(store.rolls.named, name))
        begins = self.context.form
        if name and (listed := await self.thread.run(partial(store.waiting.named, name))):
            if listed.film_known:
                return listed.new
            begins = listed.new
        said = await self.push_screen_wait(DescribeRoll(name, [p.roll.name for p in rolls], begins))
        # The name of a roll of the list may be typed, or read from a sleeve's label.
        if said is None or said.name == name:
            return said
        listed = await self.thread.run(partial(store.waiting.named, said.name))
        return listed.with_film(said) if listed else said

    async def _find_camera(self) -> ReconnectableCamera | None:
        from tether.camera.errors import SeveralCameras

        try:
            return await self.thread.run(lambda: self.context.connect(self.context.port))
        except SeveralCameras as several:
            options = [(c.port, f"{printable(c.model, 40)}   {c.port}") for c in several.candidates]
        port = await self.push_screen_wait(Pick("Which camera is over the film?", options))
        if port is None:
            return None
        return await self.thread.run(lambda: self.context.connect(port))

    # --- colours -----------------------------------------------------------------------------

    @property
    def available_themes(self) -> dict[str, Theme]:
        """Those that can be chosen, by name."""
        every = super().available_themes
        return {name: every[name] for name in themes.OFFERED if name in every}

    def watch_theme(self) -> None:
        """Take a theme's own sixteen colours, too."""
        self.ansi_theme_dark = self.ansi_theme_light = themes.sixteen(self.current_theme)

    def get_css_variables(self) -> dict[str, str]:
        """Return the colours of the theme."""
        return themes.legible(self.current_theme, super().get_css_variables())

    def get_line_filters(self) -> Sequence[LineFilter]:
        """Return what is done to all that is drawn."""
        return themes.filtered(self.theme, super().get_line_filters())

    @work(exclusive=True, group="theme")
    async def _keep_theme(self, theme: Theme) -> None:
        """Keep a theme that was chosen, in the settings file."""
        file = self.context.settings_file
        if file is None or theme.name == self._theme_kept:
            return
        self._theme_kept = theme.name
        try:
            await asyncio.to_thread(keep, file, "screen", "theme", theme.name)
        except TetherError as error:
            self._warn("These colours hold until you leave.", str(error))
        else:
            self.notify(f"Kept in {file}.", title=f"Colours: {theme.name}", markup=False)

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
        """Take note of keys and the mouse, which end a rest; press none unseen."""
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

    # --- rest and end ------------------------------------------------------------------------

    @property
    def busy(self) -> bool:
        """Whether the session is at work."""
        return self.thread.busy

    def _rest(self) -> None:
        if self.calm is not None:
            self.calm.look(busy=self.busy)

    def bell(self) -> None:
        """Ring the terminal's bell, unless the settings switch it off."""
        if self.settings.alerts.bell:
            super().bell()

    def _warn(self, title: str, text: str) -> None:
        self.notify(text, title=title, severity="warning", timeout=_SECONDS_TO_READ, markup=False)

    def _mind_server(self) -> None:
        # Whoever ends the server at once leaves nobody who could end this program: it would hold
        # the roll and the camera.
        if os.getppid() != self._server:
            self.exit()

    def shut(self) -> None:
        """Let go of the camera and the roll, after the screen is gone."""
        self.thread.close()
        if self.port is not None:
            self.port.close()
        if self.camera is not None:
            self.camera.close()
