"""The worktable at each place where the work can stand, and what opens over it."""

from __future__ import annotations

import pytest
from textual.command import CommandPalette
from textual.pilot import Pilot
from textual.widgets import OptionList

from tests.snapshots.conftest import Seen, at_table, opens, program, until
from tests.snapshots.still import KEEP, LOOK, RESHOOT, Bench, StillHand, StoppedClock
from tether.bench.steps import BENCH
from tether.camera.errors import CameraLost
from tether.settings import ScreenSettings, Settings
from tether.tui.screens.dialogs import AskText, Pick, Reading
from tether.tui.screens.pause_screen import PauseScreen
from tether.tui.screens.worktable import Worktable
from tether.tui.widgets.picture_panel import LargePicture

# --- places ----------------------------------------------------------------------------------


def test_step_at_hand(bench: Bench, seen: Seen) -> None:
    bench.to_step("strip-load")
    seen(program(bench), at_table)


def test_film_check(bench: Bench, seen: Seen) -> None:
    StoppedClock.passes(hours=20)
    seen(program(bench), at_table)


def test_same_bench_question(bench: Bench, seen: Seen) -> None:
    StoppedClock.passes(hours=20)
    bench.to_step(BENCH)
    seen(program(bench), at_table)


def test_ready_to_shoot(bench: Bench, seen: Seen) -> None:
    bench.to_shutter()
    seen(program(bench), at_table)


def test_keep_verdict(bench: Bench, seen: Seen) -> None:
    bench.shoots(KEEP, KEEP, keep=False)
    seen(program(bench), at_table)


def test_reshoot_verdict(bench: Bench, seen: Seen) -> None:
    bench.shoots(KEEP, RESHOOT, keep=False)
    seen(program(bench), at_table)


def test_reshoot_verdict_in_a_rehearsal(bench: Bench, seen: Seen) -> None:
    bench.shoots(KEEP, RESHOOT, keep=False)
    seen(program(bench, simulated=StillHand()), at_table)


def test_done_roll(bench: Bench, seen: Seen) -> None:
    bench.shoots(*[KEEP] * 3, LOOK, *[KEEP] * 2)
    seen(program(bench), at_table)


def test_key_out_of_place(bench: Bench, seen: Seen) -> None:
    bench.to_step("strip-load")

    async def steps(pilot: Pilot[str]) -> None:
        await at_table(pilot)
        await pilot.press("k")

    seen(program(bench), steps)


# --- colours ---------------------------------------------------------------------------------


def test_theme_contrast(bench: Bench, seen: Seen) -> None:
    bench.shoots(KEEP, RESHOOT, keep=False)
    seen(program(bench, settings=Settings(screen=ScreenSettings(theme="contrast"))), at_table)


def test_no_color(bench: Bench, seen: Seen, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    bench.shoots(KEEP, RESHOOT, keep=False)
    seen(program(bench), at_table)


def test_too_small_a_terminal(bench: Bench, seen: Seen, size: tuple[int, int]) -> None:
    seen(program(bench), at_table, at=(60, 20) if size[0] < 100 else (120, 16))


# --- what opens over it ----------------------------------------------------------------------


def test_help(bench: Bench, seen: Seen) -> None:
    bench.to_step("strip-load")
    seen(program(bench), opens("question_mark", Reading))


def test_takes(bench: Bench, seen: Seen) -> None:
    bench.shoots(RESHOOT, keep=False)
    with bench.session() as session:
        session.shoot_again()
    bench.shoots(KEEP, keep=False)
    seen(program(bench), opens("v", Pick))


def test_ask_text_with_a_complaint(bench: Bench, seen: Seen) -> None:
    bench.to_shutter()
    seen(program(bench), opens("g", AskText, "9", "enter"))


def test_mishaps(bench: Bench, seen: Seen) -> None:
    bench.to_shutter()
    seen(program(bench, simulated=StillHand()), opens("m", Pick))


def test_log(bench: Bench, seen: Seen) -> None:
    bench.shoots(KEEP, RESHOOT, keep=False)
    seen(program(bench), opens("l", Reading))


def test_pause(bench: Bench, seen: Seen) -> None:
    bench.to_shutter()

    async def steps(pilot: Pilot[str]) -> None:
        await opens("space", PauseScreen)(pilot)
        StoppedClock.passes(minutes=12)
        assert isinstance(pilot.app.screen, PauseScreen)
        pilot.app.screen._show()

    seen(program(bench), steps)


def test_statement(bench: Bench, seen: Seen) -> None:
    bench.shoots(RESHOOT, keep=False)
    with bench.session() as session:
        session.shoot_again()
    bench.shoots(KEEP, KEEP, LOOK, KEEP)
    seen(program(bench), opens("h", Reading))


def test_large_picture(bench: Bench, seen: Seen) -> None:
    bench.shoots(KEEP, keep=False)
    seen(program(bench), opens("p", LargePicture))


def test_command_palette(bench: Bench, seen: Seen) -> None:
    bench.to_shutter()

    async def steps(pilot: Pilot[str]) -> None:
        await opens("ctrl+p", CommandPalette)(pilot)
        await until(lambda: pilot.app.screen.query_one(OptionList).option_count > 10, pilot)

    seen(program(bench), steps)


def test_camera_gone(bench: Bench, seen: Seen, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.to_shutter()

    def lost(_seconds: float) -> tuple[()]:
        raise CameraLost(
            "The camera does not answer any more.",
            kept="What was filed is safe.",
            todo="Look at cable and battery.",
        )

    async def steps(pilot: Pilot[str]) -> None:
        await at_table(pilot)
        monkeypatch.setattr(bench.camera, "wait_for_files", lost)
        table = pilot.app.screen
        assert isinstance(table, Worktable)
        await until(lambda: table.view is not None and table.view.camera is None, pilot)

    seen(program(bench), steps)
