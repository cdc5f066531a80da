"""The screens with a strobe as the light: the bench says so, power is turned, U is not offered."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from tether_simulator.bench_config import BenchConfig
from tether_simulator.imaging.lamp import LampConfig
from tether_simulator.server import BenchProcess

from tests.quick import SENSOR
from tests.shared_bench import BenchRoom
from tests.tui.piloting import press, ready, screen_text, table, to_shutter, todo, until
from tether.archive.archive import Archive
from tether.bench.base_exposure import BaseCalibration
from tether.bench.benches import BenchBook, BenchSetup
from tether.bench.light_test import LightTest
from tether.camera.protocol import Role
from tether.errors import TetherError
from tether.film import FILM_FORMATS, FilmProcess
from tether.session.events import Event, StrobePowerTurned
from tether.session.next_step import NextKind
from tether.settings import LAMP, STROBE
from tether.tui.app import TetherApp
from tether.tui.app_context import AppContext
from tether.tui.screens.base_screen import BaseScreen, Stage
from tether.tui.screens.dialogs import Pick
from tether.tui.screens.light_screen import LightScreen
from tether.tui.widgets.bench_form import BenchForm, Tick


def _refuse(*_: object) -> None:
    raise TetherError("No picture came.", todo="Try again.")


SIZES = pytest.mark.parametrize("size", [(80, 24)])


@pytest.fixture
def bench(bench_room: BenchRoom) -> Iterator[BenchProcess]:
    running = bench_room.bench(
        BenchConfig(
            process=FilmProcess.BW_NEGATIVE, film_format=FILM_FORMATS["135"], frames=12,
            frames_per_strip=6, seed=7, sensor=SENSOR, lamp=LampConfig(strobe=True),
        )
    )  # fmt: skip
    yield running
    running.close()


@pytest.fixture
def archive(archive: Archive) -> Archive:
    BenchBook(archive.store).keep(BenchSetup("Table 1", light=STROBE))
    return archive


@SIZES
async def test_power_is_turned_and_a_frame_kept(
    given: AppContext, bench: BenchProcess, size: tuple[int, int]
) -> None:
    bench.turn_power(-2.0)
    app = TetherApp(given)
    async with app.run_test(size=size) as pilot:
        await to_shutter(pilot)
        await press(pilot, "f")
        await until(pilot, lambda: ready(pilot) and todo(pilot) is NextKind.DECIDE)
        # Two stops too dark: the verdict says what to turn, and there is no shutter to set.
        view = table(pilot).view
        assert view is not None
        assert view.place.capture is not None
        assert view.place.capture.verdict == "reshoot"
        assert "turn the strobe's power up" in screen_text(app)
        assert "[U]" not in screen_text(app)
        await press(pilot, "u")
        assert "U (advice) does nothing now" in screen_text(app)
        await pilot.press("4")
        await until(pilot, lambda: isinstance(app.screen, BaseScreen))
        screen = app.screen
        assert isinstance(screen, BaseScreen)
        await pilot.press("g")
        await until(pilot, lambda: screen.stage is Stage.POWER and not screen.line.working)
        assert "Turn the strobe's power up by" in screen_text(app)
        await pilot.press("enter")
        await until(pilot, lambda: screen.stage is Stage.DONE and not screen.line.working)
        assert "set and checked" in screen_text(app)
        await pilot.press("enter")
        await until(pilot, lambda: ready(pilot))
        await press(pilot, "a", "f")
        await until(pilot, lambda: ready(pilot) and todo(pilot) is NextKind.DECIDE)
        view = table(pilot).view
        assert view is not None
        assert view.place.capture is not None
        assert (view.place.capture.take, view.place.capture.verdict) == (2, "keep")
        assert app.port is not None
        state = await app.port.ask(lambda s: s.tethered.refresh())
        assert state is not None
        assert state.value(Role.SHUTTER) == "1/15"
    app.shut()


async def test_the_light_test_says_what_to_turn(given: AppContext) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: ready(pilot))
        await pilot.press("3")
        await until(pilot, lambda: isinstance(app.screen, LightScreen))
        screen = app.screen
        assert isinstance(screen, LightScreen)
        assert "how even the strobe is" in screen_text(app)
        assert "1 exposure" in screen_text(app)
        await pilot.press("enter")
        await until(pilot, lambda: screen.result is not None and not screen.line.working)
        assert "turn the strobe's power down" in screen_text(app)
        assert "Correct the light as shown below" in screen_text(app)
        assert not screen.query_one("#light-map-box").display
        assert "Leave the light as it is" not in screen_text(app)
        assert "The shutter was not changed" in screen_text(app)
        await pilot.press("r")  # the simulated hand turns it by as much
        await until(pilot, lambda: bool(screen.result and screen.result.kept))
        await until(pilot, lambda: "Put black card over the gate" in screen_text(app))
        assert screen.query_one("#light-map-box").display
        assert "Flicker: none (strobe)" in screen_text(app)
        await until(pilot, lambda: not screen.line.working)
        await pilot.press("enter")
        await until(pilot, lambda: screen.stray is not None and not screen.line.working)
        assert "Take the card off the gate" in screen_text(app)
        await pilot.press("enter")
        await until(pilot, lambda: ready(pilot))
    app.shut()


@pytest.mark.parametrize("kind", [BaseScreen, LightScreen])
async def test_power_is_turned_once_though_the_picture_after_it_fails(
    given: AppContext,
    bench: BenchProcess,
    kind: type[BaseScreen | LightScreen],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    turned: list[float] = []
    assert given.simulated is not None
    follow = given.simulated.listen

    def listen(event: Event) -> None:
        if isinstance(event, StrobePowerTurned):
            turned.append(event.stops)
        else:
            follow(event)

    monkeypatch.setattr(given.simulated, "listen", listen)
    key, begin, again, works, name = (
        ("4", "g", "enter", BaseCalibration, "shoot")
        if kind is BaseScreen
        else ("3", "enter", "r", LightTest, "run")
    )
    if kind is BaseScreen:
        bench.turn_power(-2.0)
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await to_shutter(pilot)
        await pilot.press(key)
        await until(pilot, lambda: isinstance(app.screen, kind))
        screen = app.screen
        assert isinstance(screen, BaseScreen | LightScreen)
        await pilot.press(begin)
        await until(pilot, lambda: "power" in screen_text(app) and not screen.line.working)
        with monkeypatch.context() as broken:
            broken.setattr(works, name, _refuse)
            await pilot.press(again)
            await until(pilot, lambda: "No picture came" in screen_text(app))
        assert len(turned) == 1
        await pilot.press(again)
        await until(pilot, lambda: "No picture came" not in screen_text(app))
        await until(pilot, lambda: not screen.line.working)
        assert len(turned) == 1, "it stands as it was asked for"
    app.shut()


async def test_the_form_says_that_the_light_is_a_strobe(
    given: AppContext, archive: Archive
) -> None:
    app, book = TetherApp(given), BenchBook(archive.store)
    async with app.run_test(size=(80, 24)) as pilot:
        for ticked, light in ((True, LAMP), (False, STROBE)):
            await until(pilot, lambda: ready(pilot))
            await pilot.press("w")
            await until(pilot, lambda: "which bench" in screen_text(app))
            await pilot.press("w")
            await until(pilot, lambda: isinstance(app.screen, Pick))
            await pilot.press("down", "enter")
            await until(pilot, lambda: isinstance(app.screen, BenchForm))
            tick = app.screen.query_one("#strobe", Tick)
            assert tick.value is ticked
            tick.toggle()
            await pilot.press("ctrl+s")
            await until(pilot, lambda kind=light: book.benches()[0].light == kind)  # type: ignore[misc]
            assert app.port is not None
            assert (await app.port.set_up_state()).light == light
            await until(pilot, lambda: not isinstance(app.screen, BenchForm))
            await pilot.press("escape")
    app.shut()
