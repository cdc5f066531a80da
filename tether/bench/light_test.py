"""The light test: photograph the open gate, measure its light, keep it as the roll's flat field.

In this order: the open gate a stop under saturation, for its pattern; evenness as a map; flicker,
with the camera's own longer shutter time; then, with the lamp off, the light that strays in. In
the end, and after every stop in between, the shutter stands where it was found.

The open gate is exposed so that its light lies about a stop below saturation: there pattern and
bands stand out best, and nothing is cut off. The first exposure tells how far that is.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TypeVar

import numpy as np

from tether.bench.benches import Report, WorkBench
from tether.bench.light_record import KeptGate
from tether.bench.light_worker import GateSeen, LightRequest, light_worker
from tether.bench.shutter_loan import LentShutter, as_taken
from tether.camera.protocol import Setting
from tether.camera.values import shifted_shutter, shutter_seconds
from tether.capture.bench_shots import BenchShot
from tether.capture.transfer import Progress
from tether.errors import TetherError
from tether.findings import Finding, Severity, ranked
from tether.findings.about_bench import EVENED_OUT
from tether.measure.light.open_gate import Light, judge_stray_light, lamp_changed, neutral_words
from tether.settings import Settings
from tether.text import percent, printable
from tether.worker_process import RAW_SECONDS

MOST_EXPOSURES = 3
OPEN_GATE, LAMP_OFF = "open-gate", "lamp-off"
NO_FLAT = frozenset({"light-saturated", "light-too-dark", "lamp-flicker", "strobe-power"})
"""Findings with which an open gate is no flat field; one that is a mere note does not count."""
DOUBTFUL = frozenset({"light-uneven", "gate-spots"})
"""Findings with which the person chooses between a new open gate and the one before it."""


@dataclass(frozen=True, slots=True)
class LightResult:
    """What came of a light test.

    Attributes
    ----------
    light, findings
        What was measured, and what there is to say about it.
    shot
        The open gate's raw file, and the shutter it was exposed at.
    exposures
        How many it took to get there.
    kept
        Whether the roll has it as its flat field now.
    said
        What else there is to say.
    strobe
        Whether the light is a strobe: the shutter was not touched then.
    older
        When the open gate was taken that was in force before; "" for none.
    older_stays
        Whether the person has left that one in force.
    """

    light: Light
    findings: tuple[Finding, ...]
    shot: BenchShot
    exposures: int
    kept: bool = False
    said: str = ""
    strobe: bool = False
    older: str = ""
    older_stays: bool = False

    @property
    def has_gate(self) -> bool:
        """Whether the roll has an open gate that the person is content with."""
        return self.kept or self.older_stays

    @property
    def doubtful(self) -> bool:
        """Whether it was kept in the place of an older one, and that one may be better."""
        return self.kept and bool(self.older) and any(f.code in DOUBTFUL for f in self.findings)

    @property
    def uneven(self) -> bool:
        """Whether its light is more uneven than it may be."""
        return any(f.code == "light-uneven" for f in self.findings)


@dataclass(frozen=True, slots=True)
class StrayResult:
    """What came of the frame with the lamp off: its light as a share of the open gate's.

    ``gate_dropped`` says that the open gate was kept before, and is not any more.
    """

    share: float
    findings: tuple[Finding, ...]
    shot: BenchShot
    said: str = ""
    gate_dropped: bool = False


R = TypeVar("R", LightResult, StrayResult)


def next_shutter(light: Light, shutter: Setting | None, settings: Settings) -> str | None:
    """Return the shutter setting for another exposure, None where this one will do.

    Also None where the camera offers no better setting, or lets none be set from here.
    """
    off = settings.bench.gate_target_ev - light.mean_ev
    if shutter is None or shutter.readonly:
        return None
    if light.saturated:
        off = min(off, settings.exposure.from_saturation_ev)
    elif abs(off) <= settings.bench.gate_tolerance_ev:
        return None
    found = shifted_shutter(shutter.choices, shutter.value, off)
    return None if found == shutter.value else found


class LightTest:
    """Runs light tests on a bench. All methods block; `close` ends the worker.

    A strobe is photographed once, and says by how many stops its power is off: the shutter, which
    changes nothing about its light, is not touched.
    """

    def __init__(self, bench: WorkBench) -> None:
        self._bench = bench
        self._worker = light_worker()
        self._before: KeptGate | None = None

    def close(self) -> None:
        """End the worker. May be called twice."""
        self._worker.close()

    def run(self, report: Report = lambda *_: None) -> LightResult:
        """Photograph the open gate and measure it; the film must be out already.

        ``report`` is told the number of the exposure and what is going on. An open gate that can
        serve as flat field is kept for the roll.

        Raises
        ------
        NotNow
            When no camera is connected.
        TetherError
            When no picture came, or it cannot be measured. The shutter is put back nevertheless
            where the camera can still be reached.
        """
        result = self._with_shutter(lambda shutter: self._open_gate(shutter, report))
        self._log(result)
        return result

    def run_stray(self, gate: LightResult, report: Report = lambda *_: None) -> StrayResult:
        """Photograph the gate with the lamp off, and compare it with the open gate.

        The shutter is set as for the open gate. Raises as `run` does.
        """
        return self._with_shutter(lambda shutter: self._stray(shutter, gate, report))

    def _with_shutter(self, work: Callable[[LentShutter], R]) -> R:
        """Lend the shutter to ``work``, and put it back whatever comes of that."""
        camera = self._bench.camera
        camera.connected("Connect it, then test the light.")
        camera.refresh()
        shutter = LentShutter(self._bench.roll, camera, "light test")
        try:
            result = work(shutter)
        except TetherError as error:
            error.todo = f"{error.todo} {shutter.put_back()}".strip()
            raise
        except BaseException:
            shutter.put_back()
            raise
        return replace(result, said=" ".join(filter(None, (result.said, shutter.put_back()))))

    def _open_gate(self, shutter: LentShutter, report: Report) -> LightResult:
        """Photograph the open gate until its exposure will do; keep the last picture's light."""
        for number in range(1, MOST_EXPOSURES + 1):
            shot = self._bench.shots.take(OPEN_GATE, partial(report, number))
            report(number, Progress("judge"))
            setting = shutter.now()
            seen = self._measure(shot, setting)
            shutter.correct_from_file(seen.exposure[0])
            setting = as_taken(setting, seen.exposure[0])
            wanted = None
            if not self._bench.strobe:
                wanted = next_shutter(seen.light, setting, self._bench.settings)
            if wanted is None:
                break
            if number < MOST_EXPOSURES:
                shutter.set(wanted)
        label = printable(setting.value, 20) if setting else ""
        return self._keep(seen, replace(shot, shutter=label, exposure=seen.exposure), number)

    def _measure(self, shot: BenchShot, shutter: Setting | None) -> GateSeen:
        request = LightRequest.at(shutter, self._bench.settings)
        self._worker.start()
        seen: GateSeen = self._worker.call(
            "gate", self._bench.shots.file(shot), request, timeout=RAW_SECONDS
        )
        return seen

    def _keep(self, seen: GateSeen, shot: BenchShot, number: int) -> LightResult:
        """Keep an open gate as the roll's flat field where it can be one."""
        strobe = self._bench.strobe
        fit = not any(f.code in NO_FLAT and f.severity is not Severity.NOTE for f in seen.findings)
        findings, self._before = seen.findings, self._bench.light.kept.gate
        name = self._bench.name
        gate = KeptGate(shot, seen.channels, seen.grid, seen.uneven_percent, strobe, name)
        if self._before is not None and not seen.light.saturated:
            now, then = gate.as_open_gate(), self._before.as_open_gate()
            findings = ranked([*findings, *lamp_changed(now, then, self._bench.settings.light)])
        if fit:
            self._bench.light.keep(gate=gate)
        older = self._before.shot.taken_at if self._before is not None else ""
        return LightResult(seen.light, findings, shot, number, kept=fit, strobe=strobe, older=older)

    def keep_older(self, result: LightResult) -> LightResult:
        """Put the open gate that was in force before a result back; return the result so."""
        self._bench.light.restore_gate(self._before)
        self._bench.log(f"{result.shot.file} is not the flat field: the open gate of before stays")
        return replace(result, kept=False, older_stays=True)

    def _stray(self, shutter: LentShutter, gate: LightResult, report: Report) -> StrayResult:
        shots = self._bench.shots
        setting, wanted = shutter.now(), gate.shot.shutter
        if (
            setting is not None
            and shutter.movable
            and not self._bench.strobe
            and setting.value != wanted
            and wanted in setting.choices
        ):
            shutter.set(wanted)
        shot = shots.take(LAMP_OFF, partial(report, 1))
        report(1, Progress("judge"))
        self._worker.start()
        share: float = self._worker.call(
            "stray",
            shots.file(shot),
            shots.file(gate.shot),
            (shutter_seconds(shot.shutter), gate.shot.exposure[0]),
            self._bench.strobe,
            timeout=RAW_SECONDS,
        )
        findings = tuple(judge_stray_light(share, self._bench.settings.light))
        said = ""
        strays = any(f.code == "stray-light" for f in findings)
        if gate.kept and strays and share > self._bench.settings.light.flat_stray_share:
            # So much light that is not the lamp's would be divided out of every positive.
            self._bench.light.restore_gate(self._before)
            said = "The open gate is not kept: too much of its light is not the lamp's. " + (
                "The one before it stays in force." if self._before else "Test the light again."
            )
        log = f"Stray light ({shot.file}): {stray_line(share)}; {_in_words(findings)}"
        self._bench.log(f"{log}; {said}" if said else log)
        return StrayResult(share, findings, shot, said, gate_dropped=bool(said))

    def _log(self, result: LightResult) -> None:
        kept = "kept as the roll's flat field" if result.kept else "not kept as flat field"
        if result.kept and result.uneven:
            kept += f", although uneven: {EVENED_OUT.rstrip('.')}"
        self._bench.log(
            f"Light ({result.shot.file}, {result.shot.shutter}; {kept}): "
            f"{'; '.join(light_lines(result))}; {_in_words(result.findings)}"
        )


