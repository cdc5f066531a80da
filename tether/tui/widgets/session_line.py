"""The line in which a screen asks the session for things: one at a time, and what came of it."""

from __future__ import annotations

import time
from collections.abc import Awaitable, Callable
from typing import TypeVar

from rich.text import Text
from textual.timer import Timer
from textual.widgets import Static

from tether.camera.errors import CameraError
from tether.capture.transfer import Progress
from tether.errors import TetherError
from tether.tui.keys import Keys
from tether.tui.session_port import SessionPort
from tether.tui.widgets.redraw import put

T = TypeVar("T")

BUSY = "Still busy; that key was ignored."
_DOING = {
    "fire": "firing the shutter",
    "fetch": "copying the picture from the camera",
    "file": "filing it in the archive",
    "judge": "measuring the raw file",
    "reconnect": "the camera does not answer: connecting again and searching its card",
}
"""By the phase of a `Progress`."""
_OF_CAMERA = frozenset({"fire", "fetch", "reconnect"})
"""Phases in which the camera's driver may hang."""
_EVERY_SECONDS = 0.1
_LONG_SECONDS = 5
"""After which the seconds are shown: a camera that hangs is seen to."""
_BAR = 20


class SessionLine(Static):
    """Shows what is under way, errors, and what a screen has to say.

    Parameters
    ----------
    port, keys
        The session, and the keys in force.
    lost
        What to do where the camera is gone.
    after
        Awaited after each call, before its error is shown.
    """

    def __init__(
        self,
        port: SessionPort,
        keys: Keys,
        *,
        lost: str = "",
        after: Callable[[], Awaitable[None]] | None = None,
    ) -> None:
        super().__init__(id="message")
        self.working = False
        self._port = port
        self.keys = keys
        self._lost = lost
        self._after = after
        self._progress = "", Progress("")
        self._began = 0.0
        self._ticker: Timer | None = None

    def on_mount(self) -> None:
        """Get ready to show how far something is."""
        self._ticker = self.set_interval(_EVERY_SECONDS, self._show_progress, pause=True)

    # --- saying ----------------------------------------------------------------------------

    def say(self, text: str, *, bad: bool = False) -> None:
        """Show a message until the next call; nowhere once the screen is being left.

        An id of an action in braces becomes its key.
        """
        if self.is_attached:
            text = self.keys.put_into(text)
            put(self, Text(f"{'✗ ' if bad else ''}{text}", "bold red" if bad else ""))

    async def complain(self, error: TetherError) -> None:
        """Show an error; where the camera is gone, say what to do about that."""
        gone = isinstance(error, CameraError) and not await self._port.camera_answers()
        self.say(f"{error} {self._lost}".rstrip() if gone else str(error), bad=True)
        self.app.bell()

    # --- asking ----------------------------------------------------------------------------

    async def attempt(self, ask: Callable[[], Awaitable[T]], doing: str = "") -> T | None:
        """Ask the session for something; show an error instead of raising it."""
        if self.refused():
            return None
        self.working = True
        self._began = time.monotonic()
        self._progress = "", Progress("")
        self.say(doing)
        if self._ticker is not None:
            self._ticker.resume()
        complaint: TetherError | OSError | None = None
        try:
            result = await ask()
        except (TetherError, OSError) as error:
            complaint = error
        finally:
            self.working = False
            if self._ticker is not None:
                self._ticker.pause()
        if self._after is not None:
            await self._after()
        if complaint is None:
            self.say("")
            return result
        if isinstance(complaint, TetherError):
            await self.complain(complaint)
        else:
            self.say(
                f"Cannot write to the archive: {complaint}. Everything filed so far is safe. "
                "Check the disk, then try again.",
                bad=True,
            )
            self.app.bell()
        return None

    def refused(self) -> bool:
        """Whether something is under way; a key that comes meanwhile is answered with that."""
        if self.working:
            self.say(BUSY)
        return self.working

    def report(self, progress: Progress, which: str = "") -> None:
        """Take note of how far something is; ``which`` of several comes before the words."""
        # Called on the session's thread: one reference is replaced, the screen reads it later.
        self._progress = which, progress

    def _show_progress(self) -> None:
        which, progress = self._progress
        if not (self.working and progress.phase and self.screen.is_active):
            return
        words = _DOING.get(progress.phase, progress.phase)
        words = f"{which}: {words}" if which else f"{words[0].upper()}{words[1:]}"
        spent = time.monotonic() - self._began
        waiting = f" {spent:.0f} s" if spent > _LONG_SECONDS else ""
        if self.waits_for_camera:
            key = "give-up" if hasattr(self.screen, "action_give_up") else "back"
            waiting += f"   [{{{key}}}] give up"
        self.say(f"{words} …{_bar(progress)}{waiting}")

    @property
    def waits_for_camera(self) -> bool:
        """Whether the camera is what takes so long that it may be given up."""
        long = time.monotonic() - self._began > _LONG_SECONDS
        return self.working and long and self._progress[1].phase in _OF_CAMERA


def _bar(progress: Progress) -> str:
    """How much of a file has come, nothing where that is not known."""
    if progress.phase != "fetch" or progress.path is None or not progress.total:
        return ""
    try:
        share = min(progress.path.stat().st_size / progress.total, 1.0)
    except OSError:
        share = 0.0
    return f" {'━' * round(_BAR * share):─<{_BAR}} {100 * share:.0f} %"
