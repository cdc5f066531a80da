"""What `tablet` says of a photographed step tablet: one object a file, and the same in words."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tether.cli.judged_files import (
    MEMORY_BYTES,
    failure_text,
    file_facts,
    heading,
    judged,
)
from tether.errors import TetherError
from tether.raw.mosaic import Mosaic
from tether.worker_process import WorkerProcess

if TYPE_CHECKING:
    from tether.measure.density.tablet import Box, TabletReport
    from tether.measure.levels import FloatArray
    from tether.measure.survey import Survey

_FULL = 0.985
"""Signal from which a step counts as saturated, relative to saturation."""
_LIT = 0.3
"""Share of the open gate's light below which a place lies behind the gate's mask."""
_CLEAR_DENSITY = 0.05
"""Nominal density of the first step (from memory of common tablets); only differences count."""


class TabletWorker:
    """Opens and measures a tablet; lives in the worker process."""

    def measure(
        self, path: Path, open_gate: Path, dark: Path | None, steps: int, strobe: bool
    ) -> dict[str, Any]:
        """Return the object of one file; see docs/json.md.

        With a ``strobe`` the shutter time counts only for what reaches the sensor without it.

        Raises
        ------
        TetherError
            When a file cannot be read as a raw file or comes from another kind of sensor, when
            the open gate or a step is saturated, or when no tablet is found.
        """
        from tether.measure.density.report import density_planes
        from tether.measure.density.tablet import find_tablet
        from tether.measure.survey import survey
        from tether.raw.open import open_mosaic

        mosaic, gate = open_mosaic(path), open_mosaic(open_gate)
        facts = file_facts(path, mosaic)
        off = open_mosaic(dark) if dark is not None else None
        frame, light = survey(mosaic), survey(gate)
        lit = light.main > _LIT * float(light.main.max())
        if float(light.signal[:, lit].max(initial=0.0)) >= _FULL:
            raise TetherError(
                "The open gate is saturated, so nothing can be measured against it.",
                todo="Photograph it with less light; the files tell how much.",
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
            raise TetherError("The files do not come from the same camera.") from error
        placed = find_tablet(_main(planes, frame), lit, steps)
        if placed is None:
            raise TetherError(
                f"No tablet of {steps} even steps was found in the view.",
                todo="Fill the view with the tablet, straight, in one row or in rows of equal "
                "length; --steps says how many steps it has.",
            )
        return (
            facts
            | {"rows": placed.rows, "columns": placed.columns}
            | _read(frame, planes, placed.boxes)
        )


def _read(frame: Survey, planes: FloatArray, boxes: Sequence[Box]) -> dict[str, Any]:
    """Read every step in every channel."""
    from tether.measure.density.tablet import STEP_DENSITY, read_steps, tablet_report

    nominal = [_CLEAR_DENSITY + STEP_DENSITY * index for index in range(len(boxes))]
    read = {}
    for name, plane, signal in zip(frame.channels, planes, frame.signal, strict=True):
        full = [n for n, level in enumerate(read_steps(signal, boxes), 1) if level >= _FULL]
        if full:
            raise TetherError(
                f"{'Step' if len(full) == 1 else 'Steps'} "
                f"{', '.join(map(str, full[:5]))} of the tablet are saturated.",
                todo="Photograph it with less light.",
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
    from tether.measure.exposure.advice import exposure_ratio

    if over is None:
        return 1.0
    settings = ((m.exposure_seconds, m.iso, m.f_number) for m in (of, over))
    return exposure_ratio(*settings, strobe=strobe) or 1.0


def tablet_files(
    paths: Sequence[Path], open_gate: Path, dark: Path | None, steps: int, *, strobe: bool = False
) -> list[dict[str, Any]]:
    """Return one object a file; a file that cannot be read has ``file`` and ``error``."""
    worker = WorkerProcess(TabletWorker, name="The judge of raw files", memory_bytes=MEMORY_BYTES)
    try:
        return list(judged(worker, paths, open_gate, dark, steps, strobe))
    finally:
        worker.close()


def tablet_text(rows: Sequence[dict[str, Any]]) -> str:
    """Return the same for a person: a table of steps a file."""
    return "\n\n".join(_paragraph(row) for row in rows)


def _paragraph(row: dict[str, Any]) -> str:
    if "error" in row:
        return failure_text(row)
    names = sorted(row["channels"])
    lines = [heading(row), f"  {row['rows']} x {row['columns']} steps"]
    lines.append("  Step  Nominal " + "".join(f"{name:>8}" for name in names))
    for step in row["steps"]:
        cells = "".join(f"{step['density'][name]:8.3f}" for name in names)
        lines.append(f"  {step['step']:4}  {step['nominal']:7.2f} {cells}")
    for label, key, form in (
        ("Step spacing", "spacing", "8.3f"),
        ("Slope", "slope", "8.3f"),
        ("Largest error", "largest_error", "8.3f"),
        ("Range", "range", "8.3f"),
        ("True up to", "reads_true_to", "8.2f"),
    ):
        cells = "".join(format(row["channels"][name][key], form) for name in names)
        lines.append(f"  {label:<14}{cells}")
    if not all(row["channels"][name]["monotonic"] for name in names):
        lines.append("  Some steps read no denser than the one before.")
    return "\n".join(lines)
