"""The terminal program: finds the camera and the roll, then opens the worktable."""

from __future__ import annotations

import asyncio
from functools import partial
from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import Screen
from textual.widgets import Static

from tether.archive.open_roll import hold_roll
from tether.archive.records import NewRoll, Roll, RollError
from tether.errors import TetherError
from tether.reports.rolls import NEWEST
from tether.text import printable
from tether.tui.app_context import AppContext, ScreenContext
from tether.tui.base_app import Shell
from tether.tui.keys import bindings
from tether.tui.screens.dialogs import Pick
from tether.tui.screens.roll_screens import ChooseRoll, DescribeRoll
from tether.tui.session_thread import SessionThread
from tether.tui.terminal.gc_scheduler import Calm
from tether.tui.widgets.key_line import KeyLine

if TYPE_CHECKING:
    from tether.capture.tethered import ReconnectableCamera
    from tether.session.session import Session
    from tether.tui.screens.worktable import Worktable
    from tether.tui.session_port import SessionPort


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
        "Shown until the roll and its camera are found. Where one is not found, it says why and "
        "what can be done."
    )

    def compose(self) -> ComposeResult:
        """Lay out the page."""
        with Vertical(classes="page"):
            yield Static("", id="opening")
        yield KeyLine()

    def action_retry(self) -> None:
        """Look for the camera and the roll once more."""
        app = self.app
        if isinstance(app, TetherApp) and app.port is None:
            app.begin()


class TetherApp(Shell):
    """The program. Returns a sentence to print after the screen is gone."""

    def __init__(self, context: AppContext, calm: Calm | None = None) -> None:
        super().__init__(context.settings, calm)
        self.context = context
        self.thread = SessionThread()
        self.opening = Opening()
        self.port: SessionPort | None = None
        self.roll_name = ""
        """The roll at work, "" while there is none."""
        self.not_made: NewRoll | None = None
        """A roll that was described, and not stored yet."""
        self.camera: ReconnectableCamera | None = None

    async def on_mount(self) -> None:
        """Begin. The base has its own, which Textual calls as well."""
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
            self._say(f"{printable(roll.name)}: reading what is stored …")
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
        except TetherError as error:
            if isinstance(error, RollError):
                self.not_made = None  # what was described cannot be: it is asked again
            retry, leave = self.keys["retry"], self.keys["leave"]
            kept = (
                f"The roll '{printable(self.not_made.name)}' is not made yet. {retry} tries again "
                f"with what you said of it; {leave} leaves, and prints the command that makes it."
                if self.not_made is not None
                else f"{retry} tries again, {leave} leaves."
            )
            self._say(f"✗ {error}\n\n{kept}")
            self.bell()
            return
        context = ScreenContext(self.settings, self.context.terminal, self.keys)
        await self.push_screen(table_of(context, self.port))

    def _say(self, text: str) -> None:
        self.opening.query_one("#opening", Static).update(Text(text))

    async def _find_roll(self) -> Roll | NewRoll | None:
        store = self.context.archive.store
        rolls = await self.thread.run(lambda: store.rolls.at_hand(NEWEST))
        name = self.context.roll or ""
        if self.context.new is not None:
            new = self.context.new
            if not await self.thread.run(lambda: store.rolls.has(new.name)):
                return new
            name = new.name
        if not name and rolls:
            picked = await self.push_screen_wait(ChooseRoll(rolls))
            if picked is None:
                return None
            name = picked
        known = bool(name) and await self.thread.run(partial(store.rolls.has, name))
        if known:
            return await self.thread.run(partial(store.rolls.named, name))
        return await self.push_screen_wait(
            DescribeRoll(name, [p.roll.name for p in rolls], self.context.form)
        )

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

    @property
    def busy(self) -> bool:
        """Whether the session is at work."""
        return self.thread.busy

    def shut(self) -> None:
        """Let go of the camera and the roll, after the screen is gone."""
        self.thread.close()
        if self.port is not None:
            self.port.close()
        if self.camera is not None:
            self.camera.close()
