"""Whole strips through the screen, by keys, against the PTP/IP camera and the USB one."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest
from tether_simulator.bench import CopyStand
from tether_simulator.bench_config import BenchConfig
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.sensor import SensorConfig
from tether_simulator.server import BenchProcess

from tests.quick import QUICK
from tests.tui.piloting import press, ready, screen_text, table, to_shutter, todo, until
from tether.archive.archive import Archive
from tether.archive.open_roll import hold_roll
from tether.archive.records import FrameState, NewRoll, Roll
from tether.camera.errors import CameraLost, SeveralCameras
from tether.camera.process import CameraProcess, connect
from tether.camera.protocol import CameraIdentity, Role
from tether.capture.transfer import Progress
from tether.delivery.contrast import contrast_of
from tether.film import FilmProcess
from tether.session.judge import Judge
from tether.session.next_step import NextKind
from tether.session.session import Shot
from tether.tui.app import Opening, TetherApp
from tether.tui.app_context import AppContext
from tether.tui.screens.dialogs import AskText, Pick, Reading
from tether.tui.screens.roll_screens import ChooseRoll, DescribeRoll
from tether.tui.screens.worktable import Worktable
from tether.tui.widgets import session_line
from tether.tui.widgets.camera_line import CameraLine
from tether.tui.widgets.key_line import KeyLine
from tether.tui.widgets.picture_panel import LargePicture
from tether.tui.widgets.strip import FrameCell
from tether.tui.widgets.verdict_panel import VerdictPanel


async def stored(app: TetherApp) -> list[FrameState]:
    assert app.port is not None
    return [f.state for f in (await app.port.view()).frames]


async def test_a_strip_of_six_by_keys(given: AppContext) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        for number in range(1, 7):
            await to_shutter(pilot)
            assert f"shoot frame {number}" in str(pilot.app.screen.query_one("#next").border_title)
            await press(pilot, "f")
            assert todo(pilot) is NextKind.DECIDE
            await press(pilot, "k")
        assert todo(pilot) is NextKind.DONE
        await press(pilot, "enter")
        assert "6 of 6 frames done" in screen_text(app)
        assert await stored(app) == [FrameState.KEPT] * 6
        assert "6 of 6 frames done" in screen_text(app)
    app.shut()
    roll = given.archive.store.rolls.named(str(given.roll))
    assert len(list(given.archive.folder(roll).glob("*.dng"))) == 6


async def test_every_choice_and_the_way_back(given: AppContext) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await to_shutter(pilot)
        await press(pilot, "enter", "a")
        assert todo(pilot) is NextKind.SHOOT
        await press(pilot, "enter", "k")
        await to_shutter(pilot)
        await press(pilot, "s")
        await to_shutter(pilot)
        await press(pilot, "b")
        assert "Frame 3 is marked as blank. Backspace undoes it." in screen_text(app)
        await to_shutter(pilot)
        await press(pilot, "d")
        assert "D (damaged) does nothing now" in screen_text(app), "it has no picture yet"
        await press(pilot, "enter", "d")
        assert "Frame 4 is kept, and marked as damaged." in screen_text(app)
        assert [s.value for s in await stored(app)][:4] == ["kept", "skipped", "blank", "damaged"]
        await press(pilot, "g")
        await until(pilot, lambda: isinstance(app.screen, AskText))
        await pilot.press("9", "enter")
        await pilot.pause()
        assert "from 1 to 6" in screen_text(app)
        await pilot.press("backspace", "2", "enter")
        await until(pilot, lambda: ready(pilot))
        view = table(pilot).view
        assert view is not None
        assert view.place.frame == 2
        # From the table: nobody has to say that film lies in the gate to mark a frame.
        assert todo(pilot) is NextKind.STEP
        await press(pilot, "b")
        assert "Frame 2 is marked as blank." in screen_text(app)
        await press(pilot, "g")
        await until(pilot, lambda: isinstance(app.screen, AskText))
        await pilot.press("1", "enter")
        await until(pilot, lambda: ready(pilot))
        await press(pilot, "n")
        view = table(pilot).view
        assert view is not None
        assert view.place.frame == 5
        await press(pilot, "t")
        await until(pilot, lambda: isinstance(app.screen, AskText))
        await pilot.press(*"torn", "enter")
        await until(pilot, lambda: ready(pilot))
        assert app.port is not None
        assert (await app.port.view()).frames[4].note == "torn"
    app.shut()


async def test_the_first_picture_of_a_strip_asks_whether_writing_reads(given: AppContext) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await to_shutter(pilot)
        await press(pilot, "f")
        assert "Does writing read the right way round? If not: [Ctrl-B]" in screen_text(app)
        panel = table(pilot).picture
        await until(pilot, lambda: panel.picture is not None)
        assert panel.picture is not None
        mirrored = panel.picture.tobytes()
        await press(pilot, "ctrl+b")
        await until(pilot, lambda: "you saw writing read backwards" in screen_text(app))
        assert "RESHOOT" in screen_text(app)
        await until(
            pilot, lambda: panel.picture is not None and panel.picture.tobytes() != mirrored
        )
        await press(pilot, "k")
        await to_shutter(pilot)
        await press(pilot, "f")
        assert "Does writing read" not in screen_text(app)
    app.shut()


async def test_the_contrast_of_a_positive_is_chosen_with_it_in_view(given: AppContext) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await to_shutter(pilot)
        await press(pilot, "enter")
        panel = table(pilot).picture
        await until(pilot, lambda: panel.picture is not None)
        normal = panel.picture
        await pilot.press("p")
        await until(pilot, lambda: isinstance(app.screen, LargePicture))
        box = app.screen.query_one(".large-picture")
        await pilot.press("c")
        await until(pilot, lambda: box.border_subtitle == "hard contrast, frame 1")
        await until(pilot, lambda: panel.picture is not normal)
        await pilot.press("w")
        await until(pilot, lambda: box.border_subtitle == "hard contrast, all frames")
        await pilot.press("escape")
        await until(pilot, lambda: ready(pilot))
        assert app.port is not None
        assert await app.port.ask(lambda s: contrast_of(s.open_roll, 6)) == "hard"
    app.shut()


async def test_leaving_and_coming_back_opens_at_the_same_step(given: AppContext) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await to_shutter(pilot)
        await press(pilot, "enter")
        await pilot.press("q")
    app.shut()
    again = TetherApp(given)
    async with again.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: ready(pilot))
        assert todo(pilot) is NextKind.DECIDE
        assert "frame 1, take 1" in str(pilot.app.screen.query_one("#verdict").border_title)
        await press(pilot, "k")
        assert todo(pilot) is NextKind.STEP
    again.shut()


async def test_help_log_and_the_shorter_list(given: AppContext) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: ready(pilot))
        await pilot.press("question_mark")
        await until(pilot, lambda: isinstance(app.screen, Reading))
        await until(pilot, lambda: "call the fire service" in screen_text(app))
        text = screen_text(app)
        assert "⚠ CAUTION" in text
        below = app.screen_stack[-2]
        assert isinstance(below, Worktable)
        assert not below.is_active, "or this screen would be drawn anew three times a second"
        await pilot.press("escape")
        await until(pilot, lambda: ready(pilot))
        assert below.is_active
        assert "does nothing now" not in screen_text(app), "it opened the help"
        await press(pilot, "z")
        await pilot.press("l")
        await until(pilot, lambda: isinstance(app.screen, Reading))
        await until(pilot, lambda: "Short checklist. Skipped" in screen_text(app))
        await pilot.press("escape")
        await until(pilot, lambda: ready(pilot))
    app.shut()


async def test_a_verdict_that_comes_under_the_help_is_shown_when_that_closes(
    given: AppContext, monkeypatch: pytest.MonkeyPatch
) -> None:
    app, helped = TetherApp(given), threading.Event()
    async with app.run_test(size=(120, 40)) as pilot:
        await to_shutter(pilot)
        below, port = table(pilot), app.port
        assert port is not None
        shoot = await port.ask(lambda s: s.capture)

        def once_helped(report: Callable[[Progress], None]) -> Shot:
            assert helped.wait(30)
            return shoot(report)

        await port.ask(lambda s: monkeypatch.setattr(s, "capture", once_helped))
        await pilot.press("f", "question_mark")
        await until(pilot, lambda: isinstance(app.screen, Reading) and not below.is_active)
        helped.set()
        await until(
            pilot, lambda: bool(below.view and below.view.place.kind is NextKind.DECIDE), turns=800
        )
        await until(pilot, lambda: not any(w.group == "action" for w in app.workers))
        assert "shoot frame 1" in str(below.query_one("#next").border_title)
        await pilot.press("question_mark")
        await until(pilot, lambda: ready(pilot))
        assert "frame 1, keep or reshoot?" in str(below.query_one("#next").border_title)
        assert "frame 1, take 1" in str(below.query_one(VerdictPanel).border_title)
    app.shut()


async def test_waiting_for_a_camera_that_hangs_can_be_given_up(
    given: AppContext, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(session_line, "_LONG_SECONDS", 0)
    app, gave_up = TetherApp(given), threading.Event()
    async with app.run_test(size=(80, 24)) as pilot:
        await to_shutter(pilot)
        port = app.port
        assert port is not None

        def hangs(report: Callable[[Progress], None]) -> Shot:
            report(Progress("fire"))
            assert gave_up.wait(30)
            raise CameraLost("You gave up waiting, so the driver was ended.")

        await port.ask(lambda s: monkeypatch.setattr(s, "capture", hangs))
        camera = await port.ask(lambda s: s.tethered.camera)
        monkeypatch.setattr(camera, "give_up", gave_up.set)
        await pilot.press("escape")
        assert not gave_up.is_set(), "nothing is waited for"
        await pilot.press("f")
        await until(pilot, lambda: "[Esc] give up" in screen_text(app))
        await pilot.press("escape")
        await until(pilot, lambda: "You gave up waiting" in screen_text(app))
    app.shut()


async def test_a_long_error_of_the_camera_has_room_where_there_is_little(given: AppContext) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: ready(pilot))
        # As long as the longest that the program has: who holds the camera, and what to do.
        table(pilot).line.say("sorry " * 80, bad=True)
        await pilot.pause()
        parts = [app.screen.query_one(f"#{part}").region for part in ("next", "seen", "message")]
        assert parts[2].height * 78 >= 480
        assert min(part.height for part in parts) >= 4
        for above, below in pairwise(parts):
            assert above.bottom <= below.y
        assert parts[2].bottom <= app.screen.query_one(CameraLine).region.y
    app.shut()


async def test_a_mishap_and_the_cameras_own_button(given: AppContext, bench: BenchProcess) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await to_shutter(pilot)
        await pilot.press("m")
        await until(pilot, lambda: isinstance(app.screen, Pick))
        await pilot.pause()
        hint = list(app.screen.query(".dialog Label"))[-1]
        assert "[Enter] choose" in str(hint.render())
        inside = app.screen.query_one(".dialog").content_region
        assert inside.contains_region(hint.region), "under a long list"
        await pilot.press("1", "enter")
        await until(pilot, lambda: ready(pilot))
        assert bench.active() == ("not-advanced",)
        assert "mishap: The film is not moved" in str(table(pilot).title_line.render())
        await pilot.press("o")
        await until(pilot, lambda: ready(pilot) and todo(pilot) is NextKind.DECIDE)
    app.shut()


async def test_a_verdict_in_the_least_terminal_has_its_positive_and_its_keys_where_they_were(
    given: AppContext, bench: BenchProcess
) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:

        async def keys_of(*mishaps: str) -> str:
            await to_shutter(pilot)
            for code in mishaps:
                bench.mishap(code)
            await press(pilot, "f")
            screen = table(pilot)
            await until(
                pilot,
                lambda: (
                    ready(pilot)
                    and todo(pilot) is NextKind.DECIDE
                    and screen.picture.picture is not None
                    and screen.verdict.region.right == screen.picture.region.x
                ),
            )
            size = screen.picture.drawn.size
            assert size.width >= 30
            assert size.height >= 10
            assert not any(mishaps) or "RESHOOT" in screen_text(app)
            return str(screen.query_one(KeyLine).render()).partition("\n")[0]

        good = await keys_of()
        assert table(pilot).verdict.max_scroll_y == 0, "verdict and histogram are seen whole"
        assert [word in good for word in ("keep", "reshoot", "advice", "picture")] == [True] * 4
        await press(pilot, "k")
        assert await keys_of("lamp-bright") == good
    app.shut()


async def test_the_mouse_goes_to_a_frame(given: AppContext) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: ready(pilot))
        cells = list(app.screen.query(FrameCell))
        await until(pilot, lambda: cells[3].region.x > cells[2].region.x > 0)
        await pilot.click(cells[3])
        await until(pilot, lambda: table(pilot).view.place.frame == 4)  # type: ignore[union-attr]
    app.shut()


async def test_keys_are_answered_while_the_camera_is_slow(
    given: AppContext, bench: BenchProcess
) -> None:
    from tether_simulator.faults import Slow
    from tether_simulator.ptp import Operation

    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await to_shutter(pilot)
        bench.install(Slow(code=Operation.GET_PARTIAL_OBJECT, seconds=1.5))
        await pilot.press("f")
        await until(pilot, lambda: "Copying" in screen_text(app))
        await pilot.press("question_mark")
        await until(pilot, lambda: isinstance(app.screen, Reading))
        assert todo_of(app) is NextKind.SHOOT, "the transfer is still under way"
        await pilot.press("escape")
        await until(pilot, lambda: ready(pilot) and todo(pilot) is NextKind.DECIDE)
    app.shut()


def todo_of(app: TetherApp) -> NextKind:
    screen = next(s for s in app.screen_stack if isinstance(s, Worktable))
    assert screen.view is not None
    return screen.view.place.kind


async def test_no_camera_is_said_and_can_be_tried_again(
    given: AppContext, bench: BenchProcess, archive: Archive, judge: Judge
) -> None:
    ports = ["ptpip:127.0.0.1:9", bench.port_name]
    app = TetherApp(
        AppContext(
            archive=archive,
            connect=lambda _: connect(ports.pop(0), QUICK.camera),
            judge=judge,
            settings=QUICK,
            roll="Harbour",
        )
    )
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: "R tries again" in screen_text(app))
        assert isinstance(app.screen, Opening)
        await pilot.press("r")
        await until(pilot, lambda: ready(pilot))
    app.shut()


async def test_a_camera_that_goes_away_is_said_and_comes_back(
    given: AppContext, bench: BenchProcess
) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await to_shutter(pilot)
        assert app.camera is not None
        await app.thread.run(app.camera.close)
        await press(pilot, "f")
        await until(pilot, lambda: ready(pilot))
        if "not connected" in str(app.screen.query_one(CameraLine).render()):
            await press(pilot, "c")
        await to_shutter(pilot)
        await press(pilot, "f")
        await until(pilot, lambda: ready(pilot) and todo(pilot) is NextKind.DECIDE)
    app.shut()


async def test_a_new_roll_is_described_on_the_screen(
    archive: Archive, judge: Judge, bench: BenchProcess
) -> None:
    app = TetherApp(
        AppContext(
            archive=archive,
            connect=lambda _: connect(bench.port_name, QUICK.camera),
            judge=judge,
            settings=QUICK,
            roll="Quay 3",
        )
    )
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: isinstance(app.screen, DescribeRoll))
        await pilot.press("ctrl+s")
        await until(pilot, lambda: ready(pilot))
    app.shut()
    assert archive.store.rolls.named("Quay 3").frames_expected == 36


async def test_the_form_says_what_is_wrong_with_a_name(archive: Archive, judge: Judge) -> None:
    app = TetherApp(AppContext(archive=archive, connect=connect, judge=judge, settings=QUICK))
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: isinstance(app.screen, DescribeRoll))
        await pilot.press(*"a/b", "ctrl+s")
        await pilot.pause()
        assert "slash" in screen_text(app)
        assert isinstance(app.screen, DescribeRoll)
        start = app.screen.query_one("#start").region
        assert start.height == 1
        assert start in app.screen.region, "the button is in view, also below a complaint"
        assert start.bottom < app.screen.query_one(KeyLine).region.y + 1
    app.shut()


async def test_the_rolls_of_the_archive_are_offered(
    archive: Archive, roll: Roll, judge: Judge, bench: BenchProcess
) -> None:
    archive.store.rolls.add(NewRoll("Older", FilmProcess.TRANSPARENCY))
    app = TetherApp(
        AppContext(
            archive=archive,
            connect=lambda _: connect(bench.port_name, QUICK.camera),
            judge=judge,
            settings=QUICK,
        )
    )
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: isinstance(app.screen, ChooseRoll))
        await pilot.press("down", "enter")
        await until(pilot, lambda: ready(pilot))
        assert app.roll_name == "Harbour"
        assert app.screen.query(KeyLine)
    app.shut()


async def test_with_several_cameras_it_asks_which(
    given: AppContext, bench: BenchProcess, archive: Archive, judge: Judge
) -> None:
    def several(port: str | None) -> CameraProcess:
        if port is None:
            found = [CameraIdentity("One", "usb:001,004"), CameraIdentity("Two", bench.port_name)]
            error = SeveralCameras("Two cameras.")
            error.candidates = tuple(found)
            raise error
        return connect(port, QUICK.camera)

    app = TetherApp(AppContext(archive, several, judge, QUICK, roll="Harbour"))
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: isinstance(app.screen, Pick))
        await pilot.press("down", "enter")
        await until(pilot, lambda: ready(pilot))
        assert app.camera is not None
        assert app.camera.identity.port == bench.port_name
    app.shut()


async def test_a_roll_that_another_program_holds_is_refused_in_words(
    given: AppContext, archive: Archive, roll: Roll
) -> None:
    lock = hold_roll(archive, roll)
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: "open in another program" in screen_text(app))
    app.shut()
    lock.release()


async def set_shutter(app: TetherApp, value: str) -> None:
    camera = app.camera
    assert camera is not None
    await app.thread.run(lambda: camera.set(Role.SHUTTER, value))


async def test_the_advice_is_set_with_one_key(given: AppContext) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await to_shutter(pilot)
        await set_shutter(app, "1/125")
        await press(pilot, "f")
        assert "[U] set " in screen_text(app)
        await press(pilot, "u")
        assert todo(pilot) is NextKind.SHOOT
        await press(pilot, "f")
        view = table(pilot).view
        assert view is not None
        assert view.place.capture is not None
        assert view.place.capture.verdict == "keep"
    app.shut()


async def test_a_shutter_that_was_set_since_is_not_offered_again(given: AppContext) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await to_shutter(pilot)
        await set_shutter(app, "1/125")
        await press(pilot, "f")
        view = table(pilot).view
        assert view is not None
        advised = view.advised_shutter
        assert advised is not None
        assert f"[U] set {advised} and reshoot" in screen_text(app)
        await set_shutter(app, advised)
        await table(pilot).port.refresh_camera()
        await table(pilot).refresh_view()
        assert "[U]" not in screen_text(app)
        assert f"[A] reshoot (shutter already at {advised})" in screen_text(app)
        await press(pilot, "u")
        assert "U (advice) does nothing now. Next: frame 1, keep or reshoot." in screen_text(app)
        assert todo(pilot) is NextKind.DECIDE
    app.shut()


async def test_undoing_while_a_picture_waits_is_seen_and_says_what_is_next(
    given: AppContext,
) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(80, 24)) as pilot:
        await to_shutter(pilot)
        screen = table(pilot)
        await until(pilot, lambda: screen.check_action("undo", ()) is True)
        await press(pilot, "f")
        await until(pilot, lambda: screen.check_action("undo", ()) is None)
        await press(pilot, "backspace")
        assert "Backspace (undo) has nothing to undo. Next: frame 1" in screen_text(app)
        await press(pilot, "k")
        await to_shutter(pilot)
        await press(pilot, "f")
        await until(pilot, lambda: screen.check_action("undo", ()) is True)
        await press(pilot, "backspace")
        assert "Undone: the choice about frame 1. Frame 2 is also waiting" in screen_text(app)
        assert "Next: frame 1, keep or reshoot." in screen_text(app)
        assert "frame 1, keep or reshoot?" in str(app.screen.query_one("#next").border_title)
    app.shut()


async def test_the_usb_road_with_the_virtual_camera(
    archive: Archive, roll: Roll, judge: Judge, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """libgphoto2's own virtual USB camera hands back a raw file that lies in its folder."""
    store = tmp_path / "virtual"
    store.mkdir()
    bench = CopyStand(BenchConfig(sensor=SensorConfig(width=768, height=512), frames=6))
    bench.hand.go_to(1)
    raw = bench.expose(CameraExposure(1 / 15, 8, 100)).raw
    (store / "picture.jpg").write_bytes(raw)
    monkeypatch.setenv("VCAMERADIR", str(store))
    app = TetherApp(
        AppContext(
            archive=archive,
            connect=lambda port: connect(port, QUICK.camera),
            judge=judge,
            settings=QUICK,
            roll=roll.name,
        )
    )
    async with app.run_test(size=(80, 24)) as pilot:
        await to_shutter(pilot)
        await press(pilot, "f")
        await until(pilot, lambda: ready(pilot) and todo(pilot) is NextKind.DECIDE)
        await press(pilot, "k")
        assert (await stored(app))[0] is FrameState.KEPT
    app.shut()
    filed = next(archive.folder(roll).glob("*_f001_t1.dng"))
    assert filed.read_bytes() == raw
    assert shutil.disk_usage(tmp_path).free > 0


async def test_an_archive_that_goes_away_is_said_on_the_screen_and_work_continues_when_it_is_back(
    given: AppContext,
) -> None:
    app = TetherApp(given)
    async with app.run_test(size=(100, 30)) as pilot:
        await to_shutter(pilot)
        root = given.archive.root
        away = root.rename(root.with_name("away"))
        await pilot.press("f")
        await until(pilot, lambda: "is not there any more" in " ".join(screen_text(app).split()))
        await until(pilot, lambda: ready(pilot))
        away.rename(root)
        await press(pilot, "f")
        assert todo(pilot) is NextKind.DECIDE
