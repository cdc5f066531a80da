"""The screens that ready the bench, fed with values, and those before the worktable."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from textual.pilot import Pilot
from textual.widgets import OptionList

from tests.snapshots.conftest import (
    Seen,
    Steps,
    at_rest,
    at_table,
    opens,
    program,
    until,
)
from tests.snapshots.still import Bench, StillCamera, StoppedClock, negative
from tether.archive.records import NewRoll
from tether.bench.base_exposure import BaseResult
from tether.bench.light_test import LightResult, StrayResult
from tether.bench.live_focus import LiveFrame
from tether.bench.steps import BENCH
from tether.camera.connection import WHAT_TO_CHECK
from tether.camera.errors import NoCamera, SeveralCameras
from tether.camera.protocol import CameraIdentity, CardFile, Role
from tether.capture.bench_shots import BenchShot
from tether.capture.leftovers import Kind, Leftover
from tether.film import FilmProcess
from tether.findings import Finding
from tether.measure.exposure.calibration import ClearFilm
from tether.measure.exposure.calibration import Seen as Saw
from tether.measure.light.open_gate import Light
from tether.tui.app import Opening, TetherApp
from tether.tui.app_context import AppContext, ScreenContext
from tether.tui.screens import base_screen, light_screen
from tether.tui.screens.base_screen import BaseScreen
from tether.tui.screens.bench_screen import BenchScreen
from tether.tui.screens.check_screen import CheckScreen
from tether.tui.screens.dialogs import Pick
from tether.tui.screens.focus_screen import FocusScreen
from tether.tui.screens.leftovers_screen import FoundScreen
from tether.tui.screens.light_screen import LightScreen
from tether.tui.screens.roll_screens import ChooseRoll, DescribeRoll
from tether.tui.screens.setup_screen import SetUpScreen
from tether.tui.widgets.bench_form import BenchForm

S = TypeVar("S")


def of_kind(pilot: Pilot[str], kind: type[S]) -> S:
    """The screen that is open."""
    screen = pilot.app.screen
    assert isinstance(screen, kind)
    return screen


def waits_for(kind: type[object], *keys: str) -> Steps:
    """Return the steps to a screen that comes by itself, and what is pressed on it."""

    async def steps(pilot: Pilot[str]) -> None:
        await until(lambda: isinstance(pilot.app.screen, kind), pilot)
        await at_rest(pilot)
        await pilot.press(*keys)

    return steps


# --- before the worktable --------------------------------------------------------------------


def test_opening_without_a_camera(bench: Bench, seen: Seen) -> None:
    def none(_port: str | None) -> StillCamera:
        raise NoCamera("No camera was found.", kept="Nothing was changed.", todo=WHAT_TO_CHECK)

    async def steps(pilot: Pilot[str]) -> None:
        opening = of_kind(pilot, Opening)
        await until(lambda: "R tries again" in str(opening.query_one("#opening").render()), pilot)

    seen(TetherApp(AppContext(bench.archive, none, bench.judge, roll=bench.roll.name)), steps)


def test_several_cameras(bench: Bench, seen: Seen) -> None:
    def several(_port: str | None) -> StillCamera:
        error = SeveralCameras("Two cameras.")
        error.candidates = (bench.camera.identity, CameraIdentity("Other Camera", "usb:001,007"))
        raise error

    app = TetherApp(AppContext(bench.archive, several, bench.judge, roll=bench.roll.name))
    seen(app, waits_for(Pick))


def test_choose_roll(bench: Bench, seen: Seen) -> None:
    bench.shoots()
    for name, process in (
        ("Quay 3", FilmProcess.COLOUR_NEGATIVE),
        ("Older", FilmProcess.TRANSPARENCY),
    ):
        bench.archive.store.rolls.add(NewRoll(name, process))
    app = TetherApp(AppContext(bench.archive, lambda _: bench.camera, bench.judge))
    seen(app, waits_for(ChooseRoll))


def test_new_roll_with_a_complaint(bench: Bench, seen: Seen) -> None:
    app = TetherApp(AppContext(bench.archive, lambda _: bench.camera, bench.judge, roll="a/b"))
    seen(app, waits_for(DescribeRoll, "ctrl+s"))


# --- the set-up walk -------------------------------------------------------------------------


def at_step(key: str, *keys: str) -> Steps:
    """Return the steps to a step of the walk."""

    async def steps(pilot: Pilot[str]) -> None:
        await at_table(pilot)
        await pilot.press("w")
        await until(lambda: isinstance(pilot.app.screen, SetUpScreen), pilot)
        walk = of_kind(pilot, SetUpScreen)
        await until(lambda: walk.known is not None, pilot)
        walk.query_one("#walk-steps", OptionList).highlighted = [s.key for s in walk.steps].index(
            key
        )
        await at_rest(pilot)
        await pilot.press(*keys)
        await at_rest(pilot)

    return steps


def test_walk_asks_for_the_bench(bench: Bench, seen: Seen) -> None:
    # The next day, with another camera than the one that it was used with.
    StoppedClock.passes(hours=20)
    seen(program(bench), at_step(BENCH))


def test_walk_at_a_step_with_a_caution(bench: Bench, seen: Seen) -> None:
    StoppedClock.passes(hours=20)
    seen(program(bench), at_step("lens-clean"))


def test_walk_form(bench: Bench, seen: Seen) -> None:
    StoppedClock.passes(hours=20)

    async def steps(pilot: Pilot[str]) -> None:
        await at_step(BENCH, "enter")(pilot)
        await waits_for(Pick, "down", "enter")(pilot)
        await waits_for(BenchForm)(pilot)

    seen(program(bench), steps)


def test_walk_form_of_a_first_bench(bench: Bench, seen: Seen) -> None:
    bench.archive.store.set_fact("benches", None)
    StoppedClock.passes(hours=20)
    bench.to_step(BENCH)

    async def steps(pilot: Pilot[str]) -> None:
        await waits_for(SetUpScreen, "enter")(pilot)
        await waits_for(BenchForm, "ctrl+s")(pilot)

    seen(program(bench), steps)


# --- stations --------------------------------------------------------------------------------


def fed(key: str, kind: type[BenchScreen], feed: object) -> Steps:
    """Return the steps to a screen that is then fed with values."""

    async def steps(pilot: Pilot[str]) -> None:
        await opens(key, kind)(pilot)
        feed(pilot.app.screen)  # type: ignore[operator]

    return steps


def test_camera_check(bench: Bench, seen: Seen) -> None:
    bench.camera.set(Role.ISO, "800")
    bench.camera.set(Role.WHITE_BALANCE, "Automatic")

    async def steps(pilot: Pilot[str]) -> None:
        await opens("1", CheckScreen)(pilot)
        await until(lambda: of_kind(pilot, CheckScreen).checked is not None, pilot)

    seen(program(bench), steps)


def test_camera_check_after_it_was_set(bench: Bench, seen: Seen) -> None:
    bench.camera.set(Role.ISO, "800")

    async def steps(pilot: Pilot[str]) -> None:
        await opens("1", CheckScreen)(pilot)
        screen = of_kind(pilot, CheckScreen)
        await until(lambda: screen.checked is not None and not screen.line.working, pilot)
        await pilot.press("c")
        await until(
            lambda: screen.checked is not None and screen.checked.found and not screen.line.working,
            pilot,
        )

    seen(program(bench), steps)


_SHARP = {
    "middle": 0.9, "upper left": 0.8, "upper right": 0.7, "lower left": 0.8, "lower right": 0.75,
}  # fmt: skip


def test_focus(bench: Bench, seen: Seen) -> None:
    positive = (255 * (1 - negative())).astype(np.uint8)
    softer = {place: value * 0.85 for place, value in _SHARP.items()} | {"upper left": 0.3}

    def feed(screen: FocusScreen) -> None:
        # Up to the peak, past it, and on the way back; one corner has not been past its own.
        blurred = {place: value * 0.1 for place, value in _SHARP.items()}
        rising = blurred | {"upper left": _SHARP["upper left"]}
        for sharpness in (blurred, _SHARP, rising, softer):
            screen._show(LiveFrame(positive, sharpness))

    bench.to_shutter()
    seen(program(bench), fed("2", FocusScreen, feed))


def test_light_before(bench: Bench, seen: Seen) -> None:
    seen(program(bench), opens("3", LightScreen))


def _light() -> Light:
    across, down = np.meshgrid(np.linspace(-1, 1, 24), np.linspace(-1, 1, 16))
    grid = (1 - 0.12 * across**2 - 0.1 * down**2 + 0.02 * across).astype(np.float32)
    grid[:, 0] = np.nan
    neutral = {"R/G": 0.581, "B/G": 0.672}
    return Light(-1.0, 0.33, 20.4, "lower left", "middle", grid, 0.0, 0.0, neutral, False)


_UNEVEN = Finding.of(
    "light-uneven", 20.4, percent=20.4, stops=0.33, darkest="lower left", brightest="middle"
)
_TRIAL = BenchShot(
    "open-gate_20261103T140500Z_1.dng", "0" * 64, "2026-11-03T14:05:00+00:00", 0, "1/30"
)


def _measured(screen: LightScreen) -> None:
    screen.result = LightResult(_light(), (_UNEVEN,), _TRIAL, 2, kept=True)


def test_light_with_the_open_gate_measured(bench: Bench, seen: Seen) -> None:
    def feed(screen: LightScreen) -> None:
        _measured(screen)
        screen.stage = light_screen.Stage.DARK
        assert screen.result is not None
        screen.line.say(f"{light_screen._kept(screen.result)} The shutter is as it was.")
        screen._refresh()

    bench.to_shutter()
    seen(program(bench), fed("3", LightScreen, feed))


def test_light_at_its_end(bench: Bench, seen: Seen) -> None:
    def feed(screen: LightScreen) -> None:
        _measured(screen)
        screen.stage, screen.stray = light_screen.Stage.BACK, StrayResult(0.0004, (), _TRIAL)
        screen._refresh()

    bench.to_shutter()
    seen(program(bench), fed("3", LightScreen, feed))


def test_base_before(bench: Bench, seen: Seen) -> None:
    seen(program(bench), opens("4", BaseScreen))


def _shot(number: int, shutter: str, ev: float) -> BaseResult:
    seen_film = ClearFilm(Saw.BLANK, {"R": 0.1, "G1": 2**ev, "B": 0.2, "G2": 2**ev}, ev)
    off = -0.5 - ev
    wanted = "1/15" if abs(off) > 1 / 3 else None
    trial = BenchShot(f"clear-film_{number}.dng", "0" * 64, "2026-11-03T14:05:00+00:00", 0, shutter)
    return BaseResult(seen_film, trial, number, off, wanted is None, wanted, True, 0.1)


def test_base_to_set(bench: Bench, seen: Seen) -> None:
    def feed(screen: BaseScreen) -> None:
        screen.results, screen.stage = [_shot(1, "1/60", -2.5)], base_screen.Stage.SET
        screen._refresh()

    seen(program(bench), fed("4", BaseScreen, feed))


def test_base_found(bench: Bench, seen: Seen) -> None:
    def feed(screen: BaseScreen) -> None:
        screen.results = [_shot(1, "1/60", -2.5), _shot(2, "1/15", -0.45)]
        screen.stage = base_screen.Stage.DONE
        screen._refresh()

    seen(program(bench), fed("4", BaseScreen, feed))


# --- left over -------------------------------------------------------------------------------


def test_left_over(bench: Bench, seen: Seen) -> None:
    at = 1_793_714_000
    card = [
        Leftover(
            Kind.CARD,
            f"/store/DCIM/BNCH{n:04}.DNG",
            91_000_000,
            at + 40 * n,
            (CardFile("/store/DCIM", f"BNCH{n:04}.DNG", 91_000_000, at + 40 * n),),
        )
        for n in (7, 8)
    ]
    items = [
        *card,
        Leftover(Kind.HALF, "incoming/half.part", 41_000_000, at),
        Leftover(Kind.STRANGER, "notes of the attic with a rather long name.txt", 812, at),
    ]

    async def steps(pilot: Pilot[str]) -> None:
        await at_table(pilot)
        app = pilot.app
        assert isinstance(app, TetherApp)
        port = app.port
        assert port is not None
        context = ScreenContext(app.settings, app.context.terminal, app.keys)
        await app.push_screen(FoundScreen(context, port, await port.view(), items))

    seen(program(bench), steps)
