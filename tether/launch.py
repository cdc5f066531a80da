"""Puts archive, camera, judge and screen together, and takes them apart again."""

from __future__ import annotations

import errno
import os
import signal
import sys
import termios
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

from tether.errors import TetherError
from tether.log_file import driver_log
from tether.settings import Settings
from tether.settings_file import usual_path

if TYPE_CHECKING:
    from tether.archive.archive import Archive
    from tether.archive.records import NewRoll
    from tether.capture.tethered import ReconnectableCamera
    from tether.session.judge import Judge
    from tether.tui.session_port import SimulatedBench
    from tether.window.server import Window

_SECONDS_TO_LEAVE = 15
"""For the screen alone, after its terminal has gone; what comes after it may take its time."""


@dataclass(frozen=True, slots=True)
class Start:
    """What the command line said; ``again`` are those options that going on wants as well.

    ``settings_file`` is the one that it named, None for the user's own; ``window`` asks for a
    window beside the terminal.
    """

    archive: Path
    settings: Settings = field(default_factory=Settings)
    port: str | None = None
    roll: str | None = None
    new: NewRoll | None = None
    form: NewRoll | None = None
    simulated: SimulatedBench | None = None
    settings_file: Path | None = None
    copy: Path | None = None
    no_copy: bool = False
    again: tuple[str, ...] = ()
    window: bool = False


def connector(settings: Settings) -> Callable[[str | None], ReconnectableCamera]:
    """Return what connects to a camera at a port, None for the only one attached."""

    def connect(port: str | None) -> ReconnectableCamera:
        from tether.camera.process import connect as connect_camera

        return connect_camera(port, settings.camera, driver_log())

    return connect


@contextmanager
def opened(start: Start) -> Iterator[tuple[Archive, Judge]]:
    """Open the archive and the judge's worker, and close both whatever happens."""
    from tether.archive.archive import Archive
    from tether.archive.store import remember_options
    from tether.session.judge import Judge

    archive = Archive(start.archive)
    try:
        remember_options(archive.store, start.again)
        begin_copying(archive, start)
        judge = Judge()
        try:
            yield archive, judge
        finally:
            judge.close()
    finally:
        archive.close()


def begin_copying(archive: Archive, start: Start) -> None:
    """Let a second folder receive copies: the one that was named, else the one remembered."""
    from tether.archive import second_copy

    if start.no_copy:
        second_copy.forget_copy_folder(archive)
        return
    # One that is named now has to be usable; one that is remembered may be away for days.
    folder = second_copy.remembered_copy_folder(archive)
    if start.copy is not None:
        folder = second_copy.choose_copy_folder(archive, start.copy)
    if folder is not None:
        archive.second_copy = second_copy.SecondCopy(archive, folder)
        archive.second_copy.start()


