"""The colours: those of Textual's themes that are read with ease, and two of our own.

None of them says anything by a colour alone: each colour goes with a mark or a word. All words
have a contrast of 4.5 to 1 or more with their ground, in ``contrast`` of 7 to 1 (WCAG 2.2, success
criteria 1.4.3 and 1.4.6); the tests measure it on what is drawn.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from rich.terminal_theme import TerminalTheme
from textual.color import Color
from textual.filter import DimFilter, LineFilter, Monochrome
from textual.theme import Theme

from tether.settings import ScreenSettings, Settings

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

OFFERED = (
    "textual-dark", "textual-light", "contrast", "greys", "catppuccin-macchiato",
    "catppuccin-mocha", "dracula", "flexoki", "gruvbox", "monokai", "nord", "rose-pine",
    "rose-pine-moon",
)  # fmt: skip
"""Names of the themes that can be chosen. Textual has more, where some words are hard to read."""

_GREY = (232, 232, 232)
# The sixteen colours that marks and words are written in: black, red, green, yellow, blue,
# magenta, cyan, white; the bright ones are the same.
DARK = TerminalTheme(
    (18, 18, 18),
    (224, 224, 224),
    [
        _BLACK, (255, 144, 144), (112, 208, 112), (224, 192, 80), (144, 184, 255), (224, 144, 224),
        (96, 208, 208), (224, 224, 224),
    ],
)  # fmt: skip
LIGHT = TerminalTheme(
    _WHITE,
    _BLACK,
    [
        _BLACK, (160, 0, 0), (0, 88, 0), (104, 72, 0), (0, 48, 160), (128, 0, 128), (0, 80, 88),
        (32, 32, 32),
    ],
)  # fmt: skip
_ANSI = {
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


def sixteen(theme: Theme) -> TerminalTheme:
    """Return what the sixteen colours are in a theme."""
    return _ANSI.get(theme.name, DARK if theme.dark else LIGHT)


# Made once: what they have done to a line is remembered with the line, by filter.
_SOFTER, _NOT_DIMMED, _NO_COLOUR = DimFilter(0.75), DimFilter(1.0), Monochrome()


def filtered(theme: str, filters: Sequence[LineFilter]) -> list[LineFilter]:
    """Return what is done to all that is drawn: dim words stay clear, greys have no colour."""
    dim = _NOT_DIMMED if theme == CONTRAST.name else _SOFTER
    ours = [dim if isinstance(one, DimFilter) else one for one in filters]
    return [*ours, _NO_COLOUR] if theme == GREYS.name else ours


def legible(theme: Theme, variables: Mapping[str, str]) -> dict[str, str]:
    """Return a theme's colours with those of Textual's that are hard to read made clear."""
    ink, ground = variables["foreground"], variables["background"]
    soft, faint = (Color.parse(ground).blend(Color.parse(ink), share).hex for share in (0.8, 0.2))
    return {
        **variables,
        "text-muted": soft,
        "text-disabled": soft,
        "footer-key-foreground": ink,
        "footer-description-foreground": ink,
        "block-cursor-foreground": ground,
        "block-cursor-background": ink,
        "block-cursor-blurred-foreground": ink,
        "block-cursor-blurred-background": faint,
        **(theme.variables if theme in OWN else {}),
    }


def fitting(settings: Settings, colours: str | None) -> Settings:
    """Choose a theme for a terminal of sixteen colours, unless the settings name one.

    Of most themes such a terminal makes grey on grey. ``colours`` is what Rich says of it.
    """
    if colours != "standard" or settings.screen != ScreenSettings():
        return settings
    return replace(settings, screen=replace(settings.screen, theme=CONTRAST.name))
