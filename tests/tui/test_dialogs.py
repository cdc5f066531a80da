"""A question with the name of a file in it is read to its end, whatever the name is."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from textual.app import App
from textual.screen import Screen
from textual.widgets import Label, OptionList

from tests.tui.piloting import Bare
from tether.settings import Settings
from tether.tui.screens.dialogs import AskText, Pick

LONG = f"incoming/{'0123456789abcdef' * 2}[/b].part: an incomplete file"


def drawn(app: App[str], label: Label) -> str:
    """The words of a label as they stand on the screen, lines joined."""
    return "".join(
        "".join(segment.text for segment in label.render_line(y)).strip()
        for y in range(label.region.intersection(app.screen.region).height)
    )


@pytest.mark.parametrize(
    "ask", [lambda: AskText(LONG), lambda: Pick(LONG, [("a", "leave it")])], ids=["text", "choice"]
)
async def test_a_long_question_is_read_to_its_end(ask: Callable[[], Screen[str | None]]) -> None:
    app = Bare(Settings())
    async with app.run_test(size=(80, 24)) as pilot:
        await app.push_screen(ask())
        await pilot.pause()
        label = app.screen.query_one(".question", Label)
        assert drawn(app, label).replace(" ", "") == LONG.replace(" ", "")


async def test_a_numbered_line_is_reached_by_its_number_and_a_heading_never() -> None:
    lines = [("", "Film"), *((f"film {n}", "x") for n in range(1, 8)), ("", "Lamp")]
    lines += [(f"lamp {n}", "x") for n in range(8, 13)]
    app = Bare(Settings())
    async with app.run_test(size=(80, 24)) as pilot:
        menu = Pick("What?", lines, numbered=True)
        await app.push_screen(menu)
        await pilot.pause()
        listed = menu.query_one(OptionList)

        async def typed(key: str) -> str | None:
            await pilot.press(key)
            await pilot.pause()
            at = listed.highlighted
            return None if at is None else listed.get_option_at_index(at).id

        assert [await typed(key) for key in "0128"] == ["film 1", "film 1", "lamp 12", "lamp 8"]
        assert await typed("down") == "lamp 9"
        await pilot.press("3", "up", "up", "up")
        assert (listed.highlighted or 0) > 0, "a heading cannot be chosen"
