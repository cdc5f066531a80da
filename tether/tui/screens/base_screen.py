"""Base calibration: clear film in the gate, a shot, the shutter with consent, a shot to check."""

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
    """Where the walk stands."""

    FILM = "clear film into the gate"
    SET = "set the shutter"
    POWER = "turn the strobe's power"
    DONE = "done"


class BaseScreen(BenchScreen):
    """Walks through the base calibration."""

    HEADING = "Base calibration"
    HELP = (
        "Finds the shutter time for this roll on its clear film: blank film, a leader, or the "
        "rebate beside a frame; of transparencies the lightest picture. The camera's own setting "
        "that comes nearest is set when you agree, and another shot checks it. With a strobe it "
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
            found.border_title = "What the shots showed"
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
        step = step_text(self.stage, result, self.context.keys, negative=self.negative)
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
            await self._leave()

    @work(group="action")
    async def action_frame(self) -> None:
        """Measure on the frame that lies in the gate."""
        await self._shoot(blank=False)

    @work(group="action")
    async def action_anew(self) -> None:
        """Begin anew."""
        if self.line.refused():
            return
        await self.calibration.begin_anew()
        self.results, self.stage = [], Stage.FILM
        self.line.say("From the start, with three shots.")
        self._refresh()

    async def _shoot(self, *, blank: bool, turned: bool = False) -> None:
        if self.line.refused():
            return
        clear = "clear film" if self.negative else "lightest picture"
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
            self.line.say(f"Kept as bench/{result.shot.file}, of no frame.")
        self._refresh()

    async def _set_and_check(self) -> None:
        result = self.results[-1]
        if result.can_set:
            now_set = await self.line.attempt(self.calibration.set_wanted, "Setting the shutter …")
            if now_set is None:
                return
        if result.shots >= MOST_SHOTS:
            self.stage = Stage.DONE
            self.line.say("Set, and not checked: the verdict on the first frame tells.")
            self._refresh()
            return
        await self._shoot(blank=False)

    async def _leave(self) -> None:
        if self._moved:
            await self.line.attempt(self.calibration.film_back)
        self.dismiss(None)

    def action_leave(self) -> None:
        """Go back; what is set stays set, what was seen is kept."""
        if self.line.working:
            self.line.say("Still measuring, to its end.")
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


def step_text(stage: Stage, result: BaseResult | None, keys: Keys, *, negative: bool) -> Text:
    """Say what to do now."""
    text = Text()
    if stage is Stage.FILM:
        again = "Try another place: " if result is not None else ""
        if negative:
            text.append(f"{again}Lay clear film of this roll into the gate: a blank frame, or the "
                        "unexposed film before frame 1. Or a frame with its rebate in view.\n",
                        "bold")  # fmt: skip
            text.append(f"[{keys['next']}] blank film is in the gate: measure   "
                        f"[{keys['on-frame']}] a frame with its rebate", "dim")  # fmt: skip
        else:
            text.append(f"{again}Bring the frame with the lightest picture of this roll into the "
                        "gate. Clear film does as well.\n", "bold")  # fmt: skip
            text.append(f"[{keys['next']}] it is in the gate: measure", "dim")
    elif stage is Stage.SET and result is not None:
        wanted = printable(result.wanted or "", 20)
        what = "Set the shutter to" if result.can_set else "Turn the camera's shutter dial to"
        text.append(f"{what} {wanted}?\n", "bold")
        if abs(result.nearest_off_ev) > 1 / 3:
            text.append(
                f"It is the nearest on the camera's list; {abs(result.nearest_off_ev):.1f} stops "
                "remain: change the lamp or the aperture for those.\n"
            )
        left = MOST_SHOTS - result.shots
        check = f"check it ({plural(left, 'shot')} left)" if left else "no shot is left to check it"
        did = "set it and" if result.can_set else "it is turned:"
        text.append(f"[{keys['next']}] {did} {check}   "
                    f"[{keys['back']}] leave the shutter as it is", "dim")  # fmt: skip
    elif stage is Stage.POWER and result is not None:
        text.append(f"{_power(result)}.\n", "bold")
        shots = plural(MOST_SHOTS - result.shots, "shot")
        text.append(f"[{keys['next']}] it is turned: measure again ({shots} left)   "
                    f"[{keys['back']}] leave it as it is", "dim")  # fmt: skip
    elif result is not None and result.reached:
        text.append("The roll's exposure is found and checked.\n", "bold")
        text.append(f"[{keys['next']}] go on; bring the frame back into the gate", "dim")
    else:
        text.append("The target was not reached.\n", "bold")
        if result is not None and result.strobe and result.off_ev is not None:
            text.append(f"{_power(result)}, then measure again: what was measured last counts.\n")
        text.append(f"[{keys['next']}] go on all the same   "
                    f"[{keys['retry']}] from the start", "dim")  # fmt: skip
    return text


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
        text.append(f"{'✓' if good else '!' if result.seen.seen.usable else '✗'} ",
                    "bold green" if good else "bold yellow")  # fmt: skip
        text.append(f"Shot {result.shots}: {base_line(result)}\n")
        if result.seen.ev is not None:
            text.append(f"  {scale(result.seen.ev, target, tolerance)}\n", "dim")
    text.append(
        f"  {'▏'.ljust(_cells() - 1)}▕ saturation; from {-_LOWEST_EV:.0f} stops below it; "
        "[ ] target\n",
        "dim",
    )
    return text


def scale(ev: float, target: float, tolerance: float) -> str:
    """Draw where a level lies between `_LOWEST_EV` and saturation, with the target's range."""
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
    under = f"just under saturation ({-target:.1f} stops)"
    if not negative:
        return Text(
            "The highlights of the lightest picture are the lightest thing that belongs to the "
            f"roll: with them {under} all others lie safely below, and the same exposure serves "
            "every frame.",
            "dim",
        )
    return Text(
        f"The clear film is the lightest thing that belongs to the roll: with it {under} all "
        "pictures lie safely below, and the same exposure serves every frame. A frame that shows "
        "no clear film is judged by what is found here.",
        "dim",
    )
