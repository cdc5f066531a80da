"""The screens that ready the bench, by name."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from tether.session.session import View
from tether.tui.app_context import ScreenContext
from tether.tui.session_port import SessionPort

if TYPE_CHECKING:
    from tether.tui.screens.bench_screen import BenchScreen


def screen_of(name: str) -> Callable[[ScreenContext, SessionPort, View], BenchScreen]:
    """Return what makes the screen; what it measures with is loaded now and not at the start."""
    if name == "camera-check":
        from tether.tui.screens.check_screen import CheckScreen

        return CheckScreen
    if name == "focus":
        from tether.tui.screens.focus_screen import FocusScreen

        return FocusScreen
    if name == "hands-free":
        from tether.tui.screens.hands_free_screen import HandsFreeScreen

        return HandsFreeScreen
    if name == "base-exposure":
        from tether.tui.screens.base_screen import BaseScreen

        return BaseScreen
    from tether.tui.screens.light_screen import LightScreen

    return LightScreen
