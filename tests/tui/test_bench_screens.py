"""The screens that ready the bench, by keys, against the simulated camera."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console
from tether_simulator.camera.dials import fraction
from tether_simulator.faults import Refuse
from tether_simulator.ptp import Operation, Property, Response
from tether_simulator.server import BenchProcess
from textual.pilot import Pilot
from textual.widgets import Label, Static

from tests.tui.piloting import press, ready, screen_text, table, to_shutter, todo, until
from tether.archive.archive import Archive
from tether.archive.records import NewRoll
from tether.bench.camera_check import CheckStatus
from tether.bench.shutter_loan import LentShutter
from tether.camera.protocol import Role
from tether.facts import Facts
from tether.film import FilmProcess
from tether.findings import Verdict
from tether.measure.light.open_gate import Light
from tether.session.next_step import NextKind
from tether.tui.app import TetherApp
from tether.tui.app_context import AppContext
from tether.tui.screens.base_screen import BaseScreen, scale
from tether.tui.screens.base_screen import Stage as BaseStage
from tether.tui.screens.check_screen import CheckScreen
from tether.tui.screens.dialogs import Pick
from tether.tui.screens.focus_screen import FocusScreen, gauge_bar
from tether.tui.screens.light_screen import LightScreen, Stage, map_text
from tether.tui.screens.worktable import Worktable
from tether.tui.widgets.key_line import KeyLine

SIZES = pytest.mark.parametrize("size", [(80, 24)])


async def open_station(pilot: Pilot[str], key: str, screen: type) -> None:
    await until(pilot, lambda: ready(pilot))
    await pilot.press(key)
    await until(pilot, lambda: isinstance(pilot.app.screen, screen))


async def back(pilot: Pilot[str]) -> None:
    await pilot.press("escape")
    await until(pilot, lambda: ready(pilot))


def check_screen(pilot: Pilot[str]) -> CheckScreen:
    screen = pilot.app.screen
    assert isinstance(screen, CheckScreen)
    return screen


def to_change(pilot: Pilot[str]) -> int:
    checked = check_screen(pilot).checked
    assert checked is not None
    return sum(x.status is CheckStatus.CHANGE for x in checked.lines)


async def idle_check(pilot: Pilot[str]) -> None:
    screen = check_screen(pilot)
    await until(pilot, lambda: screen.checked is not None and not screen.line.working)


@SIZES
async def test_the_camera_is_checked_set_and_put_back(
    given: AppContext, bench: BenchProcess, size: tuple[int, int]
) -> None:
    bench.turn(Property.EXPOSURE_INDEX, 800)
    bench.turn(Property.WHITE_BALANCE, 2)
    app = TetherApp(given)
    async with app.run_test(size=size) as pilot:
        await open_station(pilot, "1", CheckScreen)
        await idle_check(pilot)
        assert to_change(pilot) == 2
        await pilot.press("c")
        await until(pilot, lambda: to_change(pilot) == 0)
        await until(pilot, lambda: "ISO: 800 → 100" in screen_text(app))
        await pilot.press("z")
        await until(pilot, lambda: to_change(pilot) == 2)
        await pilot.press("enter")
        await until(pilot, lambda: "Esc goes back anyway" in screen_text(app))
        assert to_change(pilot) == 2, "Enter sets nothing"
        await back(pilot)
        screen = app.screen
        assert isinstance(screen, Worktable)
        assert screen.view is not None
        assert screen.view.camera is not None
        assert screen.view.camera.value(Role.ISO) == "800"
    app.shut()


async def test_a_dial_that_is_turned_by_hand_shows_by_itself(
    given: AppContext, bench: BenchProcess
) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await open_station(pilot, "1", CheckScreen)
        await idle_check(pilot)
        assert to_change(pilot) == 0
        bench.turn(Property.EXPOSURE_PROGRAM_MODE, 2)
        await until(pilot, lambda: to_change(pilot) == 1)
        bench.turn(Property.EXPOSURE_PROGRAM_MODE, 1)
        await until(pilot, lambda: to_change(pilot) == 0)
        await pilot.press("enter")
        await until(pilot, lambda: ready(pilot))
    app.shut()


async def test_a_camera_that_is_gone_is_said_in_the_check(given: AppContext) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: ready(pilot))
        assert app.camera is not None
        await app.thread.run(app.camera.close)
        await pilot.press("1")
        await until(pilot, lambda: isinstance(app.screen, CheckScreen))
        await until(pilot, lambda: "then connect with C" in screen_text(app))
        await back(pilot)
    app.shut()


async def test_the_palette_offers_the_check(given: AppContext) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: ready(pilot))
        await pilot.press("ctrl+p")
        await pilot.pause()
        await pilot.press(*"camera")
        for _ in range(100):
            await pilot.press("enter")
            await pilot.pause(0.02)
            if isinstance(app.screen, CheckScreen):
                break
        assert isinstance(app.screen, CheckScreen)
        await idle_check(pilot)
        await back(pilot)
    app.shut()


def focus_screen(pilot: Pilot[str]) -> FocusScreen:
    screen = pilot.app.screen
    assert isinstance(screen, FocusScreen)
    return screen


def shares(screen: FocusScreen) -> dict[str, float]:
    return {gauge.place: gauge.share for gauge in screen.gauges}


@SIZES
async def test_focus_falls_and_rises_on_the_live_picture(
    given: AppContext, bench: BenchProcess, size: tuple[int, int]
) -> None:
    app = TetherApp(given)
    async with app.run_test(size=size) as pilot:
        await to_shutter(pilot)
        await open_station(pilot, "2", FocusScreen)
        screen = focus_screen(pilot)
        await until(pilot, lambda: screen.pictures >= 3)
        assert set(shares(screen)) == {
            "middle", "upper left", "upper right", "lower left", "lower right",
        }  # fmt: skip
        assert "ms per live picture" in screen_text(app)
        bench.mishap("out-of-focus")
        await until(pilot, lambda: shares(screen)["middle"] < 0.8)
        bench.put_right("out-of-focus")
        await until(pilot, lambda: shares(screen)["middle"] > 0.9)
        assert "no peak yet" in screen_text(app), (
            "the best may be the first picture, blurred or not"
        )
        assert "No peak seen yet" in screen_text(app)
        # Past the peak and back, by the rehearsal's ring.
        for _ in range(4):
            await pilot.press("]")
        await until(pilot, lambda: screen.gauges[0].passed)
        for _ in range(4):
            await pilot.press("[")
        await until(pilot, lambda: shares(screen)["middle"] > 0.9)
        assert "No peak seen yet" not in screen_text(app)
        await pilot.press("r")
        await until(pilot, lambda: not screen.gauges[0].passed)
        await back(pilot)
        shown = screen.pictures
        # The camera is free again: a picture is fired, and no live picture comes any more.
        await press(pilot, "f")
        await until(pilot, lambda: ready(pilot) and todo(pilot) is NextKind.DECIDE)
        assert screen.pictures == shown
    app.shut()


async def test_keys_are_answered_while_live_view_runs_and_the_bench_can_be_magnified(
    given: AppContext,
) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await to_shutter(pilot)
        await open_station(pilot, "2", FocusScreen)
        screen = focus_screen(pilot)
        await until(pilot, lambda: screen.pictures >= 1)
        whole = screen.pictures
        await pilot.press("m")
        await until(pilot, lambda: screen.pictures >= whole + 4)
        assert max(shares(screen).values()) > 0.5, "magnified, it is not compared with the whole"
        await back(pilot)
    app.shut()


async def test_a_camera_without_live_view_says_so_and_what_to_do(
    given: AppContext, bench: BenchProcess
) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: ready(pilot))
        bench.install(
            Refuse(
                code=Operation.START_LIVE_VIEW,
                response=Response.OPERATION_NOT_SUPPORTED,
                times=1000,
            )
        )
        await open_station(pilot, "2", FocusScreen)
        await until(pilot, lambda: "No live view here" in screen_text(app))
        assert "takes no test shots" in screen_text(app)
        assert not focus_screen(pilot).live
        bench.clear()
        await pilot.press("r")
        await until(pilot, lambda: focus_screen(pilot).pictures >= 1)
        await back(pilot)
    app.shut()


@pytest.mark.parametrize("share", [0.0, 0.31, 1.0, 1.7])
@pytest.mark.parametrize("width", [12, 29])
def test_a_gauge_is_as_wide_as_asked_and_shows_its_best(share: float, width: int) -> None:
    bar = gauge_bar(share, width)
    assert len(bar) == width
    assert bar.count("┃") == 1
    assert bar.index("┃") >= bar.count("█")


def light_screen(pilot: Pilot[str]) -> LightScreen:
    screen = pilot.app.screen
    assert isinstance(screen, LightScreen)
    return screen


def codes(screen: LightScreen) -> set[str]:
    return {f.code for f in screen.result.findings} if screen.result else set()


@SIZES
async def test_the_light_is_tested_with_the_film_out_and_back(
    given: AppContext, archive: Archive, bench: BenchProcess, size: tuple[int, int]
) -> None:
    app = TetherApp(given)
    async with app.run_test(size=size) as pilot:
        await to_shutter(pilot)
        assert bench.frame() == 1
        await open_station(pilot, "3", LightScreen)
        screen = light_screen(pilot)
        assert "Take the film out" in screen_text(app)
        assert "Do not stare into the lamp" in screen_text(app)
        await pilot.press("enter")
        await until(pilot, lambda: screen.result is not None and not screen.line.working)
        assert bench.frame() is None
        assert codes(screen) == set()
        assert "even and steady" in screen_text_of(screen, "#light-text")
        bench.mishap("lamp-uneven")
        await pilot.press("r")
        # A doubtful open gate does not take the place of a good one without a word.
        await until(pilot, lambda: isinstance(app.screen, Pick))
        assert "light-uneven" in codes(screen)
        assert "The light is uneven" in screen_text(app)
        await pilot.press("escape")
        await until(pilot, lambda: "flat field, although uneven" in screen_text(app))
        assert "Centre the lamp, then R" in screen_text(app)
        await pilot.press("r")
        await until(pilot, lambda: isinstance(app.screen, Pick))
        await pilot.press("down", "enter")
        await until(pilot, lambda: "stays in force" in screen_text(app))
        assert screen.result is not None
        assert not screen.result.kept
        # The film is out: leaving is warned of, and Enter puts it back.
        await pilot.press("escape")
        await until(pilot, lambda: "still out" in screen_text(app))
        assert screen.stage is Stage.DARK
        await pilot.press("x")
        await until(
            pilot, lambda: "Check that the lamp is on, and put the film" in screen_text(app)
        )
        await pilot.press("enter")
        await until(pilot, lambda: ready(pilot))
        assert bench.frame() == 1
        assert app.port is not None
        state = await app.port.ask(lambda s: s.tethered.refresh())
        assert state is not None
        assert state.value(Role.SHUTTER) == "1/15"
        await press(pilot, "f")
        await until(pilot, lambda: ready(pilot) and todo(pilot) is NextKind.DECIDE)
    app.shut()
    roll = archive.store.rolls.named(str(given.roll))
    assert len(list(archive.folder(roll).glob("*.dng"))) == 1
    assert len(list((archive.folder(roll) / "bench").glob("open-gate_*.dng"))) >= 2


def screen_text_of(screen: LightScreen, selector: str) -> str:
    console = Console(width=100, file=io.StringIO())
    with console.capture() as capture:
        console.print(screen.query_one(selector, Static).content)
    return capture.get()


async def test_a_light_test_that_fails_says_so_and_the_film_can_go_back(
    given: AppContext, bench: BenchProcess
) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await to_shutter(pilot)
        bench.turn(Property.COMPRESSION_SETTING, 2)
        await open_station(pilot, "3", LightScreen)
        screen = light_screen(pilot)
        bench.set_battery(5.0)
        await pilot.press("enter")
        await until(pilot, lambda: "✗" in screen_text(app) and not screen.line.working)
        assert screen.result is None
        await pilot.press("enter")
        await until(pilot, lambda: ready(pilot))
        assert bench.frame() == 1
    app.shut()


async def test_stray_light_is_looked_for_with_the_lamp_off(
    given: AppContext, bench: BenchProcess
) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        bench.mishap("room-light")
        await open_station(pilot, "3", LightScreen)
        screen = light_screen(pilot)
        await until(pilot, lambda: "Leave the gate empty." in screen_text(app))
        assert "Take the film out" not in screen_text(app)
        await pilot.press("enter")
        await until(pilot, lambda: screen.stage is Stage.DARK and not screen.line.working)
        assert "black card" in screen_text(app)
        assert "A hot lamp stays hot" in screen_text(app)
        await pilot.press("enter")
        await until(pilot, lambda: screen.stray is not None and not screen.line.working)
        assert "Switch off the room light" in screen_text_of(screen, "#light-text")
        bench.put_right("room-light")
        await pilot.press("r")  # the open gate too: the room's light was in it
        await until(pilot, lambda: screen.stage is Stage.DARK and not screen.line.working)
        await pilot.press("enter")
        await until(pilot, lambda: screen.stray is not None and not screen.stray.findings)
        assert "Stray light: negligible" in screen_text_of(screen, "#light-text")
        await until(pilot, lambda: not screen.line.working)
        await pilot.press("escape")
        # No film has been in yet: none is asked for, and none is missed.
        assert "Switch the lamp on again, and leave the gate empty" in screen_text(app)
        await until(pilot, lambda: "the lamp may be off" in screen_text(app))
        assert "still out" not in screen_text(app)
        await pilot.press("enter")
        await until(pilot, lambda: ready(pilot))
        assert app.port is not None
        assert (await app.port.ask(lambda s: s.bench.light.kept)).gate is not None
        assert bench.lamp_on()
    app.shut()


def base_screen(pilot: Pilot[str]) -> BaseScreen:
    screen = pilot.app.screen
    assert isinstance(screen, BaseScreen)
    return screen


async def test_the_base_is_calibrated_on_blank_film(given: AppContext, bench: BenchProcess) -> None:
    bench.turn(Property.EXPOSURE_TIME_FRACTION, fraction("1/60"))
    app = TetherApp(given)
    async with app.run_test(size=(120, 40)) as pilot:
        await open_station(pilot, "4", BaseScreen)
        screen = base_screen(pilot)
        assert "Put clear film of this roll into the gate" in screen_text(app)
        await pilot.press("enter")
        await until(pilot, lambda: screen.stage is BaseStage.SET and not screen.line.working)
        assert app.port is not None
        wanted = screen.results[0].wanted
        assert wanted in ("1/15", "1/20")
        assert f"Set the shutter to {wanted}?" in screen_text(app)
        assert "below the target" in screen_text(app)
        await pilot.press("enter")
        await until(pilot, lambda: screen.stage is BaseStage.DONE and not screen.line.working)
        assert [r.reached for r in screen.results] == [False, True]
        assert "set and checked" in screen_text(app)
        await pilot.press("enter")
        await until(pilot, lambda: ready(pilot))
        assert (await app.port.ask(lambda s: s.bench.light.kept)).base is not None
        state = await app.port.ask(lambda s: s.tethered.refresh())
        assert state is not None
        assert state.value(Role.SHUTTER) == wanted
    app.shut()


async def test_of_transparencies_the_base_screen_speaks_of_the_lightest_picture(
    given: AppContext, archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive.store.rolls.add(NewRoll("Slides", FilmProcess.TRANSPARENCY, "135", 6, 6))
    app = TetherApp(replace(given, roll="Slides"))
    async with app.run_test(size=(80, 24)) as pilot:
        await open_station(pilot, "4", BaseScreen)
        screen = base_screen(pilot)
        said: list[str] = []

        async def attempt(_call: object, doing: str = "") -> None:
            said.append(doing)

        monkeypatch.setattr(screen.line, "attempt", attempt)
        assert "f frame" not in str(screen.query_one(KeyLine).render())
        assert "[G]" not in screen_text(app)
        await pilot.press("g", "enter")
        await until(pilot, lambda: bool(said))
        assert said == ["Photographing the brightest picture …"], "F is no key here, Enter is"
        await back(pilot)
    app.shut()


async def test_a_setting_that_is_declined_stays_and_another_film_can_be_tried(
    given: AppContext, bench: BenchProcess
) -> None:
    bench.turn(Property.EXPOSURE_TIME_FRACTION, fraction("1/250"))
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        bench.go_to(1)
        await open_station(pilot, "4", BaseScreen)
        screen = base_screen(pilot)
        bench.lamp(False)
        await pilot.press("g")
        await until(pilot, lambda: bool(screen.results) and not screen.line.working)
        assert "It is dark" in screen_text(app)
        assert "Try another place" in screen_text(app)
        bench.lamp(True)
        await pilot.press("g")
        await until(pilot, lambda: screen.stage is BaseStage.SET and not screen.line.working)
        await pilot.press("r")
        await until(pilot, lambda: screen.stage is BaseStage.FILM and not screen.results)
        await back(pilot)
        assert app.port is not None
        state = await app.port.ask(lambda s: s.tethered.refresh())
        assert state is not None
        assert state.value(Role.SHUTTER) == "1/250"
    app.shut()


def test_the_scale_shows_level_and_target() -> None:
    line = scale(-2.0, -0.5, 1 / 3)
    assert line.index("█") < line.index("[") < line.index("]")
    assert scale(0.0, -0.5, 1 / 3).endswith("█")
    assert scale(-40.0, -0.5, 1 / 3).startswith("█")


@pytest.mark.parametrize(
    ("size", "down", "ends_at"), [((80, 24), 0, "1/15"), ((120, 40), 1, "1/125")]
)
async def test_a_shutter_that_an_interrupted_test_left_elsewhere_is_asked_about(
    given: AppContext, bench: BenchProcess, size: tuple[int, int], down: int, ends_at: str
) -> None:
    first = TetherApp(given)
    async with first.run_test(size=size) as pilot:
        await until(pilot, lambda: ready(pilot))
        assert first.port is not None
        # As a light test does that is killed before it can put the shutter back.
        await first.port.ask(
            lambda s: LentShutter(s.open_roll, s.tethered, "light test").set("1/125")
        )
    first.shut()
    app = TetherApp(given)
    async with app.run_test(size=size) as pilot:
        await until(pilot, lambda: isinstance(app.screen, Pick))
        shown = "\n".join(str(w.render()) for w in app.screen.query(Label))
        assert "left the shutter at 1/125 (1/15 before)" in shown
        await pilot.press(*["down"] * down, "enter")
        await until(pilot, lambda: ready(pilot))
        assert app.port is not None
        state = await app.port.ask(lambda s: s.tethered.refresh())
        assert state is not None
        assert state.value(Role.SHUTTER) == ends_at
    app.shut()


async def test_a_lamp_that_fades_is_said_beside_the_shutter_with_its_key(
    given: AppContext, archive: Archive
) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await to_shutter(pilot)
        text = "The light has fallen by 0.2 stops since frame 3."
        finding = {"code": "light-drift", "severity": "note", "text": text, "action": ""}
        await press(pilot, "f")
        await until(pilot, lambda: ready(pilot) and todo(pilot) is NextKind.DECIDE)
        view = table(pilot).view
        assert view is not None
        assert view.place.capture is not None
        capture = view.place.capture
        facts = Facts.read({**capture.facts.stored, "findings": [finding]})
        archive.store.frames.set_judgement(capture.id, Verdict.KEEP, facts, b"")
        await press(pilot, "k")
        await to_shutter(pilot)
        said = "! The light has fallen by 0.2 stops since frame 3: check the lamp (key 3)."
        assert said in screen_text(app)
    app.shut()


def test_the_map_reads_without_colour_and_leaves_the_mask_out() -> None:
    grid = np.full((16, 24), 0.93, np.float32)
    grid[6:10, 8:16] = 1.0
    grid[:, :2] = np.nan
    light = Light(-1, 0.1, 7, "left", "middle", grid, 0, 0, {}, False)
    lines = map_text(light).plain.splitlines()
    assert len(lines) == 8
    assert all(line.split()[0] == "-" for line in lines)
    assert "100█" in lines[4]
    assert "93▓" in lines[0]
