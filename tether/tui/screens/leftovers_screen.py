"""What an earlier stop left on the card and in the folder, with a choice for each."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from datetime import UTC, datetime
from functools import partial
from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.widgets import OptionList, ProgressBar, Static
from textual.widgets.option_list import Option

from tether.capture.leftovers import Kind, Leftover
from tether.capture.transfer import Progress
from tether.errors import TetherError
from tether.session.session import View
from tether.text import megabytes, plural
from tether.tui.app_context import ScreenContext
from tether.tui.screens.bench_screen import BenchScreen
from tether.tui.screens.dialogs import AskText, Pick
from tether.tui.session_port import SessionPort

if TYPE_CHECKING:
    from tether.tui.screens.worktable_view import Table

_LEAVE = ("leave", "Leave it where it is, and do not ask again")
_ACTS: dict[Kind, str] = {
    Kind.CARD: "Fetch it",
    Kind.WHOLE: "File it",
    Kind.CAPTURE: "Record it for the frame in its name",
    Kind.COPY: "Remove the copy, once it was compared with the filed picture",
}
_OF_A_FRAME = (Kind.CARD, Kind.WHOLE)
_RESULT_LINES = 3


class FoundScreen(BenchScreen):
    """Offers what was left. Whatever is not decided stays, and is offered at the next start."""

    TITLE = "Left over"
    HEADING: ClassVar[str] = "Left over: pictures and files of no frame"
    HELP = (
        "Pictures on the camera's card that were never fetched, and files in the roll's folder "
        "that no frame has: after a stop, or by the camera's own button while this program was not "
        "running. Enter offers what can be done with the one that is marked. Nothing is thrown "
        "away; a copy of a filed picture can be removed, once both were read and found equal."
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(
            "a",
            "all_in_order",
            "All, in order",
            tooltip="fetch all pictures on the card, oldest first, for the next frames without one",
        ),
        Binding(
            "r",
            "look_again",
            "Look again",
            tooltip="look through card and folder once more",
        ),
    ]

    def __init__(
        self,
        context: ScreenContext,
        port: SessionPort,
        view: View,
        items: Sequence[Leftover],
    ) -> None:
        super().__init__(context, port, view)
        self.items = tuple(items)
        self.said: list[str] = []
        self._phase = Progress("")

    def body(self) -> ComposeResult:
        """Lay out the list."""
        yield Static(id="left-intro")
        yield OptionList(id="left-list")
        yield ProgressBar(id="left-progress", show_eta=False)

    def on_mount(self) -> None:
        """Show the list."""
        self._show()
        self.query_one(OptionList).focus()
        self.while_seen(0.1, self._show_progress)

    def check_action(self, action: str, _parameters: tuple[object, ...]) -> bool | None:
        """Offer to fetch all only where there is something on the card."""
        return action != "all_in_order" or any(item.kind is Kind.CARD for item in self.items)

    def _show(self) -> None:
        self.refresh_bindings()
        pictures = sum(item.kind is Kind.CARD for item in self.items)
        files = len(self.items) - pictures
        parts = [f"{plural(pictures, 'picture')} on the camera's card"] if pictures else []
        parts += [f"{plural(files, 'file')} in the roll's folder"] if files else []
        self.put(
            "#left-intro",
            Text(
                f"Of no frame: {' and '.join(parts) or 'nothing more'}. Nothing is thrown away: "
                "what is not decided stays, and is asked about at the next start, or when more "
                "comes; R on the worktable shows it before. Enter: what to do with one."
            ),
        )
        listed = self.query_one(OptionList)
        at = listed.highlighted or 0
        listed.clear_options()
        listed.add_options(Option(_line(item), id=str(i)) for i, item in enumerate(self.items))
        if self.items:
            listed.highlighted = min(at, len(self.items) - 1)

    def _show_progress(self) -> None:
        bar = self.query_one(ProgressBar)
        path, total = self._phase.path, self._phase.total
        bar.display = self.working and self._phase.phase == "fetch" and bool(total)
        if bar.display and path is not None:
            try:
                bar.update(total=total, progress=path.stat().st_size)
            except OSError:
                bar.update(total=total, progress=0)

    def _report(self, progress: Progress) -> None:
        # Called on the session's thread: one reference is replaced, the screen reads it later.
        self._phase = progress

    # --- choices ---------------------------------------------------------------------------

    @work(group="left")
    async def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Ask what to do with one of them, and do it."""
        item = self.items[int(event.option_id or 0)]
        wanted = await self.app.push_screen_wait(
            Pick(f"{item.name}: {item.kind.value}", await self._choices(item))
        )
        if wanted == "leave":
            await self._do(partial(self.port.leave_leftover, item))
        elif wanted == "act":
            await self._do(partial(self.port.settle_leftover, item), f"{item.name} …")
        elif wanted is not None:
            frame = await self._ask_frame() if wanted == "ask" else int(wanted)
            if frame is not None:
                await self._do(partial(self._take, item, frame), f"{item.name}: frame {frame} …")

    async def _choices(self, item: Leftover) -> list[tuple[str, str]]:
        act = _ACTS.get(item.kind)
        if act is None:
            return [_LEAVE]
        if item.kind not in _OF_A_FRAME:
            return [("act", act), _LEAVE]
        choices = [("ask", f"{act} for a frame that you name …"), _LEAVE]
        if free := await self.port.frames_for_leftovers(1):
            return [
                (str(free[0]), f"{act} for frame {free[0]}, the next without a picture"),
                *choices,
            ]
        return choices

    async def _ask_frame(self) -> int | None:
        last = (await self.port.view()).roll.frames_expected

        def complaint(text: str) -> str | None:
            fits = text.isdecimal() and 1 <= int(text) <= last
            return None if fits else f"Give a number from 1 to {last}."

        answer = await self.app.push_screen_wait(
            AskText(f"Which frame is it? (1 to {last})", check=complaint)
        )
        return int(answer) if answer else None

    async def _take(self, item: Leftover, frame: int) -> str:
        return await self.port.take_leftover(item, frame, self._report)

    @work(group="left")
    async def action_all_in_order(self) -> None:
        """Fetch all pictures on the card, oldest first, for the next frames without a picture."""
        pictures = [item for item in self.items if item.kind is Kind.CARD]
        free = await self.port.frames_for_leftovers(len(pictures))
        pairs = list(zip(pictures, free, strict=False))
        if not pairs:
            self.say("There is no picture on the card to fetch, or no frame without one.")
            return
        names = ", ".join(str(frame) for frame in free)
        sure = await self.app.push_screen_wait(
            Pick(
                f"Fetch {plural(len(pairs), 'picture')}, oldest first?",
                [
                    ("yes", f"Yes: for {'frame' if len(free) == 1 else 'frames'} {names}"),
                    ("no", "No, one by one"),
                ],
            )
        )
        if sure != "yes":
            return
        for item, frame in pairs:
            doing = f"{item.name}: frame {frame} …"
            if not await self._do(partial(self._take, item, frame), doing):
                return

    @work(group="left")
    async def action_look_again(self) -> None:
        """Look through the card and the folder afresh."""
        found = await self.attempt(
            lambda: self.port.leftovers(afresh=True), "Looking through the card …"
        )
        if found is not None:
            self.items = found
            self._show()

    async def _do(self, act: Callable[[], Awaitable[str]], doing: str = "") -> bool:
        """Do something with one of them; leave the screen when nothing is left."""
        said = await self.attempt(act, doing)
        self._phase = Progress("")
        if said is None:
            return False
        self.said.append(said)
        items = await self.attempt(self.port.leftovers)
        self.say(said)
        if items is not None:
            self.items = items
            self._show()
            if not items:
                self.dismiss(None)
        return True


