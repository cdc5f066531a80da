"""The light test: film out, the open gate measured, the lamp off for stray light, film back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from enum import Enum
from typing import ClassVar

from rich.console import Group
from rich.table import Table
from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container, VerticalScroll
from textual.widgets import Static

from tether.bench.light_test import (
    DOUBTFUL,
    MOST_EXPOSURES,
    LightResult,
    StrayResult,
    light_lines,
    light_map,
    stray_line,
)
from tether.bench.shutter_loan import DisplacedShutter
from tether.bench.steps import BY_KEY
from tether.capture.transfer import Progress
from tether.findings import Finding, Verdict
from tether.findings.about_bench import EVENED_OUT
from tether.measure.light.open_gate import Light, step_down
from tether.session.session import View
from tether.text import printable
from tether.tui.app_context import ScreenContext
from tether.tui.bench_ports import LightTestPort
from tether.tui.keys import bindings
from tether.tui.screens.bench_screen import BenchScreen
from tether.tui.screens.dialogs import Pick
from tether.tui.session_port import SessionPort
from tether.tui.widgets.caution import caution
from tether.tui.widgets.verdict_panel import STYLES

LAMP_OFF_CAUTION = (
    "A hot lamp stays hot. Dry your hands before you touch plugs or switches. Mind your step in "
    "the dark."
)
_ROWS, _FEW_ROWS = 8, 4
_LINES_FOR_ALL = 30
_SHADES = "█▓▒░ "
"""From the brightest part down, a shade for each 5 % less; they read without colour."""


class Stage(Enum):
    """The stage of the screen."""

    OUT = "take the film out"
    DARK = "switch the lamp off"
    BACK = "put the film back"


class LightScreen(BenchScreen):
    """Goes through the light test."""

    HEADING = "Light test"
    HELP = (
        "Measures the open gate, which is the light without film: how even it is, its colour, "
        "whether it flickers. With the lamp off it measures the stray light of the room. The roll "
        "keeps the open gate as its flat field."
    )
    BINDINGS: ClassVar[list[BindingType]] = bindings("light test")

    def __init__(self, context: ScreenContext, port: SessionPort, view: View) -> None:
        super().__init__(context, port, view)
        self.test = LightTestPort(port)
        self.strobe = view.strobe
        self.stage = Stage.OUT
        self.result: LightResult | None = None
        self.stray: StrayResult | None = None
        self.left: DisplacedShutter | None = None
        self.film = True
        self._warned = False
        self._asked_ev = 0.0
        """Stops by which the person was asked to turn a strobe's power."""

    def body(self) -> ComposeResult:
        """Lay out the step, the map and the figures."""
        yield Static(id="light-step")
        with Container(id="light"):
            with Container(id="light-map-box") as box:
                box.border_title = "Light, % of the brightest part"
                box.border_subtitle = "█ up to 5 % less   ▓ 10   ▒ 15   ░ 20"
                yield Static(id="light-map")
            with VerticalScroll(id="light-found") as found:
                found.border_title = "Result"
                yield Static(id="light-text")

    async def on_mount(self) -> None:
        """Begin with the film; say when an earlier test has left the shutter elsewhere."""
        self._refresh()
        self.film = await self.test.film_loaded()
        self.left = await self.port.displaced()
        if self.left is not None:
            self.line.say(f"{self.left.sentence()} {{put-back}} sets it back.")
        self._refresh()

    def check_action(self, action: str, _parameters: tuple[object, ...]) -> bool | None:
        """Offer what fits the stage: nothing is measured again with the film in."""
        fits = {
            "measure": self.stage is not Stage.OUT,
            "skip": self.stage is Stage.DARK,
            "put_back": self.left is not None,
        }
        return fits.get(action, True)

    def _refresh(self) -> None:
        strobe = self.strobe
        wrong = self.result is not None and not self.result.has_gate
        dark = self.stray is not None
        step, how = _step(self.stage, dark, strobe=strobe, film=self.film, wrong=wrong)
        self.put("#light-step", step.append(self.keys.put_into(how), "dim"))
        for box in self.query("#light-map-box"):
            # A saturated gate shows nothing of how even the light is.
            box.display = self.result is not None and not self.result.light.saturated
        for box in self.query("#light-map-box"):
            box.styles.height = None if self._roomy else _FEW_ROWS + 2
        rows = _ROWS if self._roomy else _FEW_ROWS
        self.put("#light-map", map_text(self.result.light, rows) if self.result else "")
        shown = found_view(self.result, self.stray) if self.result else _purpose(strobe)
        self.put("#light-text", shown)
        self.refresh_bindings()

    @property
    def _roomy(self) -> bool:
        """Whether the map can have all its rows and the figures still be seen."""
        return self.size.height >= _LINES_FOR_ALL

    def on_resize(self) -> None:
        """Draw the map with the rows that there is room for."""
        self._refresh()

    def _report(self, number: int, progress: Progress) -> None:
        most = "" if self.strobe else f" {number} of at most {MOST_EXPOSURES}"
        self.line.report(progress, f"Exposure{most}")

    def _report_stray(self, _number: int, progress: Progress) -> None:
        self.line.report(progress, "Lamp off")

    @work(group="action")
    async def action_proceed(self) -> None:
        """Do what comes next: measure the light, the dark, or leave with the film back in place."""
        if self.stage is Stage.OUT:
            await self._measure()
        elif self.stage is Stage.DARK:
            await self._measure_dark()
        else:
            await self._film_back()

    @work(group="action")
    async def action_measure(self) -> None:
        """Measure again after a change: the stray light alone where the open gate is kept."""
        kept = self.result is not None and self.result.kept
        if self.stage is Stage.BACK and self.stray is not None and kept:
            await self._measure_dark()
        else:
            await self._measure()

    @work(group="action")
    async def action_skip(self) -> None:
        """Leave the frame with the lamp off out."""
        self.stage = Stage.BACK
        self.line.say("Stray light: not measured.")
        self._refresh()

    @work(group="action")
    async def action_put_back(self) -> None:
        """Set the shutter as it was before a test that was interrupted."""
        if self.left is None:
            return
        said = await self.line.attempt(self.port.put_shutter_back)
        if said is not None:
            self.left = None
            self.line.say(said)
        self._refresh()

    async def _measure(self) -> None:
        if self.line.refused():
            return
        self._warned = False
        self.stage = Stage.BACK
        # Once, also where the picture that follows fails.
        turned_ev, self._asked_ev = self._asked_ev, 0.0
        result = await self.line.attempt(
            lambda: self.test.measure(self._report, turned_ev), "Photographing the open gate …"
        )
        if result is not None:
            self.result, self.stray = result, None
            self._asked_ev = self._power_off(result)
            if result.doubtful:
                self._refresh()
                result = self.result = await self._which(result)
            self.stage = Stage.DARK if result.has_gate else Stage.BACK
            untouched = "The shutter was not changed." if result.strobe else ""
            shutter = result.said or untouched or "The shutter is back where it was."
            self.line.say(f"{_kept(result)} {shutter}")
        self._refresh()

    async def _which(self, result: LightResult) -> LightResult:
        """Ask which open gate is in force from here on; Escape takes the new one."""
        wrong = " ".join(f.text for f in result.findings if f.code in DOUBTFUL)
        choice = await self.app.push_screen_wait(
            Pick(
                f"{wrong} Which open gate corrects the frames from here on?",
                [
                    ("new", "The new one, as it is"),
                    ("old", f"The old one, taken {_when(result.older)}"),
                ],
            )
        )
        if choice != "old":
            return result
        kept = await self.line.attempt(lambda: self.test.keep_older(result))
        return kept or result

    def _power_off(self, result: LightResult) -> float:
        """Return by how many stops a strobe's power is off, 0.0 for nothing."""
        if not result.strobe:
            return 0.0
        if result.light.saturated:
            settings = self.context.settings
            return step_down(settings.light, settings.exposure, settings.bench)
        return next((f.value or 0.0 for f in result.findings if f.code == "strobe-power"), 0.0)

    async def _measure_dark(self) -> None:
        gate = self.result
        if gate is None:
            return
        if self.line.refused():
            return
        result = await self.line.attempt(
            lambda: self.test.measure_dark(gate, self._report_stray),
            "Photographing the gate with the lamp off …",
        )
        if result is not None:
            self.stray, self.stage = result, Stage.BACK
            self.result = replace(gate, kept=gate.kept and not result.gate_dropped)
            self.line.say(f"Test shot stored as bench/{result.shot.file}. {result.said}".strip())
        self._refresh()

    async def _film_back(self) -> None:
        await self.line.attempt(self.test.film_back)
        self.dismiss(self.result is not None and self.result.has_gate)

    def action_leave(self) -> None:
        """Go back; say first that the film is still out."""
        if self.line.waits_for_camera:
            self.port.give_up_camera()
            return
        if self.line.working:
            self.line.say("Finishing the measurement; then the shutter goes back.")
            return
        left = ["the film is still out of the gate"] if self.film else []
        if self.stray is not None:
            covered = self.strobe
            left.append(
                "the card may still lie over the gate" if covered else "the lamp may be off"
            )
        if self.stage is not Stage.OUT and left and not self._warned:
            self._warned = True
            self.line.say(f"Note: {', and '.join(left)}. {{back}} again leaves it so.")
            self.app.bell()
            return
        self.dismiss(False)

    async def on_unmount(self) -> None:
        """End the worker, after what it is at."""
        await self.test.close()


