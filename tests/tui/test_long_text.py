"""A long text: only what is seen of it is drawn; the help is one screen that stays."""

from __future__ import annotations

import pytest
from rich.text import Text
from textual.app import ComposeResult
from textual.strip import Strip
from textual.widgets import Static

from tests.tui.piloting import Bare
from tether.settings import Settings
from tether.tui.screens.dialogs import Reading
from tether.tui.widgets.key_line import KeyLine
from tether.tui.widgets.text_view import LongText


class Host(Bare):
    """The program's manners and one line."""

    def compose(self) -> ComposeResult:
        yield Static("words")
        yield KeyLine()


def seen(app: Bare) -> list[str]:
    """The lines of the text that are on the screen."""
    text = app.screen.query_one(LongText)
    height = text.scrollable_content_region.height
    return [text.render_line(y).text.rstrip() for y in range(height)]


def numbered(count: int) -> Text:
    return Text("\n".join(f"line {number} of {count}" for number in range(1, count + 1)))


async def test_of_a_text_without_end_the_lines_that_are_seen_are_drawn(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    drawn: list[Strip] = []
    draw = LongText.render_line

    def counted(self: LongText, y: int) -> Strip:
        drawn.append(draw(self, y))
        return drawn[-1]

    app = Host(Settings())
    async with app.run_test(size=(80, 24)) as pilot:
        monkeypatch.setattr(LongText, "render_line", counted)
        await app.push_screen(Reading("Log", numbered(20_000), at_end=True))
        await pilot.pause()
        assert 0 < len(drawn) < 200
        assert seen(app)[-1] == "line 20000 of 20000"
        await pilot.press("home", "down")
        await pilot.pause()
        assert seen(app)[:2] == ["line 2 of 20000", "line 3 of 20000"]


async def test_a_text_is_broken_for_the_width_that_there_is() -> None:
    app = Host(Settings())
    widths: list[int] = []

    def made(width: int) -> Text:
        widths.append(width)
        return Text(f"for {width}: " + "word " * 40)

    async with app.run_test(size=(80, 24)) as pilot:
        await app.push_screen(Reading("Wide", made))
        await pilot.pause()
        assert widths == [app.screen.query_one(LongText).scrollable_content_region.width]
        assert all(len(line) <= widths[0] for line in seen(app))
        await pilot.resize_terminal(120, 40)
        await pilot.pause()
        assert widths == [widths[0], widths[0] + 40]
        assert seen(app)[0].startswith(f"for {widths[1]}: word")
        await pilot.resize_terminal(6, 5)
        await pilot.pause()
        assert widths[-1] == 1


async def test_the_help_stays_and_is_right_each_time() -> None:
    app = Host(Settings())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("question_mark")
        await pilot.pause()
        first, top = app.screen, seen(app)[0]
        before = first.styles.background, first.query_one(LongText).rich_style.color
        await pilot.press("end", "question_mark")
        await pilot.resize_terminal(60, 20)  # while it is closed, too small for the screens
        await pilot.press("enter")
        app.theme = "textual-light"
        await pilot.pause()
        await pilot.press("question_mark")
        await pilot.pause()
        assert app.screen is first, "one for all: a new one takes three times as long"
        text = first.query_one(LongText)
        assert text.scroll_offset.y == 0
        assert top.startswith(seen(app)[0]), "from its beginning, in less room"
        assert text.scrollable_content_region.width < 60
        assert (first.styles.background, text.rich_style.color) != before
        ground = {segment.style.bgcolor for segment in text.render_line(0) if segment.style}
        assert ground == {text.rich_style.bgcolor}