def _line(item: Leftover) -> Text:
    line = Text(no_wrap=True, overflow="ellipsis")
    line.append(item.name, "bold")
    line.append(f"   {megabytes(item.size)}" if item.size else "")
    if item.modified is not None:
        # The camera's clock has no time zone; a file's time is shown as the clock on the wall has.
        when = datetime.fromtimestamp(item.modified, UTC if item.files else None)
        line.append(f"   {when:%Y-%m-%d %H:%M:%S}")
    line.append(f"\n  {item.kind.value}", "dim")
    return line


async def show_left_over(table: Table, *, asked: bool = False) -> None:
    """Offer what was left, if anything was; ``asked`` when the person wants to see it.

    What was offered before and left undecided is not offered again by itself, as after each lost
    cable; with anything new all of it is.
    """
    port = table.port
    try:
        if asked:
            table.say("Looking through the card and the roll's folder …")
        items = await port.leftovers(afresh=asked)
    except TetherError as error:
        table.say(str(error), bad=True)
        if not asked:
            return
        items = await port.leftovers()
    if not items:
        if asked:
            table.say("Nothing is left over: every picture and file belongs to a frame.")
        return
    if not asked and not await port.new_leftovers(items):
        return
    screen = FoundScreen(table.context, port, await port.view(), items)
    await table.app.push_screen_wait(screen)
    await port.offered((*items, *screen.items))
    await table.refresh_view()
    if screen.said:
        table.say("; ".join(screen.said[-_RESULT_LINES:]) + ".")
    elif asked:
        table.say("")
