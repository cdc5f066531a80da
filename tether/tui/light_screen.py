"""The light test: film out, the open gate photographed and measured, film back."""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum
from typing import ClassVar

from rich.console import Group
from rich.table import Table
from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Container, VerticalScroll
from textual.widgets import Static

from tether.measure.light import Light
from tether.measure.verdict import Finding, Severity
from tether.session.checklist import BY_KEY
from tether.session.delivery import Progress
from tether.session.light_test import (
    MOST_EXPOSURES,
    LightResult,
    LightTest,
    light_lines,
    light_map,
)
from tether.session.session import Session
from tether.tui.bench_screen import BenchScreen

_MARKS = {Severity.RESHOOT: "✗", Severity.LOOK: "!", Severity.NOTE: "-"}
_STYLES = {Severity.RESHOOT: "bold red", Severity.LOOK: "bold yellow", Severity.NOTE: "dim"}
_PHASES = {
    "fire": "firing",
    "fetch": "fetching the picture",
    "file": "writing it",
    "judge": "measuring",
}
_SHADES = "█▓▒░ "
"""From the lightest part down, a shade for each five per cent less; they read without colour."""


class Stage(Enum):
    """Where the walk stands."""

    OUT = "take the film out"
    BACK = "put the film back"


class LightScreen(BenchScreen):
    """Walks through the light test."""

    HEADING = "Light test"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "proceed", "Next"),
        Binding("r", "measure", "Measure again"),
        Binding("down", "scroll(1)", "Down", show=False),
        Binding("up", "scroll(-1)", "Up", show=False),
    ]

    def __init__(self, session: Session) -> None:
        super().__init__(session)
        self.test = LightTest(session)
        self.stage = Stage.OUT
        self.result: LightResult | None = None
        self._doing = ""
        self._warned = False

    def body(self) -> ComposeResult:
        """Lay out the step, the map and the figures."""
        yield Static(id="light-step")
        with Container(id="light"):
            with Container(id="light-map-box") as box:
                box.border_title = "Light, % of its lightest part"
                box.border_subtitle = "█ up to 5 % less   ▓ 10   ▒ 15   ░ 20"
                yield Static(id="light-map")
            with VerticalScroll(id="light-found", can_focus=False) as found:
                found.border_title = "What it shows"
                yield Static(id="light-text")

    def on_mount(self) -> None:
        """Begin with the film."""
        self._refresh()
        self.set_interval(0.1, self._show_progress)

    def check_action(self, action: str, _parameters: tuple[object, ...]) -> bool | None:
        """Measure again only while the film is out."""
        return action != "measure" or self.stage is Stage.BACK

    def _refresh(self) -> None:
        self.put("#light-step", _step(self.stage))
        for box in self.query("#light-map-box"):
            box.display = self.result is not None
        self.put("#light-map", map_text(self.result.light) if self.result else "")
        self.put("#light-text", found_view(self.result) if self.result else _purpose())
        self.refresh_bindings()

    def _show_progress(self) -> None:
        if self.working and self._doing:
            self.say(self._doing)

    def _report(self, number: int, progress: Progress) -> None:
        # Called on the session's thread: one reference is replaced, the screen reads it later.
        what = _PHASES.get(progress.phase, progress.phase)
        self._doing = f"Exposure {number} of at most {MOST_EXPOSURES}: {what} …"

    @work(group="action")
    async def action_proceed(self) -> None:
        """Do what comes next: measure the open gate, or leave with the film back in place."""
        if self.stage is Stage.OUT:
            await self._measure()
            return
        hand = self.tether.given.hand
        if hand is not None:
            await self.attempt(hand.put_back)
        self.dismiss(None)

    @work(group="action")
    async def action_measure(self) -> None:
        """Measure once more: the lamp was moved, or the light changed."""
        await self._measure()

    async def _measure(self) -> None:
        if self.working:
            self.say("Still at work on the last key; this one was not taken.")
            return
        hand = self.tether.given.hand
        self._warned = False
        self._doing = "Photographing the open gate …"

        def run() -> LightResult:
            if hand is not None:
                hand.open_gate()
            return self.test.run(self._report)

        self.stage = Stage.BACK
        result = await self.attempt(run, self._doing)
        self._doing = ""
        if result is not None:
            self.result = result
            after = result.said or "The shutter is as it was."
            self.say(f"Kept as bench/{result.file.name}, of no frame. {after}")
        self._refresh()

    def action_scroll(self, by: int) -> None:
        """Scroll what was found."""
        self.query_one("#light-found").scroll_relative(y=by, animate=False)

    def action_leave(self) -> None:
        """Go back; say first that the film is still out."""
        if self.working:
            self.say("Still measuring, to its end: then the shutter stands as before.")
            return
        if self.stage is Stage.BACK and not self._warned:
            self._warned = True
            self.say("The film is still out of the gate. Esc once more leaves it so.")
            self.app.bell()
            return
        self.dismiss(None)

    async def on_unmount(self) -> None:
        """End the worker, after what it is at."""
        await self.tether.desk.do(self.test.close)


def _step(stage: Stage) -> Text:
    text = Text()
    if stage is Stage.OUT:
        text.append("Take the film out of the gate; leave lamp, holder and camera as they are.\n",
                    "bold")  # fmt: skip
        text.append(f"! Caution: {BY_KEY['light-even'].caution} Local rules and qualified people "
                    "come first.\n", "bold yellow")  # fmt: skip
        text.append(f"[Enter] it is out: measure (at most {MOST_EXPOSURES} exposures)", "dim")
    else:
        text.append("Put the film back as it lay, the same frame in the gate.\n", "bold")
        text.append("[Enter] it is back   [R] measure again, after a change to the light", "dim")
    return text


def _purpose() -> Text:
    return Text(
        "Bare light shows what the film hides: how even the lamp is, whether it flickers, and its "
        "colour. The shutter is set so that the light lies a stop below saturation, and is put "
        "back afterwards.",
        "dim",
    )


def map_text(light: Light) -> Text:
    """Draw the light's pattern as numbers with a shade each, as the camera's display shows it."""
    text = Text()
    for row in light_map(light):
        text.append("".join(_cell(value) for value in row).rstrip() + "\n")
    return text


def _cell(value: int | None) -> str:
    if value is None:
        return "   - "
    shade = _SHADES[min((100 - value) // 5, len(_SHADES) - 1)]
    return f"{value:>3}{shade} "


def found_view(result: LightResult) -> Group:
    """Lay out the figures and what to change."""
    table = Table.grid(padding=(0, 1))
    for finding in result.findings:
        table.add_row(*_finding(finding))
    if not result.findings:
        table.add_row(Text("✓", "bold green"), Text("The light is even and steady.", "bold"))
    return Group(table, Text("\n".join(light_lines(result))))


def _finding(finding: Finding) -> Sequence[Text]:
    text = Text(finding.text)
    if finding.action:
        text.append(f" {finding.action}", "bold")
    return Text(_MARKS[finding.severity], _STYLES[finding.severity]), text