def _in_words(findings: Sequence[Finding]) -> str:
    return "; ".join(f.text for f in findings) or "no problems"


def light_lines(result: LightResult) -> tuple[str, ...]:
    """Return the figures of a test in words, a line each."""
    light = result.light
    if light.saturated:
        return ("Level: clipped",)
    at = f" at {result.shot.shutter}" if result.shot.shutter else ""
    if result.strobe:
        flicker = "Flicker: none (strobe)"
    elif light.flicker_percent:
        flicker = f"Flicker: {light.flicker_percent:.1f} %, {light.bands:.0f} bands"
    else:
        flicker = f"Flicker: none found{at}"
    lines = [
        f"Level: {-light.mean_ev:.1f} stops below clipping{at}",
        f"Evenness: {light.evenness_percent:.1f} % ({light.evenness_ev:.1f} stops); darkest: "
        f"{light.darkest}, brightest: {light.lightest}",
        flicker,
    ]
    if light.neutral:
        lines.append(f"Colour: {neutral_words(light.neutral)}")
    return tuple(lines)


def stray_line(share: float) -> str:
    """Return the light with the lamp off in words."""
    if share <= 0:
        return "Stray light: too little to measure"
    reach = f"limits densities to {-np.log10(share):.1f}"
    return f"Stray light: {percent(share)} of the open gate; {reach}"


def light_map(light: Light, rows: int = 8, columns: int = 12) -> tuple[tuple[int | None, ...], ...]:
    """Return the light in per cent of its lightest cell, as the camera's display shows it.

    Shape ``rows`` by ``columns``, which must divide those of `tether.measure.light.open_gate.GRID`;
    None
    behind the gate's mask.
    """
    height, width = (n // m for n, m in zip(light.grid.shape, (rows, columns), strict=True))
    out = []
    for r in range(rows):
        line: list[int | None] = []
        for c in range(columns):
            part = light.grid[r * height : (r + 1) * height, c * width : (c + 1) * width]
            known = part[np.isfinite(part)]
            line.append(round(100 * float(known.mean())) if known.size else None)
        out.append(tuple(line))
    return tuple(out)
