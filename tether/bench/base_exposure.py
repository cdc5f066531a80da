"""Base exposure: the roll's exposure, found on its clear film and checked on it.

The clear film is blank film, a leader, or the rebate beside a frame; of a transparency the
highlights of its lightest picture. A shot tells how far it lies from the target; the nearest
setting on the camera's own list is set when the person agrees, and another shot checks it. At
most three shots. With a strobe no setting of the camera is named: its power is turned by hand.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

from tether.bench.benches import Report, WorkBench
from tether.bench.light_record import KeptBase
from tether.bench.light_worker import LightRequest, light_worker
from tether.bench.shutter_loan import as_taken
from tether.camera.protocol import Role, Setting
from tether.camera.values import shifted_shutter, shutter_seconds
from tether.capture.bench_shots import BenchShot
from tether.capture.transfer import Progress
from tether.errors import NotNow
from tether.facts import ExposureValues
from tether.text import printable
from tether.worker_process import RAW_SECONDS

if TYPE_CHECKING:
    from tether.measure.exposure.calibration import ClearFilm

MOST_SHOTS = 3
CLEAR_FILM = "clear-film"


@dataclass(frozen=True, slots=True)
class BaseResult:
    """What one shot of a calibration gave.

    Attributes
    ----------
    seen
        The clear film that was seen.
    shot
        The raw file, and the shutter it was exposed at.
    shots
        How many there were so far.
    off_ev
        Stops of light to add to reach the target, negative for less; None where nothing clear
        was seen.
    reached
        Whether it lies within the tolerance.
    wanted
        The camera's setting that comes nearest to the target, None where nothing is to be set or
        the camera has no better one.
    can_set
        Whether it can be set from here; else by hand on the camera.
    nearest_off_ev
        Stops that the clear film would still be off at ``wanted``.
    strobe
        The light is a strobe: its power is what has to be turned, and the shutter stays.
    """

    seen: ClearFilm
    shot: BenchShot
    shots: int
    off_ev: float | None
    reached: bool
    wanted: str | None
    can_set: bool
    nearest_off_ev: float = 0.0
    strobe: bool = False

    @property
    def last(self) -> bool:
        """Whether no further shot is to be made."""
        return self.reached or self.shots >= MOST_SHOTS


class BaseCalibration:
    """Finds a roll's shutter time. All methods block; `close` ends the worker."""

    def __init__(self, bench: WorkBench) -> None:
        self._bench = bench
        self._worker = light_worker()
        self.shots = 0
        self.result: BaseResult | None = None

    def close(self) -> None:
        """End the worker. May be called twice."""
        self._worker.close()

    def begin_anew(self) -> None:
        """Count the shots from the start: another piece of film lies in the gate."""
        self.shots, self.result = 0, None

    def shoot(self, report: Report = lambda *_: None) -> BaseResult:
        """Photograph what lies in the gate and say how far its clear film is from the target.

        A base that is not saturated is kept as the roll's. The shutter is not moved.

        Raises
        ------
        NotNow
            When no camera is connected, or `MOST_SHOTS` were made.
        TetherError
            When no picture came, or it cannot be measured.
        """
        bench = self._bench
        bench.camera.connected("Connect it, then find the base exposure.")
        bench.camera.refresh()
        if self.shots >= MOST_SHOTS:
            raise NotNow(f"{MOST_SHOTS} test shots are made.", todo="Start over.")
        number = self.shots + 1
        shot = bench.shots.take(CLEAR_FILM, partial(report, number))
        self.shots = number
        report(number, Progress("judge"))
        state = bench.camera.refresh()
        shutter = state.settings.get(Role.SHUTTER) if state else None
        seen, exposure = self._measure(shot, shutter)
        shutter = as_taken(shutter, exposure[0])
        label = printable(shutter.value, 20) if shutter else ""
        shot = replace(shot, exposure=exposure, shutter=label)
        if seen.seen.usable and not seen.clipped:
            bench.light.keep(base=KeptBase(shot, seen.seen.value, seen.signal, bench.strobe))
        self.result = self._judged(seen, shot, shutter)
        bench.log(f"Base ({shot.file}, {label}): {base_line(self.result)}")
        return self.result

    def set_wanted(self) -> str:
        """Set the shutter to what the last shot asks for; return how it stands now.

        Raises
        ------
        NotNow
            When nothing is to be set.
        CameraError
            When the camera does not take it.
        """
        camera, result = self._bench.camera, self.result
        if result is None or result.wanted is None or camera.camera is None:
            raise NotNow("There is nothing to set.")
        now_set = camera.camera.set(Role.SHUTTER, result.wanted).value
        camera.refresh()
        self._bench.roll.log("camera", f"Shutter set to {printable(now_set, 20)} for the roll")
        return now_set

    def _measure(
        self, shot: BenchShot, shutter: Setting | None
    ) -> tuple[ClearFilm, ExposureValues]:
        bench, roll = self._bench, self._bench.roll.roll
        request = LightRequest.at(shutter, bench.settings)
        self._worker.start()
        measured: tuple[ClearFilm, ExposureValues] = self._worker.call(
            "clear_film",
            bench.shots.file(shot),
            (roll.process, roll.format_key),
            request,
            bench.light.kept,
            timeout=RAW_SECONDS,
        )
        return measured

    def _judged(self, seen: ClearFilm, shot: BenchShot, shutter: Setting | None) -> BaseResult:
        limits, strobe = self._bench.settings.exposure, self._bench.strobe
        if not seen.seen.usable:
            return BaseResult(seen, shot, self.shots, None, False, None, False, strobe=strobe)
        off = seen.stops_to_target(limits)
        reached = not seen.clipped and abs(off) <= limits.base_tolerance_ev
        wanted = None
        rest = off
        if not reached and shutter is not None and not strobe:
            wanted = shifted_shutter(shutter.choices, shutter.value, off)
            rest = _rest(wanted, shutter.value, off)
            if wanted == shutter.value:
                wanted = None
        can_set = wanted is not None and shutter is not None and not shutter.readonly
        return BaseResult(seen, shot, self.shots, off, reached, wanted, can_set, rest, strobe)


def _rest(wanted: str | None, stands: str, off: float) -> float:
    """Return the stops that are still missing at another setting."""
    before, after = shutter_seconds(stands), shutter_seconds(wanted or "")
    return off - math.log2(after / before) if before and after else off


_SEEN = {
    "blank film": "Blank film is",
    "rebate": "The rebate is",
    "highlights": "The highlights are",
}
_NOT_SEEN = {
    "nothing clear": "No clear film in view: no blank film and no rebate.",
    "darkness": "It is dark: nothing in view is bright enough to be clear film.",
    "no film": "The view is as bright as the open gate: there seems to be no film in it.",
}


def base_line(result: BaseResult) -> str:
    """Say what a shot has shown, one sentence."""
    seen = result.seen.seen.value
    if seen in _NOT_SEEN:
        return _NOT_SEEN[seen]
    what = _SEEN[seen]
    at = f" at {result.shot.shutter}" if result.shot.shutter else ""
    if result.seen.clipped:
        return f"{what} clipped{at}. How far over cannot be measured."
    ev, off = result.seen.ev or 0.0, result.off_ev or 0.0
    if result.reached:
        return f"{what} {-ev:.1f} stops below clipping{at}: on the target."
    side = "below" if off > 0 else "above"
    return f"{what} {-ev:.1f} stops below clipping{at}, {abs(off):.1f} stops {side} the target."
