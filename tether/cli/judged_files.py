"""Raw files judged in a worker process: an object for each, with the keys of docs/json.md.

A file that cannot be read, or that takes the worker down, gives an object that says so; the others
are judged anyway.
"""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Sequence
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import Any

from tether.bench.light_worker import LightRequest, exposure_of, judged_light, stray_light
from tether.errors import TetherError
from tether.film import FILM_FORMATS, FilmProcess
from tether.findings import ranked, verdict_of
from tether.measure.density import (
    STEP_DENSITY,
    Box,
    TabletReport,
    density_planes,
    find_tablet,
    read_steps,
    tablet_report,
)
from tether.measure.exposure.advice import exposure_ratio
from tether.measure.exposure.saturation import saturation_map
from tether.measure.frame import FrameContext, measure_frame
from tether.measure.levels import FloatArray, with_observed_saturation
from tether.measure.light.flat import flat_of
from tether.measure.light.open_gate import METERED_FIELD_EV, judge_stray_light, shows_film
from tether.measure.roll.memory import OpenGate
from tether.measure.survey import Survey, survey
from tether.paths import reason
from tether.raw import Mosaic, open_mosaic
from tether.settings import Settings
from tether.text import plural, printable
from tether.worker_process import (
    RAW_MEMORY_BYTES,
    WorkerDied,
    WorkerError,
    WorkerHung,
    WorkerProcess,
)

_SECONDS = 120.0
"""How long a file may take."""

_FULL = 0.985
"""Signal from which a step of a tablet counts as saturated, relative to saturation."""
_LIT = 0.3
"""Share of the open gate's light below which a place lies behind the gate's mask."""
_CLEAR_DENSITY = 0.05
"""Nominal density of the first step (from memory of common tablets); only differences count."""
_DENSEST = 6.0
"""Density beyond which a number in a certificate is none."""


def measure_files(
    paths: Sequence[Path],
    process: FilmProcess,
    open_gate: Path | None = None,
    format_key: str = "135",
    settings: Settings | None = None,
) -> list[dict[str, Any]]:
    """Return one object a file; a file that cannot be read has ``file`` and ``error``.

    Raises
    ------
    TetherError
        When the open gate cannot be read: then no density of any file would be right.
    """
    with closing(_worker()) as worker:
        if open_gate is not None:
            worker.start()
            worker.call("open_gate", open_gate, timeout=_SECONDS)
        return _judged(
            worker, "frame", paths, process, format_key, open_gate, settings or Settings()
        )


def light_files(
    paths: Sequence[Path], lamp_off: Path | None = None, settings: Settings | None = None
) -> list[dict[str, Any]]:
    """Return one object a file; a file that cannot be read has ``file`` and ``error``."""
    with closing(_worker()) as worker:
        return _judged(worker, "light", paths, lamp_off, settings or Settings())


def tablet_files(
    paths: Sequence[Path],
    open_gate: Path,
    dark: Path | None,
    nominal: Sequence[float],
    *,
    strobe: bool = False,
) -> list[dict[str, Any]]:
    """Return one object a file; a file that cannot be read has ``file`` and ``error``.

    ``nominal`` are the densities of the tablet's steps, from `nominal_densities` or a certificate.
    """
    with closing(_worker()) as worker:
        return _judged(worker, "tablet", paths, open_gate, dark, tuple(nominal), strobe)


def nominal_densities(steps: int) -> tuple[float, ...]:
    """Return the densities that the steps of common tablets should have."""
    return tuple(_CLEAR_DENSITY + STEP_DENSITY * index for index in range(steps))


def certificate(path: Path) -> tuple[float, ...]:
    """Return the densities of a tablet's certificate: the last number of each line of a text file.

    Raises
    ------
    TetherError
        When it cannot be read, or holds no densities of 3 to 60 steps, each denser than the last.
    """
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise TetherError(f"The certificate {printable(path.name)} cannot be read.") from error
    numbers = (re.findall(r"(?<![\w.])\d+(?:\.\d+)?(?![\w.])", line) for line in lines)
    densities = tuple(float(found[-1]) for found in numbers if found)
    rising = all(a < b for a, b in pairwise(densities))
    if not 3 <= len(densities) <= 60 or not rising or densities[-1] > _DENSEST:
        raise TetherError(
            f"The certificate {printable(path.name)} does not list the densities of a tablet.",
            todo="Write one step a line, thinnest first, its density last on the line.",
        )
    return densities