def _when(taken_at: str) -> str:
    try:
        return f"{datetime.fromisoformat(taken_at).astimezone():%Y-%m-%d %H:%M}"
    except ValueError:
        return printable(taken_at, 40)


def _kept(result: LightResult) -> str:
    if result.older_stays:
        return f"The open gate of {_when(result.older)} stays in force."
    if result.kept and result.uneven:
        return f"Kept as flat field, although uneven. {EVENED_OUT} Centre the lamp, then {{retry}}."
    if result.kept:
        return "Kept as the roll's flat field."
    return "No flat field yet. Correct the light as shown, then {retry}. The test shot is stored."


def _step(
    stage: Stage, dark_known: bool, *, strobe: bool, film: bool, wrong: bool
) -> tuple[Text, str]:
    """Say what to do now; return that, and the keys by their ids.

    ``film`` tells whether a strip was in the holder before the test, ``wrong`` that the light is
    not fit to be kept.
    """
    text = Text()
    if stage is Stage.OUT:
        out = "Take the film out of the gate" if film else "Leave the gate empty"
        text.append(f"{out}. Leave lamp, holder and camera as they are.\n", "bold")
        text.append_text(caution(BY_KEY["light-even"].caution))
        exposures = "1 exposure" if strobe else f"at most {MOST_EXPOSURES} exposures"
        return text, f"[{{next}}] the gate is empty: measure ({exposures})"
    if stage is Stage.DARK:
        text.append(
            "Put black card over the gate, and leave the room as dark as for shooting. The strobe "
            "may fire.\n"
            if strobe
            else "Switch the lamp off. Leave the room as dark as for shooting. (Slow lamp or "
            "window light: cover the gate with black card instead.)\n",
            "bold",
        )
        text.append_text(caution(LAMP_OFF_CAUTION))
        done = "it is covered" if strobe else "it is off"
        return (
            text,
            f"[{{next}}] {done}: measure   [{{skip-dark}}] skip   [{{retry}}] measure the light "
            "again",
        )
    if strobe:
        lamp = "Take the card off the gate" if dark_known else "Leave the light as it is"
    else:
        lamp = "Switch the lamp on again" if dark_known else "Check that the lamp is on"
    back = (
        "put the film back, the same frame in the gate"
        if film
        else "leave the gate empty until the program asks for the film"
    )
    if wrong:
        text.append("Correct the light as shown below, and measure again.\n", "bold")
        text.append(f"Or go back: {lamp.lower()}, and {back}.\n")
    else:
        text.append(f"{lamp}, and {back}.\n", "bold")
    again = " after a change to the light"
    if dark_known:
        again = " with the card on it" if strobe else " with the lamp off"
    done = "it is back" if film else "continue"
    return text, f"[{{next}}] {done}   [{{retry}}] measure again{again}"


