"""Tab goes through a form as it is read, stops only where something can be done, and back."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from textual.screen import Screen

from tests.tui.piloting import Bare
from tether.bench.benches import BenchSetup
from tether.settings import Settings
from tether.tui.screens.dialogs import AskText, Pick
from tether.tui.screens.roll_screens import ChooseRoll, DescribeRoll
from tether.tui.widgets.bench_form import BenchForm

FORMS: dict[str, tuple[Callable[[], Screen[Any]], int]] = {
    "bench": (lambda: BenchForm(BenchSetup("Table", lens="macro 60 mm"), "a camera", "Ada"), 12),
    "new bench": (lambda: BenchForm(BenchSetup(""), "a camera", "Ada"), 8),
    "roll": (lambda: DescribeRoll(""), 22),
    "rolls": (lambda: ChooseRoll([]), 1),
    "text": (lambda: AskText("Which?"), 1),
    "choice": (lambda: Pick("Which?", [("a", "first")]), 1),
}
"""How many places there are to write, tick, choose or press."""


@pytest.mark.parametrize("name", FORMS)
async def test_tab_follows_the_reading_order_and_escape_leaves(name: str) -> None:
    make, places = FORMS[name]
    app = Bare(Settings())
    async with app.run_test(size=(80, 24)) as pilot:
        form = make()
        await app.push_screen(form)
        await pilot.pause()
        seen = []
        for _ in range(places):
            assert app.focused is not None
            seen.append(app.focused)
            await pilot.press("tab")
        assert app.focused is seen[0], "round, and no further stop"
        assert len(set(seen)) == places
        where = [(w.region.y, w.region.x) for w in seen]
        first = where.index(min(where))
        assert where[first:] + where[:first] == sorted(where)
        await pilot.press("shift+tab")
        assert app.focused is seen[-1]
        await pilot.press("escape")
        await pilot.pause()
        assert app.screen is not form