def _worker() -> WorkerProcess:
    return WorkerProcess(FileJudge, name="The judge of raw files", memory_bytes=RAW_MEMORY_BYTES)


def _judged(
    worker: WorkerProcess, method: str, paths: Sequence[Path], *args: Any
) -> list[dict[str, Any]]:
    """Return what a method of `FileJudge` says of each file, in the order given.

    The worker is started where it is not running, also after a file took it down.
    """
    rows = []
    for path in paths:
        try:
            if path.is_dir():
                raise TetherError("This is a folder.", todo="Name the raw files in it.")
            if not path.is_file():
                raise TetherError("There is no such file.")
            worker.start()
            row: dict[str, Any] = worker.call(method, path, *args, timeout=_SECONDS)
        except (WorkerDied, WorkerHung, WorkerError) as error:
            row = _failed(path, f"It could not be read: {error.what}")
        except TetherError as error:
            row = _failed(path, str(error))
        rows.append(finite(row))
    return rows


def _failed(path: Path, error: str) -> dict[str, Any]:
    return {"file": str(path), "error": printable(error, 500)}


def finite(value: Any) -> Any:
    """Return the same with None for what JSON has no number for (RFC 8259: no NaN, no infinity)."""
    if isinstance(value, dict):
        return {key: finite(item) for key, item in value.items()}
    if isinstance(value, list):
        return [finite(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


class FileJudge:
    """Opens and measures raw files; lives in the worker process.

    Each method that takes a path returns the object of that file; see docs/json.md. Each raises
    `TetherError` when a file cannot be read as a raw file.
    """

    def __init__(self) -> None:
        self._gate: tuple[Path, OpenGate] | None = None

    def open_gate(self, path: Path) -> OpenGate:
        """Measure the open gate, once for all frames."""
        if self._gate is None or self._gate[0] != path:
            self._gate = (path, flat_of(open_mosaic(path)))
        return self._gate[1]

    def frame(
        self,
        path: Path,
        process: FilmProcess,
        format_key: str,
        open_gate: Path | None,
        settings: Settings,
    ) -> dict[str, Any]:
        """Measure and judge a frame, against the light of the open gate where that is named."""
        gate = self.open_gate(open_gate) if open_gate is not None else None
        mosaic = open_mosaic(path)
        facts = _file_facts(path, mosaic)
        context = FrameContext(process, FILM_FORMATS[format_key], settings=settings, open_gate=gate)
        return facts | measure_frame(mosaic, context).as_json()

    def light(self, path: Path, lamp_off: Path | None, settings: Settings) -> dict[str, Any]:
        """Measure and judge an open gate, with its stray light where the lamp was off once.

        Raises
        ------
        TetherError
            When it is a picture of film, or the two do not come from the same kind of sensor.
        """
        mosaic = with_observed_saturation(open_mosaic(path))
        facts = _file_facts(path, mosaic)
        request, exposure = LightRequest(None, settings=settings), exposure_of(mosaic)
        picture = survey(mosaic)
        if shows_film(picture):
            raise TetherError(
                "This is no open gate: there is film in it.",
                todo="Take the film out, photograph the open gate and check that file.",
            )
        light, findings = judged_light(mosaic, picture, request, exposure[0])
        stray = None
        if lamp_off is not None:
            off = open_mosaic(lamp_off)
            exposures = (exposure_of(off), exposure)
            stray = stray_light(off, mosaic, exposures, strobe=settings.light.strobe)
            findings += judge_stray_light(stray, settings.light)
        return facts | {
            "mean_ev": round(light.mean_ev, 3),
            "metered_ev": round(METERED_FIELD_EV, 3),
            "evenness_ev": round(light.evenness_ev, 3),
            "evenness_percent": round(light.evenness_percent, 2),
            "darkest": light.darkest,
            "lightest": light.lightest,
            "grid": [[round(float(v), 4) for v in row] for row in light.grid],
            "flicker_percent": round(light.flicker_percent, 3),
            "flicker_bands": round(light.bands, 2),
            "neutral": {name: round(value, 4) for name, value in light.neutral.items()},
            "stray_share": None if stray is None else round(stray, 6),
            "saturated": saturation_map(mosaic).shares(),
            "verdict": verdict_of(findings).value,
            "findings": [f.as_json() for f in ranked(findings)],
        }

    def tablet(
        self,
        path: Path,
        open_gate: Path,
        dark: Path | None,
        nominal: tuple[float, ...],
        strobe: bool,
    ) -> dict[str, Any]:
        """Find a step tablet in a view, and read every step of it in every channel.

        With a ``strobe`` the shutter time counts only for what reaches the sensor without it.

        Raises
        ------
        TetherError
            When a file comes from another kind of sensor, when the open gate or a step is
            saturated, or when no tablet is found.
        """
        mosaic, gate, steps = open_mosaic(path), open_mosaic(open_gate), len(nominal)
        facts = _file_facts(path, mosaic)
        off = open_mosaic(dark) if dark is not None else None
        frame, light = survey(mosaic), survey(gate)
        lit = light.main > _LIT * float(light.main.max())
        if float(light.signal[:, lit].max(initial=0.0)) >= _FULL:
            raise TetherError(
                "The open gate is clipped, so densities cannot be measured.",
                todo="Photograph the open gate with less light. 'tether light' says how much.",
            )
        try:
            planes = density_planes(
                frame,
                light,
                _ratio(mosaic, gate, strobe=strobe),
                survey(off) if off is not None else None,
                (_ratio(mosaic, off), _ratio(gate, off)),
            )
        except ValueError as error:
            raise TetherError("The files are not from the same camera.") from error
        placed = find_tablet(_main(planes, frame), lit, steps)
        if placed is None:
            raise TetherError(
                f"No tablet of {steps} even steps was found.",
                todo="Fill the view with the tablet, straight, in rows of equal length. Give its "
                "number of steps with --steps.",
            )
        return (
            facts
            | {"rows": placed.rows, "columns": placed.columns}
            | _read(frame, planes, placed.boxes, nominal)
        )


def _file_facts(path: Path, mosaic: Mosaic) -> dict[str, Any]:
    """Return what identifies a file: name as given, SHA-256 (FIPS 180-4), size of the mosaic.

    Raises
    ------
    TetherError
        When the file cannot be read to its end.
    """
    try:
        with path.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise TetherError(f"It cannot be read to its end: {reason(error)}.") from error
    height, width = mosaic.shape
    return {"file": str(path), "sha256": digest, "width": width, "height": height}


def _read(
    frame: Survey, planes: FloatArray, boxes: Sequence[Box], nominal: Sequence[float]
) -> dict[str, Any]:
    """Read every step in every channel."""
    read = {}
    for name, plane, signal in zip(frame.channels, planes, frame.signal, strict=True):
        full = [n for n, level in enumerate(read_steps(signal, boxes), 1) if level >= _FULL]
        if full:
            raise TetherError(
                f"Clipped on the tablet: {plural(len(full), 'step')}, number {full[0]} first.",
                todo="Photograph the tablet with less light.",
            )
        read[name] = tablet_report(read_steps(plane, boxes), nominal)
    return {
        "steps": [
            {
                "step": index + 1,
                "nominal": round(nominal[index], 3),
                "density": {name: round(r.read[index], 4) for name, r in read.items()},
                "box": [frame.step * v for v in boxes[index]],
            }
            for index in range(len(boxes))
        ],
        "channels": {name: _figures(report) for name, report in read.items()},
    }


def _figures(report: TabletReport) -> dict[str, float | bool | int | None]:
    return {
        "spacing": round(report.spacing, 4),
        "slope": round(report.slope, 4),
        "offset": round(report.offset, 4),
        "largest_error": round(report.largest_error, 4),
        "range": round(report.density_range, 4),
        "reads_true_to": round(report.reads_true_to, 3),
        "monotonic": report.monotonic,
    }


def _main(planes: FloatArray, frame: Survey) -> FloatArray:
    """Return the mean of the green channels, or the only one there is."""
    green = [i for i, name in enumerate(frame.channels) if name.startswith("G")] or [0]
    main: FloatArray = planes[green].mean(axis=0)
    return main


def _ratio(of: Mosaic, over: Mosaic | None, *, strobe: bool = False) -> float:
    """Return how many times the exposure of one file is that of another; 1 where not known."""
    if over is None:
        return 1.0
    return exposure_ratio(exposure_of(of), exposure_of(over), strobe=strobe) or 1.0