def run_screen(start: Start) -> None:
    """Run the terminal program until the person leaves it.

    Raises
    ------
    TetherError
        When there is no terminal, or the archive cannot be used or is one of rehearsals.
    """
    # In a browser, Textual's driver for it is named in the environment ('tether web' does it).
    in_browser = "web_driver" in os.environ.get("TEXTUAL_DRIVER", "")
    if not in_browser and not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise TetherError(
            "This command needs a terminal with a keyboard.",
            todo="Run it in a terminal window, or try 'tether rehearse --unattended'.",
        )
    if start.simulated is None:
        from tether.archive.archive import refuse_rehearsals

        refuse_rehearsals(start.archive)
    import asyncio

    from tether.tui.terminal.probe import asked, monochrome

    if not in_browser and monochrome(os.environ.get("TERM", "")):
        os.environ.setdefault("NO_COLOR", "1")
    with asked() as answer:
        from rich.console import Console

        from tether.tui.app import TetherApp
        from tether.tui.app_context import AppContext
        from tether.tui.terminal.gc_scheduler import Calm
        from tether.tui.terminal.themes import fitting

        terminal = answer()
    colours = None if in_browser else Console(force_terminal=True).color_system
    window = _window() if start.window else None
    with opened(start) as (archive, judge):
        screen = TetherApp(
            AppContext(
                archive=archive,
                connect=connector(start.settings),
                judge=judge,
                settings=fitting(start.settings, colours),
                port=start.port,
                roll=start.roll,
                new=start.new,
                form=start.form,
                simulated=start.simulated,
                settings_file=start.settings_file or usual_path(),
                terminal=terminal,
                window=window,
            ),
            Calm(),
        )

        def hang_up(_signal: int, _frame: FrameType | None) -> None:
            _let_go_of_terminal()
            try:
                loop = asyncio.get_running_loop()
            except RuntimeError:  # before the screen's first moment, or after its last
                sys.exit(1)
            # Something may have been written before that, see there. The system ends that.
            signal.alarm(_SECONDS_TO_LEAVE)
            loop.call_soon_threadsafe(screen.exit)  # wakes a loop in which nothing happens

        # A closed terminal window sends SIGHUP, a shutdown SIGTERM: both leave in order. All is
        # stored at each step, so a process that gets no time for it loses nothing either.
        for ending in (signal.SIGHUP, signal.SIGTERM):
            signal.signal(ending, hang_up)
        try:
            screen.run()
        finally:
            signal.alarm(0)
            screen.shut()
        # In a browser, standard output still belongs to the page, which is gone.
        say = partial(print, file=sys.stderr if in_browser else sys.stdout)
        if screen.roll_name:
            from tether.reports.rolls import leaving_text

            say(leaving_text(archive, screen.roll_name))
        elif screen.not_made is not None:
            from tether.reports.rolls import not_made

            say(not_made(archive, screen.not_made))
        if archive.second_copy is not None:
            if archive.second_copy.state().rolls_behind:
                say("Copying the rest to the copy folder. Ctrl-C leaves it for the next time.")
            say(archive.second_copy.finish().sentence())
    if screen.return_code:  # a fault of the program itself, which Textual has printed
        sys.exit(screen.return_code)


def run_window(start: Start) -> None:
    """Serve the window for a roll without a camera, until Ctrl-C.

    Raises
    ------
    TetherError
        When there is no such roll, or another program is at work on it.
    """
    import asyncio

    from tether.session.session import Session
    from tether.tui.session_port import SessionPort
    from tether.tui.session_thread import SessionThread

    window = _window()
    with opened(start) as (archive, judge):
        roll = archive.store.rolls.named(start.roll or "")

        async def serve() -> None:
            thread, ended = SessionThread(), asyncio.Event()
            session = await thread.run(lambda: Session(archive, roll, None, judge, start.settings))
            port = SessionPort(thread, session)
            try:
                await window.start(port)
                await port.view()
                print(
                    f"The window is at\n\n    {window.address}\n\nOpen it in a browser on this "
                    "machine. Ctrl-C here ends it. All filed files are stored.",
                    flush=True,
                )
                window.show()
                for ending in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
                    asyncio.get_running_loop().add_signal_handler(ending, ended.set)
                await ended.wait()
            finally:
                await window.close()
                thread.close()
                port.close()

        asyncio.run(serve())


def _window() -> Window:
    """Return a window that is not open yet.

    Raises
    ------
    TetherError
        When the packages that it needs are not installed.
    """
    try:
        from tether.web.guard import listen
        from tether.window.server import Window
    except ModuleNotFoundError as error:
        raise TetherError(
            f"The package '{error.name}', which the window needs, is not installed.",
            kept="The terminal program works without it.",
            todo="In the folder of this program: .venv/bin/pip install '.[web]'",
        ) from error
    return Window(listen(0))


def _let_go_of_terminal() -> None:
    """Let what is still written go nowhere where the terminal is gone.

    It would fail: what is to be done after the screen would not be, and a thread of Textual's
    would end of it, for which Textual then waits for ever.
    """
    for stream in (1, 2):
        try:
            termios.tcgetattr(stream)
        except termios.error as error:
            if error.args[0] == errno.EIO:  # a file or a pipe says ENOTTY, and stays
                nowhere = os.open(os.devnull, os.O_WRONLY)
                os.dup2(nowhere, stream)
                os.close(nowhere)
