"""The set-up walk by keys: a first time, the same bench again, and what the practised skip."""

from __future__ import annotations

import pytest
from textual.pilot import Pilot
from textual.widgets import Input, OptionList

from tests.tui.piloting import check_film, press, ready, screen_text, table, todo, until
from tether.archive.archive import Archive
from tether.bench.benches import BenchBook, BenchSetup
from tether.bench.steps import BENCH, LOCK, SET_UP, WALK
from tether.session.next_step import NextKind
from tether.tui.app import TetherApp
from tether.tui.app_context import AppContext
from tether.tui.screens.check_screen import CheckScreen
from tether.tui.screens.dialogs import Pick
from tether.tui.screens.light_screen import LightScreen
from tether.tui.screens.setup_screen import SetUpScreen
from tether.tui.widgets.bench_form import BenchForm, Tick
from tether.tui.widgets.key_line import KeyLine

SIZES = pytest.mark.parametrize("size", [(80, 24)])


def walk(pilot: Pilot[str]) -> SetUpScreen:
    screen = pilot.app.screen
    assert isinstance(screen, SetUpScreen)
    return screen


async def at(pilot: Pilot[str], key: str) -> None:
    """Wait until the walk looks at a step and is idle."""
    await until(
        pilot,
        lambda: (
            isinstance(pilot.app.screen, SetUpScreen)
            and walk(pilot).known is not None
            and walk(pilot).step.key == key
            and not walk(pilot).line.working
        ),
    )


@SIZES
async def test_a_first_sitting_is_led_through_the_walk(
    given: AppContext, archive: Archive, size: tuple[int, int]
) -> None:
    archive.store.set_fact("benches", None)
    app = TetherApp(given)
    async with app.run_test(size=size) as pilot:
        await check_film(pilot)
        await at(pilot, BENCH)
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, BenchForm))
        # A name is needed, and the cursor waits for it.
        await pilot.press("ctrl+s")
        await pilot.pause()
        assert "name of the bench is missing" in screen_text(app)
        await pilot.press(*"Attic")
        app.screen.query_one("#bench-lens", Input).value = "macro 60 mm"
        app.screen.query_one("#bench-person", Input).value = "Ada"
        await pilot.press("ctrl+s")
        await at(pilot, "stand-square")
        seen = []
        for step in SET_UP[1:]:
            if step.station or step.with_film or step.key == LOCK:
                continue
            await until(pilot, lambda key=step.key: step_known(pilot, key))  # type: ignore[misc]
            seen.append(screen_text(app))
            assert step.see[:20] in seen[-1].replace("\n", " ")
            if step.caution:
                assert step.caution[:20] in seen[-1]
            await pilot.press("enter")
            await pilot.pause()
        await at(pilot, "camera-set")
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, CheckScreen))
        await until(pilot, lambda: not app.screen.line.working)  # type: ignore[attr-defined]
        await pilot.press("escape")
        # Nothing was done there: the step stays open. What is done there needs no second key.
        await at(pilot, "camera-set")
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, CheckScreen))
        await until(pilot, lambda: app.screen.checked is not None)  # type: ignore[attr-defined]
        await pilot.press("enter")
        await at(pilot, "light-test")
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, LightScreen))
        await pilot.press("escape")
        await at(pilot, "light-test")
        await pilot.press("y")
        await at(pilot, "focus-lock")
        assert "with the first frame in the gate" in screen_text(app)
        # Focus wants film: the walk leads on to the roll.
        await pilot.press("enter")
        await until(pilot, lambda: ready(pilot))
        view = table(pilot).view
        assert view is not None
        assert view.place.step is not None
        assert view.place.step.key == "holder-blow"
    app.shut()
    roll = archive.store.rolls.named(str(given.roll))
    log = [text for _, _, kind, text in archive.store.journal.log_lines(roll.id) if kind == "step"]
    assert sum(
        text.endswith((": done (Ada)", ": done (Ada), not measured here")) for text in log
    ) == (len(SET_UP) - 2)
    (bench,) = BenchBook(archive.store).benches()
    assert (bench.name, bench.lens) == ("Attic", "macro 60 mm")
    assert "Bench Camera" in bench.camera


