"""What `measure` says of raw files: one object a file, and the same in words for a person."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tether.cli.judged_files import (
    MEMORY_BYTES,
    failure_text,
    file_facts,
    findings_text,
    heading,
    judged,
    wrapped,
)
from tether.film import FILM_FORMATS, FilmProcess
from tether.findings import Verdict
from tether.measure.roll.memory import OpenGate
from tether.settings import Settings
from tether.text import percent
from tether.worker_process import WorkerProcess

_SATURATED_EV = -0.03
"""Level from which the base counts as saturated, in stops from saturation."""


class FrameWorker:
    """Opens and measures frames; lives in the worker process."""

    def __init__(self) -> None:
        self._gate: tuple[Path, OpenGate] | None = None

    def measure(
        self,
        path: Path,
        process: FilmProcess,
        format_key: str,
        open_gate: Path | None,
        settings: Settings,
    ) -> dict[str, Any]:
        """Return the object of one file; see docs/json.md.

        Raises
        ------
        TetherError
            When the file, or the open gate, cannot be read as a raw file.
        """
        from tether.measure.frame import FrameContext, measure_frame
        from tether.raw.open import open_mosaic

        gate = self._open_gate(open_gate) if open_gate else None
        mosaic = open_mosaic(path)
        facts = file_facts(path, mosaic)
        context = FrameContext(process, FILM_FORMATS[format_key], settings=settings, open_gate=gate)
        return facts | measure_frame(mosaic, context).as_json()

    def _open_gate(self, path: Path) -> OpenGate:
        from tether.measure.light.flat import flat_of
        from tether.raw.open import open_mosaic

        if self._gate is None or self._gate[0] != path:
            self._gate = (path, flat_of(open_mosaic(path)))
        return self._gate[1]

    def check(self, open_gate: Path) -> None:
        """Raise TetherError when the open gate cannot be used."""
        self._open_gate(open_gate)


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
    worker = WorkerProcess(FrameWorker, name="The judge of raw files", memory_bytes=MEMORY_BYTES)
    try:
        if open_gate is not None:
            worker.start()
            worker.call("check", open_gate, timeout=120.0)
        return list(judged(worker, paths, process, format_key, open_gate, settings or Settings()))
    finally:
        worker.close()


def measure_text(rows: Sequence[dict[str, Any]], process: FilmProcess) -> str:
    """Return the same for a person, a paragraph a file."""
    return "\n\n".join(_paragraph(row, process) for row in rows)


def _paragraph(row: dict[str, Any], process: FilmProcess) -> str:
    if "error" in row:
        return failure_text(row)
    verdict = Verdict(row["verdict"])
    lines = [heading(row), f"  {verdict.mark} {verdict.word.capitalize()}"]
    lines += findings_text(row["findings"])
    lines += wrapped(_exposure(row, process), "  ", "  ")
    lines += wrapped(_saturation(row), "  ", "  ")
    lines += _densities(row.get("density"))
    return "\n".join(lines)


def _exposure(row: dict[str, Any], process: FilmProcess) -> str:
    base, advice = row["base_ev"], row["advice_ev"]
    if base is not None and base > _SATURATED_EV:
        where = "The film's base is saturated"
    elif base is not None:
        where = f"The film's base lies {-base:.1f} stops below saturation"
    elif process.is_negative:
        where = "The film's base was not found"
    else:
        least = min(row["headroom_ev"].values())
        where = f"The lightest parts lie {least:.1f} stops below saturation"
    if abs(advice) < 0.05:
        return f"{where}."
    change = f"{abs(advice):.1f} stops {'more' if advice > 0 else 'less'} light"
    return f"{where}; {change} would meet the target."


def _saturation(row: dict[str, Any]) -> str:
    inside, whole = row["saturated_picture"], row["saturated"]
    if not any(whole.values()):
        return "Nothing is saturated."
    shares = ", ".join(
        f"{name} {percent(inside[name])} ({percent(whole[name])})" for name in sorted(whole)
    )
    return f"Saturated in the picture (in the whole file): {shares}."


def _densities(density: dict[str, dict[str, float | None]] | None) -> list[str]:
    if not density:
        return []
    lines = ["  Density     base   1 %    50 %   99 %"]
    for name in sorted(density):
        values = (density[name].get(key) for key in ("base", "p1", "p50", "p99"))
        cells = "  ".join("  - " if v is None else f"{v:5.2f}" for v in values)
        lines.append(f"    {name:<7} {cells}")
    return lines
