"""The colours: Textual's own themes and two for eyes and screens that need them.

Nothing is said by a colour alone, in any of them: each colour goes with a mark or a word.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from rich.segment import Segment
from rich.style import Style
from rich.terminal_theme import TerminalTheme
from textual.color import Color
from textual.filter import LineFilter, Monochrome
from textual.theme import Theme

from tether.errors import TetherError
from tether.settings import ScreenSettings, Settings
from tether.tui.terminal.contrast import AA, AAA, Legible

_BLACK, _WHITE = (0, 0, 0), (255, 255, 255)

CONTRAST = Theme(
    name="contrast",
    primary="#FFFFFF",
    secondary="#FFFF00",
    accent="#00FFFF",
    foreground="#FFFFFF",
    background="#000000",
    surface="#000000",
    panel="#000000",
    success="#00FF00",
    warning="#FFFF00",
    error="#FF9090",
    dark=True,
    variables={
        "footer-key-foreground": "#FFFF00",
        "footer-background": "#000000",
        "text-muted": "#FFFFFF",
        "text-disabled": "#FFFFFF",
        "block-cursor-foreground": "#000000",
        "block-cursor-background": "#FFFF00",
        # Bold black is grey in a terminal of sixteen colours.
        "block-cursor-text-style": "none",
        "block-cursor-blurred-background": "#FFFFFF",
        "block-cursor-blurred-foreground": "#000000",
        "input-selection-background": "#0000FF",
        "border-blurred": "#FFFFFF",
        "scrollbar": "#FFFFFF",
        "scrollbar-background": "#303030",
    },
)
"""White and yellow on black: at least 7 to 1 everywhere (WCAG 2.2, success criterion 1.4.6)."""

GREYS = Theme(
    name="greys",
    primary="#C8C8C8",
    secondary="#A0A0A0",
    accent="#FFFFFF",
    foreground="#E8E8E8",
    background="#101010",
    surface="#181818",
    panel="#242424",
    success="#E8E8E8",
    warning="#FFFFFF",
    error="#FFFFFF",
    dark=True,
    variables={
        "footer-key-foreground": "#FFFFFF",
        # Underlined and reversed, and not by a ground alone: a monochrome terminal has only one.
        "block-cursor-foreground": "#000000",
        "block-cursor-background": "#FFFFFF",
        "block-cursor-text-style": "bold underline",
        "block-cursor-blurred-text-style": "underline",
        "input-cursor-foreground": "#FFFFFF",
        "input-cursor-background": "#000000",
        "input-cursor-text-style": "reverse",
    },
)
"""No colour at all, for a monochrome screen; NO_COLOR in the environment chooses it."""

OWN = (CONTRAST, GREYS)

_GREY = (232, 232, 232)
_ANSI = {
    # The sixteen colours that marks and words are written in: black, red, green, yellow, blue,
    # magenta, cyan, white; then the bright ones.
    "contrast": TerminalTheme(
        _BLACK,
        _WHITE,
        [
            _BLACK, (255, 144, 144), (0, 255, 0), (255, 255, 0), (144, 192, 255),
            (255, 144, 255), (0, 255, 255), _WHITE,
        ],
    ),
    "greys": TerminalTheme(_BLACK, _GREY, [_BLACK, *[_WHITE] * 3, *[_GREY] * 4]),
}  # fmt: skip


def ansi_of(theme: str) -> TerminalTheme | None:
    """Return what the sixteen colours are in a theme of our own, None for Textual's."""
    return _ANSI.get(theme)


def filters_of(theme: str) -> Sequence[LineFilter]:
    """Return what is done to all that is drawn in a theme of our own."""
    return _FILTERS.get(theme, ())


def legible_in(theme: str) -> Legible:
    """Return what makes all words clear in a theme, once its colours are settled."""
    return _ENHANCED if theme == CONTRAST.name else _LEGIBLE


class Undimmed(LineFilter):
    """Writes what is dim elsewhere as clearly as all the rest."""

    def apply(self, segments: list[Segment], background: Color) -> list[Segment]:  # noqa: ARG002
        """Take the dimness out of a line."""
        plain = Style(dim=False)
        return [
            Segment(text, style + plain if style and style.dim else style, control)
            for text, style, control in segments
        ]


# Made once: what they have done to a line is remembered with the line, by filter.
_FILTERS: dict[str, Sequence[LineFilter]] = {
    CONTRAST.name: (Undimmed(),),
    GREYS.name: (Monochrome(),),
}
_LEGIBLE, _ENHANCED = Legible(AA), Legible(AAA)


def fitting(settings: Settings, colours: str | None) -> Settings:
    """Choose a theme for a terminal of sixteen colours, unless the settings name one.

    Of most themes such a terminal makes grey on grey. ``colours`` is what Rich says of it.
    """
    if colours != "standard" or settings.screen != ScreenSettings():
        return settings
    return replace(settings, screen=replace(settings.screen, theme=CONTRAST.name))


def checked(theme: str, known: Sequence[str]) -> str:
    """Return the name of a theme that there is.

    Raises
    ------
    TetherError
        When there is none of that name.
    """
    if theme in known:
        return theme
    raise TetherError(
        f"In the settings: [screen] theme is '{theme}', which is no theme. "
        f"Known: {', '.join(sorted(known))}.",
        kept="Nothing was changed.",
        todo="Mend the file and start again.",
    )
