"""The page's plots as inline SVG: lines over the roll, the map of the light, histograms."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from tether.archive.records import Capture, Frame, Roll
from tether.facts import Facts
from tether.positive.flat_field import FlatField
from tether.text import printable

_WIDTH, _LEFT, _RIGHT, _TOP = 640, 52, 12, 12


@dataclass(frozen=True, slots=True)
class Plot:
    """A plot with its heading, and words to stand under it ("" for none)."""

    heading: str
    drawn: ET.Element
    words: str = ""


def roll_plots(
    roll: Roll, frames: Sequence[Frame], base_target: float, flat: FlatField | None
) -> list[Plot]:
    """Return what was measured over the roll, and the map of the light where it is known."""
    last = max((f.number for f in frames), default=1)
    target = base_target if roll.process.is_negative else None
    plots = []
    if bases := _over(frames, lambda facts: facts.seen_base_ev):
        title = "Film base, stops from clipping"
        dashed = "" if target is None else f" (dashed: the target, {target:g})"
        drawn = line_plot(bases, title, "stops", last, target=target, least=2.0)
        plots.append(Plot(title + dashed, drawn))
    if sharp := _over(frames, lambda facts: facts.sharpness):
        title, middle = "Sharpness (1 = roll's median)", median(sharp.values()) or 1.0
        relative = {n: v / middle for n, v in sharp.items()}
        words = "Pictures full of fine detail are higher. A slow fall means that focus is drifting."
        plots.append(Plot(title, line_plot(relative, title, "times", last, least=1.0), words))
    if turns := _over(frames, lambda facts: facts.rotation_degrees):
        title = "Rotation of the frame, degrees"
        plots.append(Plot(title, line_plot(turns, title, "degrees", last, least=1.0)))
    if flat is not None:
        cells = flat.stops_under(6, 9)
        words = (
            f"The darkest cell is {max(map(max, cells)):.2f} stops below the brightest. "
            "Positives are corrected for it."
        )
        drawn = cell_map(cells, "Light over the view", words)
        plots.append(Plot("Light over the view, stops below its brightest part", drawn, words))
    return plots


def _over(frames: Sequence[Frame], number: Callable[[Facts], float | None]) -> dict[int, float]:
    """Return a number of the chosen takes' facts by frame, where it was measured."""
    chosen = [(f.number, number(f.chosen.facts)) for f in frames if f.chosen]
    return {frame: value for frame, value in chosen if value is not None}


def capture_histogram(capture: Capture) -> ET.Element | None:
    """Return the histogram that a capture was judged by, None where there is none."""
    bars = capture.facts.histogram
    if bars is None:
        return None
    title = f"Histogram of frame {capture.frame}, take {capture.take}"
    counts = {printable(name, 12): values for name, values in bars.counts.items()}
    return histogram(counts, bars.lowest_ev, bars.bin_ev, title)


def line_plot(
    values: Mapping[int, float],
    title: str,
    unit: str,
    last: int,
    *,
    target: float | None = None,
    least: float = 0.0,
) -> ET.Element:
    """Return a plot of a value over the frames of a roll.

    Parameters
    ----------
    values
        By frame; frames without a value leave a gap.
    title, unit
        For the description.
    last
        The last frame of the roll.
    target
        A line to compare with, None for none.
    least
        What the axis spans at least, so that what does not matter does not look like much.
    """
    height, bottom = 204, 160
    known = {f: v for f, v in values.items() if math.isfinite(v)}
    level = [*known.values(), *([target] if target is not None else [])]
    low, high = (min(level), max(level)) if level else (0.0, 1.0)
    pad = max(0.1 * (high - low), (least - high + low) / 2, 1e-4)
    low, high = low - pad, high + pad
    x = _scale(1, max(last, 2), _LEFT, _WIDTH - _RIGHT)
    y = _scale(low, high, bottom, _TOP)
    svg = _svg(height, title, _spoken(title, known, unit))
    for tick in _ticks(low, high):
        _line(svg, "grid", (_LEFT, y(tick)), (_WIDTH - _RIGHT, y(tick)))
        _text(svg, (_LEFT - 6, y(tick) + 4), f"{tick:g}", "end")
    every = max(1, math.ceil(last / 12))
    for frame in range(1, last + 1, every):
        _text(svg, (x(frame), bottom + 16), str(frame), "middle")
    _text(svg, (_WIDTH - _RIGHT, height - 8), "frame", "end")
    if target is not None:
        _line(svg, "b", (_LEFT, y(target)), (_WIDTH - _RIGHT, y(target)))
    for run in _runs(sorted(known)):
        if len(run) > 1:
            points = " ".join(f"{x(f):.1f},{y(known[f]):.1f}" for f in run)
            ET.SubElement(svg, "polyline", {"class": "a", "points": points})
        for f in run:
            ET.SubElement(
                svg, "circle",
                {"class": "dot", "cx": f"{x(f):.1f}", "cy": f"{y(known[f]):.1f}", "r": "3"},
            )  # fmt: skip
    return svg


