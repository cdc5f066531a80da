"""A question with the name of a file in it is read to its end, whatever the name is."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from textual.app import App
from textual.screen import Screen
from textual.widgets import Label

from tests.tui.piloting import Bare
from tether.settings import Settings
from tether.tui.screens.dialogs import AskText, Pick

LONG = f"incoming/{'0123456789abcdef' * 2}[/b].part: a file that did not come whole"


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