def _purpose(strobe: bool) -> Text:
    what, how = (
        "how even the lamp is, whether it flickers, its colour",
        "The program sets the shutter so that the light is a stop below clipping, and sets it back "
        "afterwards.",
    )
    if strobe:
        what, how = (
            "how even the strobe is, its colour",
            "The program leaves the shutter alone. Turn the power so that the light is about a "
            "stop below clipping; the result says by how much.",
        )
    return Text(
        f"The open gate shows what film hides: {what}, and stray light from the room. {how} The "
        "roll keeps the open gate as its flat field: the verdicts and the positives use it.",
        "dim",
    )


def map_text(light: Light, rows: int = _ROWS) -> Text:
    """Draw the light's pattern as numbers with a shade each, as the camera's display shows it."""
    text = Text()
    for row in light_map(light, rows):
        text.append("".join(_cell(value) for value in row).rstrip() + "\n")
    return text


def _cell(value: int | None) -> str:
    if value is None:
        return "   - "
    shade = _SHADES[min((100 - value) // 5, len(_SHADES) - 1)]
    return f"{value:>3}{shade} "


def found_view(result: LightResult, stray: StrayResult | None = None) -> Group:
    """Lay out the figures and what to change."""
    table = Table.grid(padding=(0, 1))
    found = [*result.findings, *(stray.findings if stray else ())]
    for finding in found:
        table.add_row(*_finding(finding))
    if not result.findings:
        good = "The light is even." if result.strobe else "The light is even and steady."
        table.add_row(Text(Verdict.KEEP.mark, "bold green"), Text(good, "bold"))
    if stray is not None and not stray.findings:
        table.add_row(
            Text(Verdict.KEEP.mark, "bold green"), Text("Stray light: negligible.", "bold")
        )
    lines = [*light_lines(result), *([stray_line(stray.share)] if stray else [])]
    return Group(table, Text("\n".join(lines)))


def _finding(finding: Finding) -> Sequence[Text]:
    text = Text(finding.text)
    if finding.action:
        text.append(f" {finding.action}", "bold")
    return Text(finding.severity.mark, STYLES[finding.severity]), text
