"""The page's plots over the roll, and the map of the light."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from statistics import median

from tether.delivery.page.facts import PageFacts
from tether.delivery.page.html import add, section
from tether.delivery.page.plots import cell_map, line_plot
from tether.positive.flat_field import FlatField


def over_the_roll(main: ET.Element, facts: PageFacts) -> None:
    """Add the section with the plots, and the map of the light where it is known."""
    part = section(main, "over", "Over the roll")
    chosen = [(f.number, f.chosen) for f in facts.frames if f.chosen]
    last = max((f.number for f in facts.frames), default=1)
    target = facts.base_target if facts.roll.process.is_negative else None
    any_plot = False
    for key, title, unit, least in (
        ("base_ev", "Film base, stops from saturation", "stops", 2.0),
        ("sharpness", "Sharpness, times the roll's median", "times", 1.0),
        ("rotation_degrees", "Rotation of the frame, degrees", "degrees", 1.0),
    ):
        values = {n: v for n, c in chosen if (v := getattr(c.facts, key)) is not None}
        if not values:
            continue
        any_plot = True
        heading = title
        if key == "base_ev" and target is not None:
            heading += f" (dashed: the target, {target:g})"
        if key == "sharpness":
            middle = median(values.values()) or 1.0
            values = {n: v / middle for n, v in values.items()}
        add(part, "h3", heading)
        line = target if key == "base_ev" else None
        part.append(line_plot(values, title, unit, last, target=line, least=least))
        if key == "sharpness":
            words = "Pictures full of fine detail lie higher. A slow fall is a focus that drifts."
            add(part, "p", words, cls="quiet")
    if not any_plot:
        add(part, "p", "Nothing was measured over the roll.", cls="quiet")
    if facts.flat is not None:
        _light(part, facts.flat)


def _light(part: ET.Element, flat: FlatField) -> None:
    add(part, "h3", "Light over the view, stops under its brightest part")
    cells = flat.stops_under(6, 9)
    worst = max(max(row) for row in cells)
    words = (
        f"The darkest cell lies {worst:.2f} stops under the brightest; positives are evened out."
    )
    svg = cell_map(cells, "Light over the view", words)
    svg.set("class", "map")
    part.append(svg)
    add(part, "p", words, cls="quiet")
