"""The camera check: each setting with what it is, what it should be, and why."""

from __future__ import annotations

from typing import ClassVar

from rich.table import Table
from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import VerticalScroll
from textual.widgets import Static

from tether.bench.camera_check import CheckResult, CheckStatus
from tether.bench.camera_setup import CheckedCamera
from tether.errors import TetherError
from tether.session.session import View
from tether.text import plural, printable
from tether.tui.app_context import ScreenContext
from tether.tui.bench_ports import CameraSetupPort
from tether.tui.keys import Keys, bindings
from tether.tui.screens.bench_screen import BenchScreen
from tether.tui.session_port import SessionPort
from tether.tui.widgets.redraw import while_seen

_EVERY_SECONDS = 2.0
"""Between two readings; libgphoto2 itself keeps what it has read for about as long."""

_STYLES = {
    CheckStatus.OK: "green",
    CheckStatus.CHANGE: "bold red",
    CheckStatus.UNKNOWN: "bold yellow",
}


class CheckScreen(BenchScreen):
    """Shows the check; sets what can be set, and puts it back."""

    HEADING = "Camera check"
    HELP = (
        "Compares the camera's settings with what the bench needs, line by line: the setting, what "
        "it should be, and why. Check the lines with ? on the camera. A dial that you turn shows "
        "here without a key."
    )
    BINDINGS: ClassVar[list[BindingType]] = bindings("camera check")

    def __init__(self, context: ScreenContext, port: SessionPort, view: View) -> None:
        super().__init__(context, port, view)
        self.setup = CameraSetupPort(port)
        self.checked: CheckedCamera | None = None

    def body(self) -> ComposeResult:
        """Lay out the lines of the check."""
        with VerticalScroll(id="check-lines"):
            yield Static(Text("Reading the camera …", "dim"), id="check-table")
        yield Static(id="check-found")

    def on_mount(self) -> None:
        """Read the camera now, and again and again: a dial that is turned shows without a key."""
        self.action_check()
        while_seen(self, _EVERY_SECONDS, self._look_again)

    def check_action(self, action: str, _parameters: tuple[object, ...]) -> bool | None:
        """Offer only what there is something to do for."""
        if action == "set_up":
            return self.checked is not None and any(x.wanted for x in self.checked.lines)
        if action == "put_back":
            return self.checked is not None and bool(self.checked.found)
        return True

    def action_proceed(self) -> None:
        """Go back when all is right; setting a camera has its own key."""
        if self.checked is None or self.line.working:
            return
        if any(line.status is CheckStatus.CHANGE for line in self.checked.lines):
            self.line.say(f"{_summary(self.checked)} {{back}} goes back anyway.")
            return
        self.dismiss(True)

    @work(group="action")
    async def action_check(self) -> None:
        """Read the camera and show its settings."""
        await self._check()

    async def _check(self) -> bool:
        checked = await self.line.attempt(self.setup.check)
        if checked is None:
            if self.checked is None:
                self.put("#check-table", "")
            return False
        self._show(checked)
        return True

    def _show(self, checked: CheckedCamera) -> None:
        self.checked = checked
        self.put("#check-table", check_table(checked.lines, self.keys))
        self.put("#check-found", _found(checked, self.keys))
        self.refresh_bindings()
        self.line.say(_summary(checked))

    @work(group="camera")
    async def _look_again(self) -> None:
        if self.line.working or self.port.busy or self.checked is None:
            return
        try:
            checked = await self.setup.check()
        except TetherError as error:
            self.checked = None
            await self.line.complain(error)
            return
        if checked.lines != self.checked.lines and not self.line.working:
            self._show(checked)

    @work(group="action")
    async def action_set_up(self) -> None:
        """Set everything that can be set from here."""
        if self.checked is not None:
            lines = self.checked.lines
            said = await self.line.attempt(
                lambda: self.setup.set_up(lines), "Changing the camera's settings …"
            )
            await self._after(said, "Changed")

    @work(group="action")
    async def action_put_back(self) -> None:
        """Restore the settings from before."""
        said = await self.line.attempt(self.setup.put_back, "Restoring the camera's settings …")
        await self._after(said, "Restored")

    async def _after(self, said: tuple[str, ...] | None, what: str) -> None:
        if said is not None and await self._check():
            self.line.say(f"{what}: {'; '.join(said)}.")


def check_table(lines: tuple[CheckResult, ...], keys: Keys) -> Table:
    """Lay out the lines: mark and word, what it is, old and new value, why."""
    table = Table.grid(padding=(0, 2, 0, 0), expand=True)
    table.add_column(width=11)
    table.add_column(width=14)
    table.add_column(ratio=1)
    for line in lines:
        value = Text(line.now)
        if line.wanted:
            value.append(" → ")
            value.append(printable(line.wanted, 30), "bold")
            value.append(keys.put_into(" [{set-all}]"), "dim")
        if line.advice:
            value.append("  " if line.now else "")
            value.append(line.advice, "dim")
        word = "by eye" if line.status is CheckStatus.UNKNOWN else line.status.value
        table.add_row(
            Text(f"{line.status.mark} {word}", _STYLES[line.status]), Text(line.label), value
        )
    return table


def _found(checked: CheckedCamera, keys: Keys) -> Text:
    text = Text()
    if checked.found:
        text.append(keys.put_into("[{put-back}] restore "), "dim")
        text.append(", ".join(f"{role.noun} {value}" for role, value in checked.found))
    return text


def _summary(checked: CheckedCamera) -> str:
    change = sum(x.status is CheckStatus.CHANGE for x in checked.lines)
    settable = sum(bool(x.wanted) for x in checked.lines)
    if not change:
        return f"{checked.camera}: nothing to change. Check the lines with ?, then {{next}}."
    how = ""
    if settable:
        which = "all" if settable == change else str(settable)
        how = f" {{set-all}} changes {which} of them." if change > 1 else " {set-all} changes it."
    return f"{checked.camera}: {plural(change, 'thing')} to change.{how}"