def step_known(pilot: Pilot[str], key: str) -> bool:
    screen = walk(pilot)
    return screen.known is not None and screen.step.key == key and not screen.line.working


@SIZES
async def test_what_was_moved_is_asked_again(
    given: AppContext, archive: Archive, size: tuple[int, int]
) -> None:
    done = {s.key: "2026-11-01T10:00:00+00:00" for s in SET_UP if s.key != BENCH}
    BenchBook(archive.store).keep(
        BenchSetup(
            "Table 1",
            lamp="panel",
            film="135 negatives",
            lock=True,
            used_at="2026-11-01",
            done=done,
        )
    )
    app = TetherApp(given)
    async with app.run_test(size=size) as pilot:
        await check_film(pilot)
        assert "same bench as last time" in screen_text(app)
        await pilot.press("w")
        await at(pilot, BENCH)
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, Pick))
        await pilot.press("down", "enter")
        await until(pilot, lambda: isinstance(app.screen, BenchForm))
        box = app.screen.query_one("#moved-lamp", Tick)
        assert "X" not in str(box.render()), "no tick but in colour only"
        box.toggle()
        await pilot.pause()
        assert "X" in str(box.render())
        await pilot.press("ctrl+s")
        await at(pilot, "stand-square")
        assert app.port is not None
        open_steps = {s.key for s in SET_UP} - (await app.port.set_up_state()).done
        # The camera was never seen on this bench before: what hangs on it is asked as well.
        assert "holder-lock" not in open_steps
        assert "film-gate" not in open_steps
        assert {"lens-clean", "light-placed", "light-even", "light-test"} <= open_steps
        # An earlier step can be looked at and asked again.
        steps = app.screen.query_one("#walk-steps", OptionList)
        steps.highlighted = [s.key for s in SET_UP].index("film-gate")
        await pilot.pause()
        await pilot.press("r")
        walk = app.screen
        assert isinstance(walk, SetUpScreen)
        await until(pilot, lambda: bool(walk.known and "film-gate" not in walk.known.done))
        await pilot.press("escape")
        await until(pilot, lambda: ready(pilot))
    app.shut()


async def test_the_same_bench_is_one_key_and_the_rest_of_the_set_up_another(
    given: AppContext,
) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await check_film(pilot)
        await press(pilot, "enter")
        await press(pilot, "x")
        view = table(pilot).view
        assert view is not None
        assert view.place.step is not None
        assert view.place.step.key == "holder-blow"
        assert "set-up steps skipped" in screen_text(app)
        await press(pilot, "x")
        assert "X (skip set-up) does nothing now" in screen_text(app)
        assert todo(pilot) is NextKind.STEP
    app.shut()


async def test_the_keys_of_the_walk_are_its_own_also_within_its_list(
    given: AppContext, archive: Archive
) -> None:
    archive.store.set_fact("benches", None)
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await check_film(pilot)
        await at(pilot, BENCH)
        assert "⏎ next" in str(app.screen.query_one(KeyLine).render())
        await pilot.press("question_mark")
        await until(pilot, lambda: "do the step, or open" in screen_text(app))
        assert "screen for it (not now)" not in screen_text(app)
        assert "Enter  do the step, or open" in screen_text(app)
        await pilot.press("escape")
        steps = walk(pilot).query_one("#walk-steps", OptionList)
        long = next(i for i, s in enumerate(WALK) if s.key == "lens-clean")
        steps.highlighted = long
        await until(pilot, lambda: "] read on" in screen_text(app))
        box = walk(pilot).query_one("#walk-step")
        await pilot.press("pagedown")
        await until(pilot, lambda: box.scroll_y > 0)
        assert steps.highlighted == long, "it reads on, and leaves the list alone"
        await pilot.press("pageup")
        await until(pilot, lambda: box.scroll_y == 0)
    app.shut()
