"""Base exposure: clear film in the gate, a shot, the shutter with consent, a shot to check."""

from __future__ import annotations

from enum import Enum
from typing import ClassVar

from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import VerticalScroll
from textual.widgets import Static

from tether.bench.base_exposure import MOST_SHOTS, BaseResult, base_line
from tether.capture.transfer import Progress
from tether.findings import Severity, Verdict
from tether.findings.about_exposure import turn_power
from tether.session.session import View
from tether.text import plural, printable
from tether.tui.app_context import ScreenContext
from tether.tui.bench_ports import BaseExposurePort
from tether.tui.keys import Keys, bindings
from tether.tui.screens.bench_screen import BenchScreen
from tether.tui.session_port import SessionPort

_LOWEST_EV = -6.0
_STEP_EV = 0.25


class Stage(Enum):
    """The stage of the screen."""

    FILM = "clear film into the gate"
    SET = "set the shutter"
    POWER = "turn the strobe's power"
    DONE = "done"


class BaseScreen(BenchScreen):
    """Goes through the base exposure."""

    HEADING = "Base exposure"
    HELP = (
        "Sets the shutter for this roll on its clear film: blank film, a leader, or the rebate "
        "beside a frame. For transparencies it uses the brightest picture. It sets the camera's "
        "nearest shutter time when you agree, and checks it with another shot. With a strobe it "
        "says by how many stops to turn the power, and leaves the shutter alone."
    )
    BINDINGS: ClassVar[list[BindingType]] = bindings("base exposure")

    def __init__(self, context: ScreenContext, port: SessionPort, view: View) -> None:
        super().__init__(context, port, view)
        self.calibration = BaseExposurePort(port)
        self.negative = view.roll.process.is_negative
        self.stage = Stage.FILM
        self.results: list[BaseResult] = []
        self._moved = False
        self._asked_ev = 0.0
        """Stops by which the person was asked to turn a strobe's power."""

    def body(self) -> ComposeResult:
        """Lay out the step and what the shots showed."""
        yield Static(id="base-step")
        with VerticalScroll(id="base-found") as found:
            found.border_title = "Test shots"
            yield Static(id="base-text")

    def on_mount(self) -> None:
        """Begin with the film."""
        self._refresh()

    def check_action(self, action: str, _parameters: tuple[object, ...]) -> bool | None:
        """Offer what fits the stage."""
        if action == "frame":
            # Of transparencies a frame is what is measured anyway.
            return self.stage is Stage.FILM and self.negative
        if action == "anew":
            return bool(self.results)
        return True

    def _refresh(self) -> None:
        result = self.results[-1] if self.results else None
        step = step_text(self.stage, result, negative=self.negative, keys=self.keys)
        self.put("#base-step", step)
        limits = self.context.settings.exposure
        target, tolerance = limits.base_target_ev, limits.base_tolerance_ev
        shown = _purpose(target, negative=self.negative)
        if self.results:
            shown = shots_text(self.results, target, tolerance)
        self.put("#base-text", shown)
        self.refresh_bindings()

    def _report(self, number: int, progress: Progress) -> None:
        self.line.report(progress, f"Shot {number} of at most {MOST_SHOTS}")

    @work(group="action")
    async def action_proceed(self) -> None:
        """Do what comes next."""
        if self.stage is Stage.FILM:
            await self._shoot(blank=self.negative)
        elif self.stage is Stage.SET:
            await self._set_and_check()
        elif self.stage is Stage.POWER:
            await self._shoot(blank=False, turned=True)
        else:
            await self._leave(done=self.results[-1].seen.seen.usable)

    @work(group="action")
    async def action_frame(self) -> None:
        """Measure on the frame in the gate."""
        await self._shoot(blank=False)

    @work(group="action")
    async def action_anew(self) -> None:
        """Begin again."""
        if self.line.refused():
            return
        await self.calibration.begin_anew()
        self.results, self.stage = [], Stage.FILM
        self.line.say(f"Started again, with {MOST_SHOTS} shots.")
        self._refresh()

    async def _shoot(self, *, blank: bool, turned: bool = False) -> None:
        if self.line.refused():
            return
        clear = "clear film" if self.negative else "brightest picture"
        turned_ev = 0.0
        if turned:  # once, also where the picture that follows fails
            turned_ev, self._asked_ev = self._asked_ev, 0.0
        result = await self.line.attempt(
            lambda: self.calibration.shoot(self._report, blank=blank, turned_ev=turned_ev),
            f"Photographing the {clear} …",
        )
        self._moved = self._moved or blank
        if result is not None:
            self.results.append(result)
            self._asked_ev = result.off_ev or 0.0
            self.stage = _stage_after(result)
            self.line.say(f"Test shot stored as bench/{result.shot.file}.")
        self._refresh()

    async def _set_and_check(self) -> None:
        result = self.results[-1]
        if result.can_set:
            now_set = await self.line.attempt(self.calibration.set_wanted, "Setting the shutter …")
            if now_set is None:
                return
        if result.shots >= MOST_SHOTS:
            self.stage = Stage.DONE
            self.line.say("Set but not checked. The first frame's verdict will show.")
            self._refresh()
            return
        await self._shoot(blank=False)

    async def _leave(self, *, done: bool = False) -> None:
        if self._moved:
            await self.line.attempt(self.calibration.film_back)
        self.dismiss(done)

    def action_leave(self) -> None:
        """Go back; what is set stays set, what was seen is kept."""
        if self.line.waits_for_camera:
            self.port.give_up_camera()
        elif self.line.working:
            self.line.say("Finishing the measurement.")
        else:
            self.run_worker(self._leave(), group="action")

    async def on_unmount(self) -> None:
        """End the worker, after what it is at."""
        await self.calibration.close()


