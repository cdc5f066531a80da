"""Plots: what they show is in proportion, and said in words."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import numpy as np
import pytest

from tether.delivery.page.plots import cell_map, line_plot
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
