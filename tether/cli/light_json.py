"""What `light` says of open gates: one object a file, and the same in words for a person."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from tether.cli.judged_files import (
    MEMORY_BYTES,
    failure_text,
    file_facts,
    findings_text,
    heading,
    judged,
)
from tether.errors import TetherError
from tether.measure.light.open_gate import METERED_FIELD_EV
from tether.raw.mosaic import Mosaic
from tether.settings import Settings
from tether.text import percent
from tether.worker_process import WorkerProcess

_SHOWN = (4, 6)
"""Rows and columns of the light's pattern as it is printed."""


class LightWorker:
    """Opens and measures open gates; lives in the worker process."""

    def measure(self, path: Path, lamp_off: Path | None, settings: Settings) -> dict[str, Any]:
        """Return the object of one file; see docs/json.md.

        Raises
        ------
        TetherError
            When the file, or the one taken with the lamp off, cannot be read as a raw file, or
            the two do not come from the same kind of sensor.
        """
        from tether.findings import ranked, verdict_of
        from tether.measure.exposure.saturation import saturation_map
        from tether.measure.levels import with_observed_saturation
        from tether.measure.light.open_gate import (
            judge_light,
            judge_power,
            judge_stray_light,
            measure_light,
            multipliers_of,
        )
        from tether.measure.survey import survey
        from tether.raw.open import open_mosaic

        mosaic = with_observed_saturation(open_mosaic(path))
        facts = file_facts(path, mosaic)
        picture = survey(mosaic)
        light = measure_light(mosaic, picture)
        findings = judge_light(
            light,
            settings.light,
            seconds=mosaic.exposure_seconds,
            white_balance=multipliers_of(mosaic),
            exposure=settings.exposure,
            bench=settings.bench,
        )
        if settings.light.strobe:
            findings += judge_power(light, settings.bench)
        stray = None
        if lamp_off is not None:
            stray = _stray(mosaic, lamp_off, settings.light.strobe)
            findings += judge_stray_light(stray, settings.light)
        return facts | {
            "mean_ev": round(light.mean_ev, 3),
            "metered_ev": round(METERED_FIELD_EV, 3),
            "evenness_ev": round(light.evenness_ev, 3),
            "evenness_percent": round(light.evenness_percent, 2),
            "darkest": light.darkest,
            "lightest": light.lightest,
            "grid": _grid(light.grid),
            "flicker_percent": round(light.flicker_percent, 3),
            "flicker_bands": round(light.bands, 2),
            "neutral": {name: round(value, 4) for name, value in light.neutral.items()},
            "stray_share": None if stray is None else round(stray, 6),
            "saturated": saturation_map(mosaic).shares(),
            "verdict": verdict_of(findings).value,
            "findings": [f.as_json() for f in ranked(findings)],
        }


def light_files(
    paths: Sequence[Path], lamp_off: Path | None = None, settings: Settings | None = None
) -> list[dict[str, Any]]:
    """Return one object a file; a file that cannot be read has ``file`` and ``error``."""
    worker = WorkerProcess(LightWorker, name="The judge of raw files", memory_bytes=MEMORY_BYTES)
    try:
        return list(judged(worker, paths, lamp_off, settings or Settings()))
    finally:
        worker.close()


def light_text(rows: Sequence[dict[str, Any]]) -> str:
    """Return the same for a person, a paragraph a file."""
    return "\n\n".join(_paragraph(row) for row in rows)


def _paragraph(row: dict[str, Any]) -> str:
    if "error" in row:
        return failure_text(row)
    flicker = row["flicker_percent"]
    lines = [heading(row)]
    lines += findings_text(row["findings"]) or ["  The light is even and steady."]
    lines += [
        f"  Level     {-row['mean_ev']:.1f} stops below saturation "
        f"(a meter puts an open gate {-row['metered_ev']:.1f} below)",
        f"  Evenness  {row['evenness_percent']:.1f} % ({row['evenness_ev']:.2f} stops): darkest "
        f"{row['darkest']}, lightest {row['lightest']}",
        f"  Flicker   {f'{flicker:.1f} %' if flicker else 'no bands found'}",
    ]
    if row["neutral"]:
        colours = ", ".join(f"{name} {value:.3f}" for name, value in row["neutral"].items())
        lines.append(f"  Colour    {colours} (raw values of the lamp)")
    if row["stray_share"] is not None:
        share = row["stray_share"]
        reach = f"densities up to {-np.log10(share):.1f}" if share > 0 else "no limit from it"
        lines.append(f"  Stray     {percent(share)} of the light with the lamp off: {reach}")
    return "\n".join([*lines, "  Light in per cent of the lightest part:", *_pattern(row["grid"])])


def _pattern(grid: Sequence[Sequence[float | None]]) -> list[str]:
    cells = np.array([[np.nan if v is None else v for v in row] for row in grid], np.float64)
    rows, columns = (n // m for n, m in zip(cells.shape, _SHOWN, strict=True))
    lines = []
    for r in range(_SHOWN[0]):
        words = []
        for c in range(_SHOWN[1]):
            part = cells[r * rows : (r + 1) * rows, c * columns : (c + 1) * columns]
            known = part[np.isfinite(part)]
            words.append(f"{100 * known.mean():4.0f}" if known.size else "   -")
        lines.append("   " + " ".join(words))
    return lines


def _grid(grid: np.ndarray[Any, np.dtype[np.float32]]) -> list[list[float | None]]:
    return [[round(float(v), 4) if np.isfinite(v) else None for v in row] for row in grid]


def _stray(mosaic: Mosaic, lamp_off: Path, strobe: bool) -> float:
    from tether.measure.exposure.advice import exposure_ratio
    from tether.measure.light.open_gate import stray_share
    from tether.measure.survey import survey
    from tether.raw.open import open_mosaic

    dark = open_mosaic(lamp_off)
    if dark.channels != mosaic.channels:
        raise TetherError("The frame with the lamp off comes from another kind of sensor.")
    ratio = exposure_ratio(
        (dark.exposure_seconds, dark.iso, dark.f_number),
        (mosaic.exposure_seconds, mosaic.iso, mosaic.f_number),
        strobe=strobe,
    )
    return stray_share(survey(dark), survey(mosaic), ratio or 1.0)
