"""What an interruption left, with a choice for each: files of no frame, a shutter set elsewhere."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from datetime import UTC, datetime
from functools import partial
from typing import ClassVar

from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from tether.capture.leftovers import Kind, Leftover
from tether.errors import TetherError
from tether.session.session import View
from tether.text import megabytes, plural, printable
from tether.tui.app_context import ScreenContext
from tether.tui.keys import bindings
from tether.tui.screens.bench_screen import BenchScreen
from tether.tui.screens.dialogs import AskText, Pick
from tether.tui.session_port import SessionPort
from tether.tui.widgets.session_line import SessionLine

_LEAVE = ("leave", "Leave it where it is, and don't ask again")
_ACTS: dict[Kind, str] = {
    Kind.CARD: "Copy it",
    Kind.WHOLE: "File it",
    Kind.CAPTURE: "Record it for the frame in its name",
    Kind.COPY: "Compare it with the filed picture, then remove the copy",
}
_OF_A_FRAME = (Kind.CARD, Kind.WHOLE)
_RESULT_LINES = 3


class FoundScreen(BenchScreen):
    """Offers what was left. Whatever is not decided stays, and is offered at the next start."""

    TITLE = "Not assigned"
    HEADING: ClassVar[str] = "Not assigned: pictures and files that belong to no frame yet"
    HELP = (
        "Pictures on the camera's card that were never copied, and files in the roll's folder that "
        "belong to no frame. They come from an interruption, or from the camera's own button while "
        "this program was not running. Choose one to see what you can do with it. Nothing is "
        "deleted, except a copy of a filed picture that you choose to remove after both were "
        "compared."
    )
    BINDINGS: ClassVar[list[BindingType]] = bindings("not assigned")

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

    def body(self) -> ComposeResult:
        """Lay out the list."""
        yield Static(id="left-intro")
        yield OptionList(id="left-list")

    def on_mount(self) -> None:
        """Show the list."""
        self._show()
        self.query_one(OptionList).focus()

    def check_action(self, action: str, _parameters: tuple[object, ...]) -> bool | None:
        """Offer to copy all, or to leave all, only where there is something for it."""
        fits = {
            "all_in_order": any(item.kind is Kind.CARD for item in self.items),
            "leave_all": any(item.kind not in _ACTS for item in self.items),
        }
        return fits.get(action, True)

    def _show(self) -> None:
        self.refresh_bindings()
        pictures = sum(item.kind is Kind.CARD for item in self.items)
        files = len(self.items) - pictures
        parts = [f"{plural(pictures, 'picture')} on the camera's card"] if pictures else []
        parts += [f"{plural(files, 'file')} in the roll's folder"] if files else []
        self.put(
            "#left-intro",
            Text(
                f"{' and '.join(parts) or 'Nothing more'}. Choose one. "
                "Nothing is deleted. What you leave is offered again at the next start, or with "
                f" {self.keys['not-assigned']}."
            ),
        )
        listed = self.query_one(OptionList)
        at = listed.highlighted or 0
        listed.clear_options()
        listed.add_options(Option(_line(item), id=str(i)) for i, item in enumerate(self.items))
        if self.items:
            listed.highlighted = min(at, len(self.items) - 1)

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
        choices = [("ask", f"{act} for another frame …"), _LEAVE]
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
        return await self.port.take_leftover(item, frame, self.line.report)

    @work(group="left")
    async def action_all_in_order(self) -> None:
        """Fetch all pictures on the card, oldest first, for the next frames without a picture."""
        pictures = [item for item in self.items if item.kind is Kind.CARD]
        free = await self.port.frames_for_leftovers(len(pictures))
        pairs = list(zip(pictures, free, strict=False))
        if not pairs:
            self.line.say("No picture on the card, or no frame without one.")
            return
        names = ", ".join(str(frame) for frame in free)
        sure = await self.app.push_screen_wait(
            Pick(
                f"Copy {plural(len(pairs), 'picture')}, oldest first?",
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
    async def action_leave_all(self) -> None:
        """Leave all files where they are with which nothing else can be done."""
        for item in [item for item in self.items if item.kind not in _ACTS]:
            if not await self._do(partial(self.port.leave_leftover, item)):
                return

    @work(group="left")
    async def action_look_again(self) -> None:
        """Look through the card and the folder afresh."""
        found = await self.line.attempt(
            lambda: self.port.leftovers(afresh=True), "Searching the card …"
        )
        if found is not None:
            self.items = found
            self._show()

    async def _do(self, act: Callable[[], Awaitable[str]], doing: str = "") -> bool:
        """Do something with one of them; leave the screen when nothing is left."""
        said = await self.line.attempt(act, doing)
        if said is None:
            return False
        self.said.append(said)
        items = await self.line.attempt(self.port.leftovers)
        self.line.say(said)
        if items is not None:
            self.items = items
            self._show()
            if not items:
                self.dismiss(True)
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


async def show_left_over(
    context: ScreenContext, port: SessionPort, line: SessionLine, *, asked: bool = False
) -> None:
    """Offer what was left, if anything was; ``asked`` when the person wants to see it.

    What was offered before and left undecided is not offered again unasked, as after each lost
    cable; with anything new all of it is.
    """
    try:
        if asked:
            line.say("Searching the card and the roll's folder …")
        items = await port.leftovers(afresh=asked)
    except TetherError as error:
        line.say(str(error), bad=True)
        if not asked:
            return
        items = await port.leftovers()
    if not items:
        if asked:
            line.say("Every picture and file belongs to a frame.")
        return
    question = any(item.needs_choice for item in items)
    if not asked and not (question and await port.new_leftovers(items)):
        return
    screen = FoundScreen(context, port, await port.view(), items)
    await line.app.push_screen_wait(screen)
    await port.offered((*items, *screen.items))
    if screen.said:
        line.say("; ".join(screen.said[-_RESULT_LINES:]) + ".")
    elif asked:
        line.say("")


async def offer_shutter(port: SessionPort, line: SessionLine) -> None:
    """Ask about a shutter that an interrupted test has left elsewhere; Escape leaves it open."""
    left = await port.displaced()
    if left is None:
        return
    question = left.sentence().replace(": ", ":\n", 1)
    choice = await line.app.push_screen_wait(
        Pick(
            f"{question}\nWhich one?",
            [
                ("back", f"Set it back to {printable(left.was, 20)}"),
                ("leave", f"Leave it at {printable(left.now, 20)}"),
            ],
        )
    )
    if choice is None:
        line.say(f"{left.sentence()} The light test ({{light-test}}) can set it back.")
        return
    said = await line.attempt(
        port.put_shutter_back if choice == "back" else lambda: port.leave_shutter(left)
    )
    if said:
        line.say(said)
