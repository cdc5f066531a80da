"""The judge of the light: opens and measures test shots in a worker process.

No file is to be trusted, also not one that the camera has just made.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from tether.bench.light_record import Grid, KeptLight
from tether.camera.protocol import Setting
from tether.camera.values import same_time, shutter_seconds
from tether.errors import TetherError
from tether.facts import ExposureValues
from tether.film import FILM_FORMATS, FilmProcess
from tether.settings import Settings
from tether.worker_process import RAW_MEMORY_BYTES, WorkerProcess

if TYPE_CHECKING:
    from tether.findings import Finding
    from tether.measure.exposure.calibration import ClearFilm
    from tether.measure.light.open_gate import Light
    from tether.measure.survey import Survey
    from tether.raw import Mosaic


@dataclass(frozen=True, slots=True)
class LightRequest:
    """What a test shot is measured against.

    ``seconds`` is the shutter time as the camera has it, None to take the file's; ``shutters`` are
    the (label, seconds) of the camera's own list.
    """

    seconds: float | None
    shutters: tuple[tuple[str, float], ...] = ()
    settings: Settings = field(default_factory=Settings)

    @classmethod
    def at(cls, shutter: Setting | None, settings: Settings) -> LightRequest:
        """Return what an exposure at a camera's shutter setting is measured against."""
        if shutter is None:
            return cls(None, settings=settings)
        return cls(shutter_seconds(shutter.value), shutter.times, settings)


@dataclass(frozen=True, slots=True)
class GateSeen:
    """An open gate: its light, what there is to say, and its light on the grid of a flat field."""

    light: Light
    findings: tuple[Finding, ...]
    channels: tuple[str, ...]
    grid: Grid
    exposure: ExposureValues
    uneven_percent: float


class LightWorker:
    """Lives in the worker process. All methods raise `RawUnreadable` for what is no raw file."""

    def gate(self, path: Path, request: LightRequest) -> GateSeen:
        """Measure an open gate."""
        from tether.findings import ranked
        from tether.measure.levels import with_observed_saturation
        from tether.measure.light.flat import flat_of
        from tether.measure.survey import survey
        from tether.raw import open_mosaic

        mosaic = with_observed_saturation(open_mosaic(path))
        exposure = exposure_of(mosaic, request.seconds)
        picture = survey(mosaic)
        light, findings = judged_light(mosaic, picture, request, exposure[0])
        flat = flat_of(mosaic, picture=picture)
        grid = tuple(
            tuple(tuple(float(v) for v in row) for row in plane) for plane in flat.grid.tolist()
        )
        return GateSeen(light, ranked(findings), flat.channels, grid, exposure, flat.uneven_percent)

    def stray(
        self,
        dark: Path,
        gate: Path,
        seconds: tuple[float | None, float | None],
        strobe: bool = False,
    ) -> float:
        """Return the light with the lamp off as a share of the open gate's.

        ``seconds`` are the shutter times of the two as the camera has them; with a ``strobe`` both
        are taken as they came, for its light does not depend on them.
        """
        from tether.raw import open_mosaic

        off, on = open_mosaic(dark), open_mosaic(gate)
        return stray_light(
            off, on, (exposure_of(off, seconds[0]), exposure_of(on, seconds[1])), strobe=strobe
        )

    def clear_film(
        self,
        path: Path,
        film: tuple[FilmProcess, str],
        request: LightRequest,
        light: KeptLight,
    ) -> tuple[ClearFilm, ExposureValues]:
        """Find clear film in a view; return it and the exposure it was taken at.

        ``film`` is the kind of film and the key of its format.
        """
        from tether.measure.exposure.calibration import clear_film
        from tether.raw import open_mosaic

        process, format_key = film
        mosaic = open_mosaic(path)
        gate = light.gate.as_open_gate() if light.gate else None
        exposure = exposure_of(mosaic, request.seconds)
        seen = clear_film(
            mosaic, process, FILM_FORMATS[format_key], request.settings, gate, exposure[0]
        )
        return seen, exposure


def judged_light(
    mosaic: Mosaic, picture: Survey, request: LightRequest, seconds: float | None
) -> tuple[Light, list[Finding]]:
    """Measure and judge the light of an open gate that was exposed for ``seconds``."""
    from tether.measure.light.open_gate import (
        judge_light,
        judge_power,
        measure_light,
        multipliers_of,
    )

    settings = request.settings
    light = measure_light(mosaic, picture)
    findings = judge_light(
        light,
        settings.light,
        seconds=seconds,
        shutters=request.shutters,
        white_balance=multipliers_of(mosaic),
        exposure=settings.exposure,
        bench=settings.bench,
    )
    if settings.light.strobe:
        findings += judge_power(light, settings.bench)
    return light, findings


def stray_light(
    off: Mosaic, on: Mosaic, exposures: tuple[ExposureValues, ExposureValues], *, strobe: bool
) -> float:
    """Return the light with the lamp ``off`` as a share of the light with it ``on``.

    Raises
    ------
    TetherError
        When the two do not come from the same kind of sensor.
    """
    from tether.measure.exposure.advice import exposure_ratio
    from tether.measure.light.open_gate import stray_share
    from tether.measure.survey import survey

    if off.channels != on.channels:
        raise TetherError("The frame with the lamp off comes from another kind of sensor.")
    ratio = exposure_ratio(*exposures, strobe=strobe)
    return stray_share(survey(off), survey(on), ratio or 1.0)


def exposure_of(mosaic: Mosaic, seconds: float | None = None) -> ExposureValues:
    """Return an exposure; its time as the camera has it, unless the file speaks of another one.

    Nominal times are what frames are compared by. A driver's reading may be old, the file is not.
    """
    stated = mosaic.exposure_seconds
    if stated and seconds and same_time(stated, seconds):
        stated = seconds
    return (stated or seconds, mosaic.iso, mosaic.f_number)


def light_worker() -> WorkerProcess:
    """Return a worker for `LightWorker`; call its ``start`` before each call."""
    return WorkerProcess(LightWorker, name="The judge of the light", memory_bytes=RAW_MEMORY_BYTES)
