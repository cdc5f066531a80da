"""Colours and rests: what the program does on every screen."""

from __future__ import annotations

import gc
import time
from collections.abc import Iterator

import pytest
from rich.segment import Segment
from rich.style import Style
from textual.app import ComposeResult
from textual.color import Color
from textual.theme import Theme
from textual.widgets import Static

from tether.errors import TetherError
from tether.settings import ScreenSettings, Settings
from tether.settings_file import parse
from tether.tui.base_app import Shell
from tether.tui.terminal import themes
from tether.tui.terminal.gc_scheduler import Calm
from tether.tui.widgets.key_line import KeyLine


class Host(Shell):
    """The program's manners and one line."""

    def compose(self) -> ComposeResult:
        yield Static("[red]gone[/red] [dim]and dim[/dim]")
        yield KeyLine()


def themed(theme: str) -> Settings:
    return Settings(screen=ScreenSettings(theme=theme))


def contrast(one: str, other: str) -> float:
    """Contrast ratio and relative luminance as WCAG 2.2 defines them."""

    def luminance(colour: str) -> float:
        parts = [part / 255 for part in Color.parse(colour).rgb]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_of_black_and_white_is_the_standards() -> None:
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)


@pytest.mark.parametrize("theme", themes.OWN, ids=lambda t: t.name)
def test_our_themes_have_the_contrast_that_they_are_for(theme: Theme) -> None:
    """WCAG 2.2, success criterion 1.4.6 (enhanced): 7 to 1 for text."""
    background = str(theme.background)
    for ink in (theme.foreground, theme.success, theme.warning, theme.error):
        assert contrast(str(ink), background) >= 7.0
    ansi = themes.ansi_of(theme.name)
    assert ansi is not None
    for number in range(1, 8):
        colour = "#" + "".join(f"{part:02x}" for part in ansi.ansi_colors[number])
        assert contrast(colour, background) >= 7.0, number


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


async def test_a_theme_that_is_tried_out_says_how_it_is_kept() -> None:
    app = Host(Settings())
    async with app.run_test() as pilot:
        await pilot.pause()
        app.theme = "textual-light"
        await pilot.pause()
        await pilot.pause()
        assert any('theme = "textual-light"' in n.message for n in app._notifications)


def test_a_theme_that_there_is_not_is_refused_with_those_that_there_are() -> None:
    with pytest.raises(TetherError, match=r"'mauve'.*contrast.*greys.*textual-dark"):
        Host(themed("mauve"))
    with pytest.raises(TetherError, match="theme must be a text"):
        parse({"screen": {"theme": "Not A Name"}}, "here")


def test_a_terminal_of_sixteen_colours_has_contrast_unless_a_theme_was_named() -> None:
    usual, named = Settings(), themed("nord")
    assert themes.fitting(usual, "standard").screen.theme == "contrast"
    assert themes.fitting(named, "standard") is named
    for colours in ("256", "truecolor", None):
        assert themes.fitting(usual, colours) is usual


def test_what_is_dim_is_clear_where_contrast_is_wanted() -> None:
    line = [Segment("a", Style(dim=True, bold=True)), Segment("b"), Segment("c", Style(bold=True))]
    done = themes.Undimmed().apply(line, Color(0, 0, 0))
    assert [segment.text for segment in done] == ["a", "b", "c"]
    assert not any(segment.style and segment.style.dim for segment in done)
    assert done[0].style is not None
    assert done[0].style.bold


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
