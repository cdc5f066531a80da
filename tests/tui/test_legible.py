"""Words can be read in every theme that can be chosen: measured on what is drawn."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, ClassVar

import numpy as np
import pytest
from rich.segment import Segment
from rich.style import Style
from rich.text import Text
from skimage.color import rgb2xyz
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.color import Color
from textual.containers import VerticalScroll
from textual.screen import Screen
from textual.widgets import Button, Input, OptionList, Static

from tether.settings import Settings
from tether.tui.base_app import Shell
from tether.tui.keys import EVERYWHERE
from tether.tui.terminal.contrast import AA, AAA, Legible, clearer, contrast, luminance
from tether.tui.terminal.themes import CONTRAST
from tether.tui.widgets.bench_form import Tick
from tether.tui.widgets.key_line import KeyLine

STYLES = (
    "", "dim", "bold", "italic", "green", "yellow", "cyan", "red", "bold green", "bold yellow",
    "bold red", "bold magenta", "bold reverse",
)  # fmt: skip
"""In which the screens write: marks, verdicts, what matters less, headings."""
_DRAWN = set("─│╭╮╰╯┃▀▁▂▃▄▅▆▇█▉▊▋▌▍▎▏▐░▒▓▔▕━╸╺ ")


class Gallery(Screen[None]):
    """A bit of everything that words stand in."""

    BINDINGS: ClassVar[list[BindingType]] = [*EVERYWHERE]
    TITLE = "Gallery"
    AUTO_FOCUS = "#name"

    def compose(self) -> ComposeResult:
        with VerticalScroll(id="check-lines", can_focus=False) as box:
            box.border_title, box.border_subtitle = "Title of a panel", "its foot"
            yield Static(Text("\n").join(Text(f"written {s}", s) for s in STYLES))
        yield Static(Text("1/60  f/8", "dim"), id="camera")
        yield Input(placeholder="for example this", id="name", compact=True)
        yield Input("in words", type="integer", compact=True)
        yield Tick("ticked", True, compact=True)
        yield OptionList("marked", "another", compact=True)
        yield Button("Begin", variant="primary", compact=True)
        yield KeyLine()


class Host(Shell):
    """The program's manners and the gallery."""

    async def on_mount(self) -> None:
        await self.push_screen(Gallery())


def words_drawn(screen: Screen[Any]) -> Iterator[tuple[str, float]]:
    """Yield what is written on the screen, and its contrast."""
    for strip in screen._compositor.render_strips():
        for text, style, _ in strip:
            if set(text) <= _DRAWN or style is None or style.color is None:
                continue
            assert not style.dim, "how dim that is, the terminal would say"
            assert style.bgcolor is not None
            inks = style.color.triplet, style.bgcolor.triplet
            if None not in inks:
                yield text, contrast(inks[0], inks[1])  # type: ignore[arg-type]


async def test_all_words_have_contrast_in_every_theme_also_where_they_have_the_focus() -> None:
    """WCAG 2.2, success criteria 1.4.3 (4.5 to 1), and 1.4.6 (7 to 1) in the theme for it."""
    app = Host(Settings())
    async with app.run_test(size=(80, 26)) as pilot:
        # The themes that leave all colours to the terminal have no values to measure.
        for theme in (t for t in app.available_themes.values() if not t.ansi):
            app.theme = theme.name
            least = AAA if theme.name == CONTRAST.name else AA
            for _ in range(5):
                await pilot.press("tab")
                await pilot.pause()
                seen = dict(words_drawn(app.screen))
                assert {"Title of a panel", "written dim"} <= {text.strip() for text in seen}
                low = {t: round(ratio, 2) for t, ratio in seen.items() if ratio < least}
                assert not low, theme.name


def test_luminance_is_the_y_of_a_reference_and_contrast_has_the_standards_ends() -> None:
    """scikit-image's sRGB to XYZ (IEC 61966-2-1); WCAG 2.2 says 1 to 21."""
    for ink in ((0, 0, 0), (255, 255, 255), (10, 200, 90), (244, 0, 95), (1, 120, 212)):
        y = rgb2xyz(np.array(ink, float).reshape(1, 1, 3) / 255)[0, 0, 1]
        assert luminance(ink) == pytest.approx(y, abs=2e-4)
    assert contrast((0, 0, 0), (255, 255, 255)) == pytest.approx(21.0)
    assert contrast((9, 9, 9), (9, 9, 9)) == pytest.approx(1.0)


def test_an_ink_moves_no_further_than_it_must() -> None:
    assert clearer((255, 255, 255), (0, 0, 0), AA) == (255, 255, 255), "clear as it is"
    for ink, ground in (((115, 115, 115), (30, 30, 30)), ((203, 144, 0), (224, 224, 224))):
        clear = clearer(ink, ground, AA)
        assert AA <= contrast(clear, ground) < AA + 0.6
    assert clearer((120, 120, 120), (118, 118, 118), AAA) in ((0, 0, 0), (255, 255, 255)), (
        "where nothing is enough, the most there is"
    )


def test_pictures_borders_and_the_terminals_own_colours_stay_as_they_are() -> None:
    faint = Style.parse("#303030 on #202020")
    line = [
        Segment("▀▀█", faint),
        Segment("╭── ", faint),
        Segment("words", Style.parse("red on default")),
        Segment("bare"),
    ]
    assert Legible().apply(line, Color(0, 0, 0)) == line
    clear = Legible().apply([Segment("█ up to 5 %", faint)], Color(0, 0, 0))
    assert clear[0].style != faint, "words beside a block are words"
