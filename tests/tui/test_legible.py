"""Words can be read in every theme that is offered: measured on what is drawn.

The measure is that of the Web Content Accessibility Guidelines (WCAG) 2.2, W3C Recommendation:
"relative luminance" and "contrast ratio" in its definitions, success criteria 1.4.3 and 1.4.6.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any, ClassVar

import numpy as np
import pytest
from rich.text import Text
from skimage.color import rgb2xyz
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import VerticalScroll
from textual.screen import Screen
from textual.theme import BUILTIN_THEMES
from textual.widgets import Button, Input, OptionList, Static

from tests.tui.piloting import Bare
from tether.settings import ScreenSettings, Settings
from tether.tui.keys import EVERYWHERE
from tether.tui.terminal.themes import CONTRAST, OFFERED
from tether.tui.widgets.bench_form import Tick
from tether.tui.widgets.key_line import KeyLine

Inks = tuple[int, int, int]
AA, AAA = 4.5, 7.0
"""Least contrast of text: success criteria 1.4.3 (minimum) and 1.4.6 (enhanced)."""


def luminance(ink: Inks) -> float:
    """Relative luminance of an sRGB colour of 0..255 a channel, 0..1."""
    red, green, blue = (
        v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in (p / 255 for p in ink)
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: Inks, other: Inks) -> float:
    """Contrast ratio of two colours, 1..21."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


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
        yield Static(Text("1/60  f/8"), id="camera")
        yield Input(placeholder="for example this", id="name", compact=True)
        yield Input("in words", type="integer", compact=True)
        yield Tick("ticked", True, compact=True)
        yield OptionList("marked", "another", compact=True)
        yield Button("Begin", variant="primary", compact=True)
        yield KeyLine()


class Host(Bare):
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


@pytest.mark.parametrize("theme", OFFERED)
async def test_all_words_have_contrast_in_every_theme_also_where_they_have_the_focus(
    theme: str,
) -> None:
    app = Host(Settings(screen=ScreenSettings(theme=theme)))
    async with app.run_test(size=(80, 26)) as pilot:
        least = AAA if theme == CONTRAST.name else AA
        for _ in range(5):
            await pilot.press("tab")
            await pilot.pause()
            seen = dict(words_drawn(app.screen))
            assert {"Title of a panel", "written dim"} <= {text.strip() for text in seen}
            low = {t: round(ratio, 2) for t, ratio in seen.items() if ratio < least}
            assert not low


async def test_a_theme_that_is_hard_to_read_is_not_offered() -> None:
    """The measure tells them apart: those of Textual's that are left out would fail."""
    app = Host(Settings())
    async with app.run_test(size=(80, 26)) as pilot:
        assert list(app.available_themes) == list(OFFERED)
        assert "solarized-light" not in OFFERED
        app.register_theme(replace(BUILTIN_THEMES["solarized-light"], name="monokai"))
        app.theme = "monokai"
        await pilot.pause()
        assert min(ratio for _, ratio in words_drawn(app.screen)) < AA


def test_luminance_is_the_y_of_a_reference_and_contrast_has_the_standards_ends() -> None:
    """scikit-image's sRGB to XYZ (IEC 61966-2-1); WCAG 2.2 says 1 to 21."""
    for ink in ((0, 0, 0), (255, 255, 255), (10, 200, 90), (244, 0, 95), (1, 120, 212)):
        y = rgb2xyz(np.array(ink, float).reshape(1, 1, 3) / 255)[0, 0, 1]
        assert luminance(ink) == pytest.approx(y, abs=2e-4)
    assert contrast((0, 0, 0), (255, 255, 255)) == pytest.approx(21.0)
    assert contrast((9, 9, 9), (9, 9, 9)) == pytest.approx(1.0)
