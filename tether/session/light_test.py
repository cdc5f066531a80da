"""The light test: photograph the open gate, measure its light, say what to change.

The open gate is exposed so that its light lies about a stop below saturation: there pattern and
bands stand out best, and nothing is cut off. The first exposure tells how far that is; the shutter
is set, at most twice, and in the end put back to where it stood.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from tether.camera.protocol import Role, Setting
from tether.camera.values import shifted_shutter, shutter_seconds
from tether.child import Child
from tether.errors import TetherError
from tether.measure.light import Light
from tether.measure.verdict import Finding
from tether.session.delivery import Progress
from tether.session.judging import JUDGE_SECONDS, MEMORY_BYTES
from tether.session.session import NotNow, Session
from tether.settings import Bench, Settings
from tether.text import printable

MOST_EXPOSURES = 3
_FROM_SATURATION = -3.0
"""Stops by which a saturated exposure is shortened: how far it is over cannot be seen."""

OPEN_GATE = "open-gate"


@dataclass(frozen=True, slots=True)
class LightRequest:
    """What an open gate is measured against: the shutter it was taken at, and the camera's list."""

    seconds: float | None
    shutters: tuple[tuple[str, float], ...]
    settings: Settings


@dataclass(frozen=True, slots=True)
class LightResult:
    """What came of a light test.

    ``shutter`` is the camera's wording of the time at which ``file`` was exposed ("" where it has
    none), ``exposures`` how many it took to get there. ``said`` is what else there is to say.
    """

    light: Light
    findings: tuple[Finding, ...]
    file: Path
    shutter: str
    exposures: int
    said: str = ""


class LightWorker:
    """Opens and measures open gates; lives in a worker process, as no file is to be trusted."""

    def measure(self, path: Path, request: LightRequest) -> tuple[Light, tuple[Finding, ...]]:
        """Return the light and what there is to say about it."""
        from tether.measure.levels import with_observed_saturation
        from tether.measure.light import measure_light
        from tether.measure.light_findings import judge_light
        from tether.measure.survey import survey
        from tether.measure.verdict import ranked
        from tether.raw.open import open_mosaic

        mosaic = with_observed_saturation(open_mosaic(path))
        light = measure_light(mosaic, survey(mosaic))
        findings = judge_light(
            light, request.settings.light, seconds=request.seconds, shutters=request.shutters
        )
        return light, ranked(findings)


def next_shutter(light: Light, shutter: Setting | None, settings: Bench) -> str | None:
    """Return the shutter setting for another exposure, None where this one will do.

    Also None where the camera offers no better setting, or lets none be set from here.
    """
    off = settings.gate_target_ev - light.mean_ev
    if shutter is None or shutter.readonly:
        return None
    if light.saturated:
        off = min(off, _FROM_SATURATION)
    elif abs(off) <= settings.gate_tolerance_ev:
        return None
    found = shifted_shutter(shutter.choices, shutter.value, off)
    return None if found == shutter.value else found


class LightTest:
    """Runs light tests for a session. All methods block; `close` ends the worker."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._worker = Child(LightWorker, name="The judge of the light", memory_bytes=MEMORY_BYTES)

    def close(self) -> None:
        """End the worker. May be called twice."""
        self._worker.close()

    def run(self, report: Callable[[int, Progress], None] | None = None) -> LightResult:
        """Photograph the open gate and measure it; the film must be out already.

        ``report`` is told the number of the exposure and what is going on.

        Raises
        ------
        NotNow
            When no camera is connected.
        TetherError
            When no picture came, or it cannot be measured. The shutter is put back all the same
            where the camera can still be reached.
        """
        session = self._session
        if session.camera is None or session.refresh_camera() is None:
            raise NotNow("No camera is connected.", todo="Connect it, then test the light.")
        before = self._shutter()
        try:
            result = self._expose(report or (lambda _number, _progress: None))
        except TetherError as error:
            if before is not None and not self._put_back(before):
                error.todo = f"{error.todo} {_stood_at(before)}".strip()
            raise
        if before is not None and not self._put_back(before):
            result = replace(result, said=_stood_at(before))
        self._log(result)
        return result

    def _expose(self, report: Callable[[int, Progress], None]) -> LightResult:
        session = self._session
        number = 1
        while True:
            path = session.test_exposure(OPEN_GATE, partial(report, number))
            report(number, Progress("judge"))
            shutter = self._shutter()
            light, findings = self._measure(path, shutter)
            now = shutter.value if shutter else ""
            wanted = next_shutter(light, shutter, session.settings.bench)
            if wanted is None or number == MOST_EXPOSURES:
                return LightResult(light, findings, path, printable(now, 20), number)
            assert session.camera is not None, "it has just made a picture"
            session.camera.set(Role.SHUTTER, wanted)
            number += 1

    def _measure(self, path: Path, shutter: Setting | None) -> tuple[Light, tuple[Finding, ...]]:
        choices: Sequence[str] = shutter.choices if shutter else ()
        request = LightRequest(
            shutter_seconds(shutter.value) if shutter else None,
            tuple((c, s) for c in choices if (s := shutter_seconds(c))),
            self._session.settings,
        )
        self._worker.start()
        measured: tuple[Light, tuple[Finding, ...]] = self._worker.call(
            "measure", path, request, timeout=JUDGE_SECONDS
        )
        return measured

    def _shutter(self) -> Setting | None:
        state = self._session.refresh_camera()
        return state.settings.get(Role.SHUTTER) if state else None

    def _put_back(self, before: Setting) -> bool:
        """Set the shutter to what it was; return whether it stands there now."""
        session = self._session
        if session.camera is None or session.camera_state is None:
            return False
        try:
            if session.camera_state.value(Role.SHUTTER) != before.value:
                session.camera.set(Role.SHUTTER, before.value)
            session.refresh_camera()
        except TetherError as error:
            session.store.log("camera", f"{_stood_at(before)} {error}", session.roll.id)
            return False
        return session.camera_state.value(Role.SHUTTER) == before.value

    def _log(self, result: LightResult) -> None:
        said = "; ".join(f.text for f in result.findings) or "nothing to object to"
        self._session.store.log(
            "bench",
            f"Light ({result.file.name}, {result.shutter}): {'; '.join(light_lines(result))}; "
            f"{said}",
            self._session.roll.id,
        )


def _stood_at(before: Setting) -> str:
    return f"The shutter was not put back: it stood at {printable(before.value, 20)}."


def light_lines(result: LightResult) -> tuple[str, ...]:
    """Return the figures of a test in words, a line each."""
    light = result.light
    if light.saturated:
        return ("Level: saturated",)
    at = f" at {result.shutter}" if result.shutter else ""
    lines = [
        f"Level: {-light.mean_ev:.1f} stops below saturation{at}",
        f"Evenness: {light.evenness_percent:.1f} % ({light.evenness_ev:.2f} stops): darkest "
        f"{light.darkest}, lightest {light.lightest}",
        f"Flicker: {light.flicker_percent:.1f} %, {light.bands:.0f} bands"
        if light.flicker_percent
        else f"Flicker: no bands found{at}",
    ]
    if light.neutral:
        ratios = ", ".join(f"{name} {value:.3f}" for name, value in light.neutral.items())
        lines.append(f"Colour: {ratios} (raw values of the lamp)")
    return tuple(lines)


def light_map(light: Light, rows: int = 8, columns: int = 12) -> tuple[tuple[int | None, ...], ...]:
    """Return the light in per cent of its lightest cell, as the camera's display shows it.

    Shape ``rows`` by ``columns``, which must divide those of `tether.measure.light.GRID`; None
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