def _stage_after(result: BaseResult) -> Stage:
    if not result.seen.seen.usable:
        return Stage.DONE if result.last else Stage.FILM
    if result.strobe and not result.last:
        return Stage.POWER
    return Stage.SET if result.wanted is not None else Stage.DONE


def step_text(stage: Stage, result: BaseResult | None, *, negative: bool, keys: Keys) -> Text:
    """Say what to do now."""
    what, how, more = _step(stage, result, negative=negative)
    text = Text(f"{what}\n", "bold")
    text.append(f"{more}\n" if more else "")
    return text.append(keys.put_into(how), "dim")


def _step(stage: Stage, result: BaseResult | None, *, negative: bool) -> tuple[str, str, str]:
    """Return what to do, the keys by their ids, and what else to know."""
    if stage is Stage.FILM:
        again = "Try another place. " if result is not None else ""
        if negative:
            return (
                f"{again}Put clear film of this roll into the gate: a blank frame, or the film "
                "before frame 1. A frame with its rebate in view works, too.",
                "[{next}] clear film is in: measure   [{on-frame}] a frame is in: measure",
                "",
            )
        return (
            f"{again}Put the frame with the brightest picture of this roll into the gate. Clear "
            "film works, too.",
            "[{next}] it is in: measure",
            "",
        )
    left = plural(MOST_SHOTS - result.shots, "shot") if result is not None else ""
    if stage is Stage.SET and result is not None:
        rest = abs(result.nearest_off_ev)
        how = "set it" if result.can_set else "it is set"
        check = f", then check it ({left} left)" if result.shots < MOST_SHOTS else ""
        return (
            f"Set the shutter to {printable(result.wanted or '', 20)}"
            + ("?" if result.can_set else " on the camera."),
            f"[{{next}}] {how}{check}   [{{back}}] leave the shutter as it is",
            f"It is the camera's nearest time. Adjust lamp or aperture for the other {rest:.1f} "
            "stops."
            if rest > 1 / 3
            else "",
        )
    if stage is Stage.POWER and result is not None:
        how = f"[{{next}}] it is turned: measure again ({left} left)   [{{back}}] leave it as it is"
        return f"{_power(result)}.", how, ""
    if result is not None and result.reached:
        return (
            "The roll's exposure is set and checked.",
            "[{next}] continue, with the frame back in the gate",
            "",
        )
    strobe = result is not None and result.strobe and result.off_ev is not None
    return (
        "The target was not reached.",
        "[{next}] continue anyway   [{retry}] start again",
        f"{_power(result)}, then measure again: the last measurement counts."
        if strobe and result is not None
        else "",
    )


def _power(result: BaseResult) -> str:
    """Say what to do about a strobe, one sentence without its full stop."""
    off = result.off_ev or 0.0
    least = "at least " if result.seen.clipped else ""
    words = turn_power(off, by=f"{least}{abs(off):.1f} stops")
    return words[0].upper() + words[1:]


def shots_text(results: list[BaseResult], target: float, tolerance: float) -> Text:
    """Show each shot in a line of words and on a scale of stops, the target marked."""
    text = Text()
    for result in results:
        good = result.reached
        usable = Severity.LOOK if result.seen.seen.usable else Severity.RESHOOT
        mark = Verdict.KEEP.mark if good else usable.mark
        text.append(f"{mark} ", "bold green" if good else "bold yellow")
        text.append(f"Shot {result.shots}: {base_line(result)}\n")
        if result.seen.ev is not None:
            text.append(f"  {scale(result.seen.ev, target, tolerance)}\n", "dim")
    axis = f"{_LOWEST_EV:.0f}".ljust(_cells() - 1)
    text.append(f"  {axis}0  stops from clipping   [ ] target\n", "dim")
    return text


def scale(ev: float, target: float, tolerance: float) -> str:
    """Draw where a level is between `_LOWEST_EV` and saturation, with the target's range."""
    cells = [" "] * _cells()
    for edge, mark in ((target - tolerance, "["), (target + tolerance, "]")):
        cells[_cell(edge)] = mark
    cells[_cell(ev)] = "█"
    return "".join(cells)


def _cells() -> int:
    return round(-_LOWEST_EV / _STEP_EV) + 1


def _cell(ev: float) -> int:
    return min(max(round((ev - _LOWEST_EV) / _STEP_EV), 0), _cells() - 1)


def _purpose(target: float, *, negative: bool) -> Text:
    safe = (
        f"With it {-target:.1f} stops below clipping, no picture clips, and one exposure fits "
        "every frame."
    )
    if not negative:
        highlights = "The highlights of the brightest picture are the brightest thing on the roll."
        return Text(f"{highlights} {safe}", "dim")
    return Text(
        f"Clear film is the brightest thing on the roll. {safe} A frame that shows no clear film "
        "is judged by this measurement.",
        "dim",
    )
