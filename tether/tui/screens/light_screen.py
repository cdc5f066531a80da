"""The light test: film out, the open gate measured, the lamp off for stray light, film back."""

from __future__ import annotations

from collections.abc import Sequence
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
    MOST_EXPOSURES,
    LightResult,
    StrayResult,
    light_lines,
    light_map,
    stray_line,
)
from tether.bench.shutter_loan import DisplacedShutter
from tether.bench.steps import BY_KEY, DEFERRING
from tether.capture.transfer import Progress
from tether.findings import Finding
from tether.findings.about_bench import EVENED_OUT
from tether.measure.light.open_gate import Light, step_down
from tether.session.session import View
from tether.tui.app_context import ScreenContext
from tether.tui.bench_ports import LightTestPort
from tether.tui.keys import Keys, bindings
from tether.tui.screens.bench_screen import BenchScreen
from tether.tui.session_port import SessionPort
from tether.tui.widgets.verdict_panel import STYLES

LAMP_OFF_CAUTION = (
    "A hot lamp stays hot. Dry your hands before you touch a switch, and mind your step in the "
    f"dark. {DEFERRING}"
)
_ROWS, _FEW_ROWS = 8, 4
_LINES_FOR_ALL = 30
_SHADES = "█▓▒░ "
"""From the lightest part down, a shade for each five per cent less; they read without colour."""


class Stage(Enum):
    """Where the walk stands."""

    OUT = "take the film out"
    DARK = "switch the lamp off"
    BACK = "put the film back"


