"""What was judged of raw files, in words for a person: a paragraph for each file."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from tether.film import FilmProcess
from tether.findings import Severity, Verdict
from tether.measure.light.open_gate import neutral_words
from tether.text import percent, printable

_SLOPE_OFF = 0.02
"""How far the slope of all channels may be from 1 before its usual reasons are named."""
_PATTERN = (4, 6)
"""Rows and columns of the light's pattern as it is printed."""

Rows = Sequence[dict[str, Any]]
"""Objects as `tether.cli.judged_files` returns them."""


def measure_text(rows: Rows, process: FilmProcess) -> str:
    """Say what was measured of frames."""
    return _paragraphs(rows, lambda row: _frame(row, process))


def light_text(rows: Rows) -> str:
    """Say what was measured of open gates."""
    return _paragraphs(rows, _light)


def tablet_text(rows: Rows) -> str:
    """Say what was read of step tablets: a table of steps each."""
    return _paragraphs(rows, _tablet)


def _paragraphs(rows: Rows, lines: Callable[[dict[str, Any]], list[str]]) -> str:
    """Return a paragraph for each file: its name and size, and what there is to say."""
    texts = []
    for row in rows:
        name = printable(Path(row["file"]).name or row["file"], 80)
        if "error" in row:
            said = [name, *_wrapped(f"Not checked. {row['error']}", "  ", "  ")]
        else:
            said = [f"{name}   {row['width']} x {row['height']}", *lines(row)]
        texts.append("\n".join(said))
    return "\n\n".join(texts)


def _frame(row: dict[str, Any], process: FilmProcess) -> list[str]:
    verdict = Verdict(row["verdict"])
    return [
        f"  {verdict.mark} {verdict.word.capitalize()}",
        *_findings(row["findings"]),
        *_wrapped(_exposure(row, process), "  ", "  "),
        *_wrapped(_saturation(row), "  ", "  "),
        *_densities(row.get("density"), row["base"]),
    ]


def _exposure(row: dict[str, Any], process: FilmProcess) -> str:
    base, advice = row["base_ev"], row["advice_ev"]
    if base is None and row["base"]:
        where = "The film base is clipped"
    elif base is not None:
        which = {
            "roll": "The film base is not in view; by the earlier frames it",
            "picture": "The film base is not in view; the brightest film",
        }.get(row["base_source"], "The film base")
        where = f"{which} is {-base:.1f} stops below clipping"
    elif process.is_negative:
        where = "The film base was not found"
    else:
        least = min(row["headroom_ev"].values())
        where = f"The brightest parts are {least:.1f} stops below clipping"
    if abs(advice) < 0.05:
        return f"{where}."
    change = f"{abs(advice):.1f} stops {'more' if advice > 0 else 'less'} light"
    if row["advice_at_least"]:
        return f"{where}. At least {change} is needed to meet the target."
    return f"{where}. {change.capitalize()} would meet the target."


def _saturation(row: dict[str, Any]) -> str:
    inside, whole = row["saturated_picture"], row["saturated"]
    if not any(whole.values()):
        return "Nothing is clipped."
    shares = ", ".join(
        f"{name} {percent(inside[name])} ({percent(whole[name])})" for name in sorted(whole)
    )
    return f"Clipped in the picture (in the whole file): {shares}."


def _densities(
    density: dict[str, dict[str, float | None]] | None, base: dict[str, float | None] | None
) -> list[str]:
    if not density:
        return []
    lines = ["  Density       base      1 %     50 %     99 %"]
    for name in sorted(density):
        cells = "".join(
            f"{value:9.2f}" if value is not None
            else f"{'-' if key == 'base' and not base else 'clipped':>9}"
            for key, value in density[name].items()
        )  # fmt: skip
        lines.append(f"    {name:<5}{cells}")
    return lines


def _light(row: dict[str, Any]) -> list[str]:
    flicker = row["flicker_percent"]
    lines = _findings(row["findings"]) or ["  The lamp is even and steady."]
    if any(f["code"] == "light-saturated" for f in row["findings"]):
        return [*lines, "  Level     clipped"]
    lines += [
        f"  Level     {-row['mean_ev']:.1f} stops below clipping "
        f"(a meter puts an open gate {-row['metered_ev']:.1f} below)",
        f"  Evenness  {row['evenness_percent']:.1f} % ({row['evenness_ev']:.2f} stops): darkest "
        f"{row['darkest']}, brightest {row['lightest']}",
        f"  Flicker   {f'{flicker:.1f} %' if flicker else 'no bands found'}",
    ]
    if row["neutral"]:
        lines.append(f"  Colour    {neutral_words(row['neutral'])}")
    if row["stray_share"] is not None:
        share = row["stray_share"]
        reach = f"densities up to {-math.log10(share):.1f}" if share > 0 else "no limit"
        lines.append(f"  Stray     {percent(share)} of the light with the lamp off: {reach}")
    return [*lines, "  Light in % of the brightest part:", *_pattern(row["grid"])]


def _pattern(grid: Sequence[Sequence[float | None]]) -> list[str]:
    cells = np.array([[np.nan if v is None else v for v in row] for row in grid], np.float64)
    rows, columns = (n // m for n, m in zip(cells.shape, _PATTERN, strict=True))
    lines = []
    for r in range(_PATTERN[0]):
        words = []
        for c in range(_PATTERN[1]):
            part = cells[r * rows : (r + 1) * rows, c * columns : (c + 1) * columns]
            known = part[np.isfinite(part)]
            words.append(f"{100 * known.mean():4.0f}" if known.size else "   -")
        lines.append("   " + " ".join(words))
    return lines


def _tablet(row: dict[str, Any]) -> list[str]:
    names = sorted(row["channels"])
    lines = [f"  {row['rows']} x {row['columns']} steps"]
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
        lines.append("  Some steps read no denser than the step before.")
    slopes = [row["channels"][name]["slope"] for name in names]
    if min(slopes) > 1 + _SLOPE_OFF:
        lines += _wrapped(
            "All channels read too dense. Silver blocks more of directed than of diffuse light "
            "(Callier's effect; ISO 5-2). Put an opal diffuser under the tablet. Or its steps are "
            "larger than stated.",
            "  ", "  ",
        )  # fmt: skip
    elif max(slopes) < 1 - _SLOPE_OFF:
        lines += _wrapped(
            "All channels read too thin: stray light and glare fill the dense steps. Mask the "
            "light around the tablet, and clean the lens. Or its steps are smaller than stated.",
            "  ", "  ",
        )  # fmt: skip
    return lines


def _findings(findings: Sequence[dict[str, Any]]) -> list[str]:
    """Return the findings as lines for a person, what to do under what was seen."""
    lines = []
    for finding in findings:
        lines += _wrapped(finding["text"], f"  {Severity(finding['severity']).mark} ", "    ")
        lines += _wrapped(finding["action"], "    ", "    ")
    return lines


def _wrapped(text: str, first: str, others: str) -> list[str]:
    """Break a sentence from a file or a measurement into lines that a terminal shows whole."""
    return textwrap.wrap(printable(text, 500), 88, initial_indent=first, subsequent_indent=others)
