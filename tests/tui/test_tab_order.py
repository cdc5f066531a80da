"""Tab goes through a form as it is read, stops only where something can be done, and back."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from textual.events import Key
from textual.screen import Screen
from textual.widgets import Input

from tests.tui.piloting import Bare, until
from tether.bench.benches import BenchSetup
from tether.settings import Settings
from tether.tui.screens.dialogs import AskText, Pick
from tether.tui.screens.roll_screens import ChooseRoll, DescribeRoll
from tether.tui.widgets.bench_form import BenchForm, Tick

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


@pytest.mark.parametrize(
    ("make", "first", "second"),
    [(FORMS["new bench"][0], "bench-name", "bench-lens"), (FORMS["roll"][0], "name", "process")],
    ids=["bench", "roll"],
)
@pytest.mark.parametrize("move", ["enter", "tab"])
async def test_keys_that_come_in_one_burst_are_for_the_field_that_they_follow(
    make: Callable[[], Screen[Any]], first: str, second: str, move: str
) -> None:
    """As from a scanner, or pasted: none of them waits for what the one before has set off."""
    app = Bare(Settings())
    async with app.run_test(size=(80, 24)) as pilot:
        form = make()
        await app.push_screen(form)
        await until(pilot, lambda: app.focused is not None and app.focused.id == first)
        for key in ("a", move, "b"):
            app.post_message(Key(key, key if len(key) == 1 else None))
        await until(pilot, lambda: app.focused is not None and app.focused.id == second)
        written = form.query_one(f"#{first}", Input)
        await until(pilot, lambda: bool(written.value))
        await pilot.pause()
        assert written.value == "a"


async def test_enter_goes_on_from_a_box_and_only_space_ticks_it() -> None:
    app = Bare()
    async with app.run_test(size=(80, 24)) as pilot:
        form = BenchForm(BenchSetup(""), "a camera", "Ada")
        app.push_screen(form)
        await until(pilot, lambda: bool(form.query("#strobe")))
        box = form.query_one("#strobe", Tick)
        box.focus()
        await until(pilot, lambda: app.focused is box)
        await pilot.press("enter")
        await until(pilot, lambda: app.focused is not box)
        assert box.value is False
        box.focus()
        await until(pilot, lambda: app.focused is box)
        await pilot.press("space")
        await until(pilot, lambda: box.value is True)