class LightScreen(BenchScreen):
    """Walks through the light test."""

    HEADING = "Light test"
    HELP = (
        "The light without film: how even it is, whether it flickers, its colour, and with the "
        "lamp off what strays in from the room. The open gate is kept as the roll's flat field."
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
                box.border_title = "Light, % of its lightest part"
                box.border_subtitle = "█ up to 5 % less   ▓ 10   ▒ 15   ░ 20"
                yield Static(id="light-map")
            with VerticalScroll(id="light-found") as found:
                found.border_title = "What it shows"
                yield Static(id="light-text")

    async def on_mount(self) -> None:
        """Begin with the film; say when an earlier test has left the shutter elsewhere."""
        self._refresh()
        self.film = await self.test.film_loaded()
        self.left = await self.port.displaced()
        if self.left is not None:
            self.line.say(f"{self.left.sentence()} {self.context.keys['put-back']} puts it back.")
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
        wrong = self.result is not None and not self.result.kept
        step = _step(
            self.stage,
            self.context.keys,
            self.stray is not None,
            strobe=strobe,
            film=self.film,
            wrong=wrong,
        )
        self.put("#light-step", step)
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
        """Measure once more what was measured last: the light was changed."""
        if self.stage is Stage.BACK and self.stray is not None:
            await self._measure_dark()
        else:
            await self._measure()

    @work(group="action")
    async def action_skip(self) -> None:
        """Leave the frame with the lamp off out."""
        self.stage = Stage.BACK
        self.line.say("The stray light was not measured.")
        self._refresh()

    @work(group="action")
    async def action_put_back(self) -> None:
        """Put the shutter back to where it stood before a test that was interrupted."""
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
            self.stage = Stage.DARK if result.kept else Stage.BACK
            untouched = "The shutter was not touched." if result.strobe else ""
            shutter = result.said or untouched or "The shutter is as it was."
            self.line.say(f"{_kept(result, self.context.keys)} {shutter}")
        self._refresh()

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
            self.line.say(f"Kept as bench/{result.shot.file}. {result.said}".strip())
        self._refresh()

    async def _film_back(self) -> None:
        await self.line.attempt(self.test.film_back)
        self.dismiss(None)

    def action_leave(self) -> None:
        """Go back; say first that the film is still out."""
        if self.line.working:
            self.line.say("Still measuring, to its end: then the shutter stands as before.")
            return
        left = ["The film is still out of the gate"] if self.film else []
        if self.stray is not None:
            covered = self.strobe
            left.append(
                "the card may still lie over the gate" if covered else "the lamp may be off"
            )
        if self.stage is not Stage.OUT and left and not self._warned:
            self._warned = True
            said = ", and ".join(left)
            self.line.say(
                f"{said[0].upper()}{said[1:]}. {self.context.keys['back']} once more leaves it so."
            )
            self.app.bell()
            return
        self.dismiss(None)

    async def on_unmount(self) -> None:
        """End the worker, after what it is at."""
        await self.test.close()


def _kept(result: LightResult, keys: Keys) -> str:
    if result.kept and result.uneven:
        kept = "Kept as the roll's flat field, uneven as it is."
        return f"{kept} {EVENED_OUT} Centre the lamp, then [{keys['retry']}]."
    if result.kept:
        return "Kept as the roll's flat field."
    return (
        f"No flat field yet: put right what is said, then [{keys['retry']}]. The picture is kept."
    )


def _step(
    stage: Stage, keys: Keys, dark_known: bool, *, strobe: bool, film: bool, wrong: bool
) -> Text:
    """Say what to do now.

    ``film`` tells whether any had been laid in before the test, ``wrong`` that the light is not
    fit to be kept as it is.
    """
    text = Text()
    if stage is Stage.OUT:
        out = "Take the film out of the gate" if film else "The gate has to be empty, no film in it"
        text.append(f"{out}; leave lamp, holder and camera as they are.\n", "bold")
        text.append(f"! Caution: {BY_KEY['light-even'].warning}\n", "bold yellow")
        exposures = "one exposure" if strobe else f"at most {MOST_EXPOSURES} exposures"
        done = "it is out" if film else "it is empty"
        text.append(f"[{keys['next']}] {done}: measure ({exposures})", "dim")
    elif stage is Stage.DARK:
        text.append("Lay black card over the gate, the room as when you shoot; the strobe may fire."
                    "\n" if strobe else
                    "Switch the lamp off, the room as when you shoot. (A lamp that has to warm up, "
                    "a window: black card over the gate instead.)\n", "bold")  # fmt: skip
        text.append(f"! Caution: {LAMP_OFF_CAUTION}\n", "bold yellow")
        done = "it lies there" if strobe else "it is off"
        text.append(f"[{keys['next']}] {done}: measure   [{keys['skip']}] leave it out   "
                    f"[{keys['retry']}] the light once more", "dim")  # fmt: skip
    else:
        lamp = "Switch the lamp on again" if dark_known else "See that the lamp is on"
        if strobe:
            lamp = "Take the card off the gate" if dark_known else "Leave the light as it is"
        if wrong:
            text.append("Put right what is said below, and measure again: "
                        f"[{keys['retry']}]. ", "bold")  # fmt: skip
            lamp = "Or see that the light is on"
        back = (
            "and put the film back as it lay, the same frame in the gate"
            if film
            else "and leave the gate empty until the film is asked for"
        )
        text.append(f"{lamp}, {back}.\n", "bold")
        again = "after a change to the light"
        if dark_known:
            again = "with the card on it" if strobe else "with the lamp off"
        text.append(f"[{keys['next']}] {'it is back' if film else 'go on'}   "
                    f"[{keys['retry']}] measure again, {again}", "dim")  # fmt: skip
    return text


def _purpose(strobe: bool) -> Text:
    what, how = (
        "how even the lamp is, whether it flickers, its colour",
        "The shutter is set so that the light lies a stop below saturation, and is put back "
        "afterwards.",
    )
    if strobe:
        what, how = (
            "how even the strobe is, and its colour",
            "The shutter is not touched: turn the power so that the light lies about a stop below "
            "saturation; how far it is off is said.",
        )
    return Text(
        f"Bare light shows what the film hides: {what}, and what strays in from the room. {how} "
        "The open gate is kept as the roll's flat field: frames are judged against it, and "
        "positives are evened out by it.",
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
        table.add_row(Text("✓", "bold green"), Text(good, "bold"))
    if stray is not None and not stray.findings:
        table.add_row(Text("✓", "bold green"), Text("Next to no stray light.", "bold"))
    lines = [*light_lines(result), *([stray_line(stray.share)] if stray else [])]
    return Group(table, Text("\n".join(lines)))


def _finding(finding: Finding) -> Sequence[Text]:
    text = Text(finding.text)
    if finding.action:
        text.append(f" {finding.action}", "bold")
    return Text(finding.severity.mark, STYLES[finding.severity]), text