def cell_map(cells: Sequence[Sequence[float]], title: str, spoken: str) -> ET.Element:
    """Return a map of a view in cells, each with its number; the larger, the darker its ground.

    Parameters
    ----------
    cells
        Rows of numbers from 0 up, all as long as the first.
    title, spoken
        For the description.
    """
    wide, tall = 44, 26
    svg = _svg(tall * len(cells) + 2, title, spoken, wide * len(cells[0]) + 2)
    svg.set("class", "map")
    top = max(max(row) for row in cells)
    for row, values in enumerate(cells):
        for column, value in enumerate(values):
            x, y = 1 + column * wide, 1 + row * tall
            # Half a stop is a lot; less than that is not made to look like it.
            shade = 0.45 * value / max(top, 0.5)
            ET.SubElement(
                svg, "rect",
                {"class": "cell", "x": str(x), "y": str(y), "width": str(wide),
                 "height": str(tall), "fill-opacity": f"{shade:.2f}"},
            )  # fmt: skip
            _text(svg, (x + wide / 2, y + 17), f"{value:.2f}", "middle")
    return svg


def histogram(
    counts: Mapping[str, Sequence[float]], lowest_ev: float, bin_ev: float, title: str
) -> ET.Element:
    """Return a frame's histogram: share of photosites over stops below saturation.

    ``counts`` are by channel; channels of one colour are drawn with the same stroke.
    """
    width, height, bottom = 380, 162, 118
    bins = max((len(c) for c in counts.values()), default=0)
    top = max((max(c) / max(sum(c), 1) for c in counts.values() if len(c)), default=1.0) or 1.0
    x = _scale(lowest_ev, lowest_ev + bins * bin_ev, _RIGHT, width - _RIGHT)
    y = _scale(0, top, bottom, _TOP)
    svg = _svg(height, title, f"{title}. Channels: {', '.join(counts)}.", width)
    for ev in range(math.ceil(lowest_ev), math.ceil(lowest_ev + bins * bin_ev) + 1, 2):
        _line(svg, "grid", (x(ev), _TOP), (x(ev), bottom))
        _text(svg, (x(ev), bottom + 15), str(ev), "middle")
    _text(svg, (width - _RIGHT, height - 10), "stops from clipping", "end")
    strokes = {"R": "red", "B": "blue"}  # all others are green
    for name, values in counts.items():
        total = max(sum(values), 1)
        points = " ".join(
            f"{x(lowest_ev + (i + 0.5) * bin_ev):.1f},{y(v / total):.1f}"
            for i, v in enumerate(values)
        )
        if points:
            ET.SubElement(
                svg, "polyline", {"class": strokes.get(name[0], "green"), "points": points}
            )
    return svg


def _svg(height: int, title: str, spoken: str, width: int = _WIDTH) -> ET.Element:
    svg = ET.Element(
        "svg", {"viewBox": f"0 0 {width} {height}", "role": "img", "aria-label": spoken}
    )
    ET.SubElement(svg, "title").text = title
    return svg


def _spoken(title: str, known: Mapping[int, float], unit: str) -> str:
    if not known:
        return f"{title}: no values."
    return (
        f"{title}: {len(known)} frames, from {min(known.values()):.2f} to "
        f"{max(known.values()):.2f} {unit}."
    )


def _scale(low: float, high: float, start: float, end: float) -> Callable[[float], float]:
    span = (high - low) or 1.0
    return lambda value: start + (value - low) / span * (end - start)


def _ticks(low: float, high: float) -> list[float]:
    rough = (high - low) / 4
    size = 10 ** math.floor(math.log10(rough))
    step = next(size * m for m in (1, 2, 5, 10) if size * m >= rough)
    first = math.ceil(low / step)
    return [round(i * step, 6) for i in range(first, math.floor(high / step) + 1)]


def _runs(frames: Sequence[int]) -> list[list[int]]:
    runs: list[list[int]] = []
    for frame in frames:
        if runs and frame == runs[-1][-1] + 1:
            runs[-1].append(frame)
        else:
            runs.append([frame])
    return runs


def _line(svg: ET.Element, kind: str, start: tuple[float, float], end: tuple[float, float]) -> None:
    ET.SubElement(
        svg, "line",
        {"class": kind, "x1": f"{start[0]:.1f}", "y1": f"{start[1]:.1f}",
         "x2": f"{end[0]:.1f}", "y2": f"{end[1]:.1f}"},
    )  # fmt: skip


def _text(svg: ET.Element, place: tuple[float, float], text: str, anchor: str) -> None:
    ET.SubElement(
        svg, "text", {"x": f"{place[0]:.1f}", "y": f"{place[1]:.1f}", "text-anchor": anchor}
    ).text = text
