"""Plots: what they show is in proportion, and said in words."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest

from tether.delivery.page import plots
from tether.delivery.page.plots import cell_map, histogram, line_plot
from tether.positive.flat_field import from_grid


def heights(svg: ET.Element) -> list[float]:
    return [float(dot.attrib["cy"]) for dot in svg.iter("circle")]


def test_what_hardly_varies_does_not_look_as_if_it_did() -> None:
    values = {1: -0.525, 2: -0.526, 3: -0.524}
    calm = heights(line_plot(values, "Base", "stops", 3, target=-0.5, least=2.0))
    assert np.ptp(calm) < 1
    assert np.ptp(heights(line_plot(values, "Base", "stops", 3))) > 50


def test_an_outlier_stays_in_view_and_the_target_is_drawn() -> None:
    svg = line_plot({1: -0.5, 2: -3.0}, "Base", "stops", 3, target=-0.5, least=2.0)
    top, low = heights(svg)
    assert 0 < top < low < 160
    (target,) = (line for line in svg.iter("line") if line.attrib["class"] == "b")
    assert float(target.attrib["y1"]) == pytest.approx(top, abs=0.1)
    assert svg.attrib["aria-label"] == "Base: 2 frames, from -3.00 to -0.50 stops."


def test_the_map_of_the_light_has_its_numbers_where_they_were_measured() -> None:
    grid = np.full((3, 24, 36), 0.8, np.float32)
    grid[:, 20:, 32:] = 0.4  # one corner has half the light: a stop less
    cells = from_grid(("R", "G", "B"), grid).stops_under(6, 9)
    assert (len(cells), len(cells[0])) == (6, 9)
    assert cells[5][8] == pytest.approx(1.0, abs=0.01)
    assert cells[0][0] == 0.0
    svg = cell_map(cells, "Light", "words")
    texts = [t.text for t in svg.iter("text")]
    shades = [float(r.attrib["fill-opacity"]) for r in svg.iter("rect")]
    assert (len(texts), texts[-1], texts[0]) == (54, "1.00", "0.00")
    assert shades[-1] > 0.4 > shades[0] == 0.0


def test_the_colours_of_a_histogram_are_those_that_its_caption_names() -> None:
    folder = Path(plots.__file__).parent
    style = (folder / "style.css").read_text("utf-8")
    assert "Red dashed, green solid, blue dotted." in (folder / "page.html").read_text("utf-8")
    svg = histogram({"R": [1.0], "G1": [1.0], "G2": [1.0], "B": [1.0]}, -1.0, 1.0, "Histogram")
    classes = [line.attrib["class"] for line in svg.iter("polyline")]
    assert classes == ["red", "green", "green", "blue"]
    dashes = {}
    for name in ("red", "green", "blue"):
        (rule,) = re.findall(rf"(?<!, )\.{name} {{([^}}]*stroke: [^}}]*)}}", style)
        variable = rule.split("stroke: var(")[1].split(")")[0]
        for colour in re.findall(rf"{variable}: #(\w{{6}});", style):  # light, dark; print is grey
            parts = [int(colour[i : i + 2], 16) for i in (0, 2, 4)]
            assert ("red", "green", "blue")[parts.index(max(parts))] == name
        dashes[name] = rule.partition("stroke-dasharray: ")[2].split(";")[0]
    assert dashes == {"red": "6 3", "green": "", "blue": "2 3"}
