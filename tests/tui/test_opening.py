"""Before the worktable: what was said of a new roll is kept while no camera is found."""

from __future__ import annotations

from textual.widgets import Input

from tests.quick import QUICK
from tests.tui.piloting import screen_text, until
from tether.archive.archive import Archive
from tether.archive.edits import edit_waiting
from tether.archive.records import NewRoll
from tether.archive.waiting import WaitingRoll
from tether.camera.errors import NoCamera
from tether.description import RollDescription
from tether.film import FilmProcess
from tether.session.judge import Judge
from tether.tui.app import Opening, TetherApp
from tether.tui.app_context import AppContext
from tether.tui.screens.roll_screens import DescribeRoll


async def test_another_look_for_the_camera_does_not_ask_again(
    archive: Archive, judge: Judge
) -> None:
    looked: list[str | None] = []

    def none(port: str | None) -> None:
        looked.append(port)
        raise NoCamera("No camera was found.", kept="Nothing was changed.", todo="Attach it.")

    app = TetherApp(AppContext(archive, none, judge, QUICK, roll="Quay 3"))  # type: ignore[arg-type]
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: isinstance(app.screen, DescribeRoll))
        app.screen.query_one("#frames", Input).value = "24"
        app.screen.query_one("#notes", Input).value = "two wet"
        await pilot.press("ctrl+s")
        await until(pilot, lambda: "is not made yet" in screen_text(app))
        assert "R tries again with its details" in screen_text(app)
        await pilot.press("r")
        await until(pilot, lambda: len(looked) == 2 and "is not made yet" in screen_text(app))
        assert isinstance(app.screen, Opening)
        await pilot.press("q")
    assert app.not_made == NewRoll(
        "Quay 3", FilmProcess.BW_NEGATIVE, frames_expected=24, notes="two wet"
    )
    assert not archive.store.rolls.has("Quay 3")


async def test_a_name_of_the_list_that_is_typed_has_the_facts_of_the_list(
    archive: Archive, judge: Judge
) -> None:
    said = RollDescription().changed({"place": "Quay"})
    listed = NewRoll("Mole", FilmProcess.BW_NEGATIVE, "120-6x6", 12, 3, "wet", said)
    edit = edit_waiting(None, WaitingRoll(listed, film_known=False))
    archive.store.edits.apply("import list.csv", [edit])

    def none(port: str | None) -> None:
        raise NoCamera("No camera was found.", kept="Nothing was changed.", todo="Attach it.")

    app = TetherApp(AppContext(archive, none, judge, QUICK))  # type: ignore[arg-type]
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: isinstance(app.screen, DescribeRoll))
        app.screen.query_one("#name", Input).value = "Mole"
        await pilot.press("ctrl+s")
        await until(pilot, lambda: "is not made yet" in screen_text(app))
        await pilot.press("q")
    assert app.not_made == listed
