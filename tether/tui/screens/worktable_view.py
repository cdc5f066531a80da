"""The screen of the session without its keys: what it shows, and how it runs what is asked."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.containers import Container
from textual.widgets import ProgressBar, Static

from tether.archive.records import Capture
from tether.capture.transfer import Progress
from tether.errors import TetherError
from tether.findings import Verdict
from tether.session.session import Shot, View
from tether.text import printable
from tether.tui.app_context import ScreenContext
from tether.tui.screens.polling_screen import WhileSeen
from tether.tui.session_port import SessionPort
from tether.tui.widgets.camera_line import CameraLine
from tether.tui.widgets.key_line import KeyLine
from tether.tui.widgets.next_step_panel import NextUp
from tether.tui.widgets.picture_panel import PicturePanel
from tether.tui.widgets.strip import StripBar
from tether.tui.widgets.update_if_changed import put
from tether.tui.widgets.verdict_panel import VerdictPanel

if TYPE_CHECKING:
    from PIL.Image import Image

T = TypeVar("T")

_PHASES = {
    "fire": "Firing the shutter …",
    "fetch": "Fetching the picture from the camera …",
    "file": "Writing it to the archive …",
    "judge": "Judging the raw file …",
    "reconnect": "The camera went silent: connecting again and looking on its card …",
}
_IDLE_SECONDS = 0.3
_STATE_EVERY = 50  # idle looks between two readings of the camera's state


class Table(WhileSeen):
    """Shows values of the session; runs every action on the session's thread."""

    def __init__(self, context: ScreenContext, port: SessionPort) -> None:
        super().__init__(context, port)
        self.view: View | None = None
        self._working = False
        self._phase, self._told = Progress(""), ""
        self._idle = 0
        self._picture: tuple[int, Image | None] = (0, None)
        self._mishaps: Sequence[str] = ()
        self._stale = False
        """Whether there is something to show that came while another screen was seen."""

    def compose(self) -> ComposeResult:
        """Lay out the screen."""
        yield Static(id="title")
        yield StripBar(id="strip")
        with Container(id="panels"):
            yield NextUp(id="next")
            with Container(id="seen"):
                yield VerdictPanel(id="verdict")
                yield PicturePanel(self.context.terminal, id="picture")
        yield Static(id="message")
        # In one place, so that nothing else moves when something is under way: a panel of another
        # height is laid out and drawn anew, and its picture with it.
        with Container(id="foot"):
            yield CameraLine(id="camera")
            # With a total it stands still: one without moves, fifteen times a second, unseen too.
            yield ProgressBar(total=1, id="progress", show_eta=False)
        yield KeyLine(rows=2)

    async def on_mount(self) -> None:
        """Show where the work stands, and begin to look for pictures from the camera."""
        self._ticker = self.set_interval(0.1, self._show_progress, pause=True)
        if self.port.found:
            self.say(" ".join(self.port.found))
        await self.refresh_view()
        self.while_seen(_IDLE_SECONDS, self._look_at_camera)

    # --- showing ---------------------------------------------------------------------------

    async def refresh_view(self) -> None:
        """Fetch a fresh view and show it: under another screen, as soon as that is gone."""
        self.view = await self.port.view()
        self._mishaps = await self.port.active_mishaps()
        if not self.is_attached:
            return  # the person has left meanwhile
        if self.resting:
            self._stale = True
        else:
            await self._show_view(self.view)

    def on_screen_resume(self) -> None:
        """Show what came meanwhile, after what stood here, which comes at once.

        The base has its own, which Textual calls as well.
        """
        if self._stale:
            self.call_after_refresh(self._catch_up)

    async def _catch_up(self) -> None:
        if self._stale and self.view is not None:
            await self._show_view(self.view)

    async def _show_view(self, view: View) -> None:
        self._stale = False
        roll = view.roll
        title = Text(no_wrap=True, overflow="ellipsis")
        title.append(f" {printable(roll.name, 50)} ", "bold reverse")
        title.append(f"  {roll.process.label}, {roll.film_format.label}")
        if self._mishaps:
            title.append(f"   mishap: {', '.join(self._mishaps).replace('-', ' ')}", "italic")
        if view.short:
            title.append("   checklist shortened", "italic")
        put(self.query_one("#title", Static), title, layout=False)
        await self.query_one(StripBar).show(view)
        self.query_one(NextUp).show(view)
        capture = last_capture(view)
        self.query_one(VerdictPanel).show(capture)
        self.query_one(CameraLine).show(view.camera_name, view.camera)
        self.refresh_bindings()
        self._show_picture(capture)

    @work(group="picture", exclusive=True)
    async def _show_picture(self, capture: Capture | None) -> None:
        """Show the small positive of a capture; it is made once for each."""
        if capture is not None and capture.id != self._picture[0]:
            self._picture = (capture.id, await self.port.positive(capture))
        # The person may have left meanwhile, and the panels with them.
        self.refresh_bindings()
        for panel in self.query(PicturePanel):
            panel.show(self._picture[1], self._picture_title(capture))

    def _picture_title(self, capture: Capture | None) -> str:
        return f"Positive: frame {capture.frame}, take {capture.take}" if capture else ""

    def say(self, text: str, *, bad: bool = False) -> None:
        """Show a message until the next action."""
        message = Text(f"{'✗ ' if bad else ''}{text}", "bold red" if bad else "")
        put(self.query_one("#message", Static), message)

    def _show_progress(self) -> None:
        phase, bar = self._phase, self.query_one(ProgressBar)
        if not (self._working and phase.phase):
            return
        if self.resting:
            bar.update(total=1)  # it stands still; unseen, it would be drawn all the same
            return
        self._at_work(bar, True)
        if phase.phase != self._told:
            self._told = phase.phase
            self.say(_PHASES.get(phase.phase, ""))
        total = phase.total if phase.phase == "fetch" else None
        bar.update(total=total, progress=_size(phase.path) if total else 0)

    def _at_work(self, bar: ProgressBar, at_work: bool) -> None:
        """Show how far something is in the place of the camera, whose state may change just now."""
        bar.display = at_work
        self.query_one(CameraLine).display = not at_work

    def _report(self, progress: Progress) -> None:
        # Called on the session's thread: one reference is replaced, the screen reads it later.
        self._phase = progress

    # --- running ---------------------------------------------------------------------------

    async def attempt(self, ask: Callable[[], Awaitable[T]]) -> T | None:
        """Ask the session for something; show an error instead of raising it."""
        if self._working:
            self.say("Still at work on the last key; this one was not taken.")
            return None
        self._working = True
        self._phase, self._told = Progress(""), ""
        self._ticker.resume()
        self.say("")
        try:
            result = await ask()
        except TetherError as error:
            await self._ended()
            self.say(str(error), bad=True)
            self.app.bell()
            return None
        except OSError as error:
            await self._ended()
            self.say(
                f"The archive cannot be written to: {error}. What was filed before is safe. "
                "Check the disk, then try again.",
                bad=True,
            )
            self.app.bell()
            return None
        await self._ended()
        return result

    async def _ended(self) -> None:
        self._working = False
        self._phase = Progress("")
        self._ticker.pause()
        bar = self.query_one(ProgressBar)
        self._at_work(bar, False)
        bar.update(total=1, progress=0)
        await self.refresh_view()

    @work(group="camera")
    async def _look_at_camera(self) -> None:
        if self._working or self.port.busy or self.view is None or self.view.camera is None:
            return
        if self.app.screen is not self:
            return
        self._idle += 1
        if news := await self.port.copy_news():
            self.say(" ".join(news))
        try:
            shot = await self.port.take_from_camera(self._report)
            if self._idle % _STATE_EVERY == 0:
                await self.port.refresh_camera()
        except TetherError as error:
            await self.refresh_view()
            self.say(f"{error} Press C to connect.", bad=True)
            return
        if shot is not None:
            await self.refresh_view()
            self._show_shot(shot)
        elif self._idle % _STATE_EVERY == 0:
            await self.refresh_view()

    def _show_shot(self, shot: Shot) -> None:
        self.say(" ".join(shot.said))
        if any(capture.verdict is Verdict.RESHOOT for capture, _ in shot.captures):
            self.app.bell()


def last_capture(view: View) -> Capture | None:
    """The capture whose verdict belongs on the screen.

    The waiting one; for a frame that was gone to its own; else the newest of the roll.
    """
    if view.place.capture is not None:
        return view.place.capture
    if view.roll.cursor is not None and (frame := view.frames[view.roll.cursor - 1]).captures:
        return frame.chosen or frame.captures[-1]
    captures = [c for f in view.frames for c in f.captures]
    return max(captures, key=lambda c: c.id, default=None)


def _size(path: Path | None) -> int:
    try:
        return path.stat().st_size if path else 0
    except OSError:
        return 0
