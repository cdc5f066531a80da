"""What is left over: offered at the start and when a camera connects, each with a choice."""

from __future__ import annotations

import pytest
from tether_simulator.server import BenchProcess
from textual.pilot import Pilot
from textual.widgets import OptionList

from tests.quick import QUICK
from tests.tui.piloting import press, ready, screen_text, table, todo, until
from tether.archive.archive import Archive
from tether.archive.records import Roll
from tether.camera.process import connect
from tether.capture.leftovers import Kind, Leftover
from tether.session.next_step import NextKind
from tether.session.session import View
from tether.tui.app import TetherApp
from tether.tui.app_context import AppContext, ScreenContext
from tether.tui.screens.dialogs import AskText, Pick
from tether.tui.screens.leftovers_screen import FoundScreen
from tether.tui.session_port import SessionPort


def made_while_nobody_looked(bench: BenchProcess, frames: list[int]) -> None:
    """Pictures by the camera's own button, with no program at the other end."""
    camera = connect(bench.port_name, QUICK.camera)
    for frame in frames:
        bench.go_to(frame)
        bench.press_button()
        while not camera.wait_for_files(1.0):
            pass
    camera.close()


async def opened(pilot: Pilot[str]) -> FoundScreen:
    await until(pilot, lambda: isinstance(pilot.app.screen, FoundScreen))
    screen = pilot.app.screen
    assert isinstance(screen, FoundScreen)
    await until(pilot, lambda: bool(listed(screen)) and not screen.line.working)
    return screen


async def seen_once(given: AppContext) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: ready(pilot))
        await press(pilot, "i")
        assert "Every picture and file belongs to a frame" in screen_text(app)
        await pilot.press("q")
    app.shut()


def listed(screen: FoundScreen) -> list[str]:
    lists = screen.query(OptionList)
    return [str(option.prompt) for each in lists for option in each.options]


@pytest.mark.parametrize("size", [(80, 24)])
async def test_pictures_of_no_frame_are_offered_at_the_start(
    given: AppContext, bench: BenchProcess, size: tuple[int, int]
) -> None:
    await seen_once(given)
    made_while_nobody_looked(bench, [2, 3])
    app = TetherApp(given)
    async with app.run_test(size=size) as pilot:
        screen = await opened(pilot)
        assert "2 pictures on the camera's card" in screen_text(app)
        assert ["BNCH0001.DNG" in listed(screen)[0], "BNCH0002.DNG" in listed(screen)[1]]
        # The first one is of frame 2: said by its number.
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, Pick))
        await pilot.press("down", "enter")
        await until(pilot, lambda: isinstance(app.screen, AskText))
        await pilot.press("9", "enter", "backspace", "2", "enter")
        screen = await opened(pilot)
        await until(pilot, lambda: len(listed(screen)) == 1)
        assert "Harbour_f002_t1.dng" in screen_text(app)
        # The other one later: it stays, and R shows it again.
        await pilot.press("escape")
        await until(pilot, lambda: ready(pilot))
        assert todo(pilot) is NextKind.STEP
        assert app.port is not None
        assert [len(f.captures) for f in (await app.port.view()).frames] == [0, 1, 0, 0, 0, 0]
        await pilot.press("i")
        await opened(pilot)
        await pilot.press("f")
        await until(pilot, lambda: isinstance(app.screen, Pick))
        await pilot.press("enter")
        await until(pilot, lambda: ready(pilot))
        assert [len(f.captures) for f in (await app.port.view()).frames] == [1, 1, 0, 0, 0, 0]
        assert "Frame 1: Harbour_f001_t1.dng" in screen_text(app)
    app.shut()


async def test_what_is_left_is_remembered(
    given: AppContext, bench: BenchProcess, archive: Archive, roll: Roll
) -> None:
    await seen_once(given)
    made_while_nobody_looked(bench, [1])
    half = archive.incoming(roll) / "half.part"
    half.write_bytes(b"II*\0")
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        assert "1 picture on the camera's card and 1 file in the roll's folder" in screen_text(app)
        assert "an incomplete file" in listed(screen)[1]
        for number, keys in ((1, ["down", "down", "enter"]), (0, ["enter"])):
            await pilot.press("enter")
            await until(pilot, lambda: isinstance(app.screen, Pick))
            await pilot.press(*keys)
            if number:
                await until(pilot, lambda: len(listed(screen)) == 1 and not screen.line.working)
        await until(pilot, lambda: ready(pilot))
        assert todo(pilot) is NextKind.STEP
        await pilot.press("q")
    app.shut()
    assert half.is_file()
    again = TetherApp(given)
    async with again.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: ready(pilot))
        assert "1 file" not in screen_text(again)
        await pilot.press("q")
    again.shut()


async def test_pictures_made_while_the_camera_was_away_are_offered_when_it_connects(
    given: AppContext, bench: BenchProcess
) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: ready(pilot))
        assert app.port is not None
        assert app.camera is not None
        app.camera.close()  # as after a pulled cable: the next look at the camera says so
        await until(pilot, lambda: "Press C to connect" in screen_text(app))
        made_while_nobody_looked(bench, [1])
        await pilot.press("c")
        screen = await opened(pilot)
        assert len(listed(screen)) == 1
        await pilot.press("escape")
        await until(pilot, lambda: ready(pilot))
        assert await app.port.leftovers() == screen.items
        # The cable comes out again: the same picture is not asked about once more.
        app.camera.close()
        await until(pilot, lambda: "Press C to connect" in screen_text(app))
        await press(pilot, "c")
        await until(pilot, lambda: ready(pilot) and table(pilot).view.camera is not None)  # type: ignore[union-attr]
        assert not isinstance(app.screen, FoundScreen)
        # It can still be seen, and with a new one both are offered.
        await pilot.press("i")
        assert len(listed(await opened(pilot))) == 1
        await pilot.press("escape")
        await until(pilot, lambda: ready(pilot))
        app.camera.close()
        await until(pilot, lambda: "Press C to connect" in screen_text(app))
        made_while_nobody_looked(bench, [2])
        await pilot.press("c")
        assert len(listed(await opened(pilot))) == 2
        await pilot.press("escape")
        await until(pilot, lambda: ready(pilot))
    app.shut()


async def test_incomplete_downloads_are_no_question_and_are_left_with_one_key(
    given: AppContext, archive: Archive, roll: Roll
) -> None:
    incoming = archive.incoming(roll)
    incoming.mkdir(parents=True)
    for name in ("a.part", "b.part"):
        (incoming / name).write_bytes(b"II*\0")
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: ready(pilot))
        assert "2 incomplete files, which are harmless" in screen_text(app)
        await pilot.press("i")
        screen = await opened(pilot)
        assert len(listed(screen)) == 2
        await pilot.press("l")
        await until(pilot, lambda: ready(pilot))
        assert app.port is not None
        assert await app.port.leftovers() == ()
    app.shut()
    assert len(list(incoming.iterdir())) == 2


def test_all_of_the_card_is_offered_only_where_there_is_something_on_it() -> None:
    card, other = (Leftover(kind, "one", 1) for kind in (Kind.CARD, Kind.STRANGER))
    for items, offered in (([other], False), ([other, card], True)):
        port, view = SessionPort.__new__(SessionPort), View.__new__(View)
        screen = FoundScreen(ScreenContext(), port, view, items)
        assert screen.check_action("all_in_order", ()) is offered
        assert screen.check_action("look_again", ()) is True
