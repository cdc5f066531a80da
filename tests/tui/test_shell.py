"""Colours and rests: what the program does on every screen."""

from __future__ import annotations

import gc
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from rich.style import Style
from textual.app import ComposeResult
from textual.pilot import Pilot
from textual.widgets import Static

from tests.tui.piloting import Bare, until
from tether.errors import TetherError
from tether.settings import ScreenSettings, Settings
from tether.settings_file import load, parse
from tether.tui.terminal import themes
from tether.tui.terminal.gc_scheduler import Calm
from tether.tui.widgets.key_line import KeyLine


class Host(Bare):
    """The program's manners and one line."""

    def compose(self) -> ComposeResult:
        yield Static("[red]gone[/red] [dim]and dim[/dim]")
        yield KeyLine()


def themed(theme: str) -> Settings:
    return Settings(screen=ScreenSettings(theme=theme))


async def test_the_theme_of_the_settings_is_on_the_screen() -> None:
    app = Host(themed("contrast"))
    async with app.run_test() as pilot:
        await pilot.pause()
        assert app.theme == "contrast"
        assert app.screen.styles.background.hex == "#000000"


async def test_greys_have_no_colour_and_no_color_chooses_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    app = Host(Settings())
    async with app.run_test() as pilot:
        await pilot.pause()
        assert app.theme == "greys"
        lines = app.screen.query_one(Static).render_lines(app.screen.query_one(Static).size.region)
        for segment in lines[0]:
            style = segment.style or Style()
            for colour in (style.color, style.bgcolor):
                if colour is not None and colour.triplet is not None:
                    assert len(set(colour.triplet)) == 1, segment


async def said(pilot: Pilot[str], app: Bare) -> str:
    """What the program says of itself, once it does."""
    await until(pilot, lambda: bool(list(app._notifications)))
    return " ".join(f"{n.title} {n.message}" for n in app._notifications)


async def test_a_theme_that_is_chosen_is_kept_and_there_the_next_time(tmp_path: Path) -> None:
    file = tmp_path / "new" / "settings.toml"
    app = Host(Settings(), settings_file=file)
    async with app.run_test() as pilot:
        await pilot.pause()
        app.theme = "textual-light"
        assert f"Kept in {file}." in await said(pilot, app)
    again = Host(load(file))
    async with again.run_test() as pilot:
        await pilot.pause()
        assert again.theme == "textual-light"
        assert list(again._notifications) == []


async def test_a_theme_that_cannot_be_kept_holds_until_the_end_and_says_why(
    tmp_path: Path,
) -> None:
    file = tmp_path / "settings.toml"
    file.write_text("[screen\n")
    app = Host(Settings(), settings_file=file)
    async with app.run_test() as pilot:
        await pilot.pause()
        app.theme = "textual-light"
        told = await said(pilot, app)
        assert "hold until you leave" in told
        assert str(file) in told
        assert app.theme == "textual-light"
    assert file.read_text() == "[screen\n"


async def test_a_theme_that_is_not_offered_is_named_and_the_usual_one_taken() -> None:
    """A settings file of before may name one whose words are hard to read."""
    app = Host(themed("solarized-light"))
    async with app.run_test() as pilot:
        assert "'solarized-light'" in await said(pilot, app)
        assert app.theme == "textual-dark"
    with pytest.raises(TetherError, match="theme must be a text"):
        parse({"screen": {"theme": "Not A Name"}}, "here")


def test_a_terminal_of_sixteen_colours_has_contrast_unless_a_theme_was_named() -> None:
    usual, named = Settings(), themed("nord")
    assert themes.fitting(usual, "standard").screen.theme == "contrast"
    assert themes.fitting(named, "standard") is named
    for colours in ("256", "truecolor", None):
        assert themes.fitting(usual, colours) is usual


@pytest.fixture
def collected(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """Each full collection that is made; the collector is left as it was."""
    made: list[str] = []
    before = gc.get_threshold()
    monkeypatch.setattr(gc, "collect", lambda: made.append("full"))
    monkeypatch.setattr(gc, "freeze", lambda: None)
    yield made
    gc.set_threshold(*before)


def test_garbage_is_collected_in_a_rest_and_not_under_a_key(
    collected: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    now = [100.0]
    waiting = [50]
    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    monkeypatch.setattr(gc, "get_count", lambda: (0, 0, waiting[0]))
    rests = Calm()
    assert gc.get_threshold()[2] > 100_000, "no full collection by itself"
    now[0] += 10
    rests.touched()
    rests.look(busy=False)
    assert collected == []
    now[0] += 10
    rests.look(busy=True)
    assert collected == []
    rests.look(busy=False)
    assert collected == ["full"]
    waiting[0] = 1
    rests.look(busy=False)
    assert collected == ["full"], "not worth while"
    waiting[0] = 1000
    rests.touched()
    rests.look(busy=False)
    assert collected == ["full", "full"], "a person who never rests is interrupted at last"
