"""The line of numbers under a verdict."""

from __future__ import annotations

import pytest
from rich.console import Console

from tether.facts import Facts
from tether.findings import Verdict
from tether.tui.widgets.verdict_panel import facts_view


def shown(facts: dict[str, object]) -> str:
    console = Console(width=78, record=True, file=None, quiet=True)
    console.begin_capture()
    console.quiet = False
    console.print(facts_view(Facts.read(facts), Verdict.LOOK, 60))
    return console.end_capture()


@pytest.mark.parametrize(
    ("facts", "there", "not_there"),
    [
        # The finding's number and the line's are the picture's own.
        (
            {"headroom_ev": {"R": 0.1, "G1": 0.0}, "headroom_picture_ev": {"R": 2.4, "G1": 1.5}},
            "highlights -1.50",
            "in view",
        ),
        (
            {"base_ev": -0.5, "headroom_picture_ev": {"R": 2.4, "G1": 0.4}},
            "base -0.50 stops  lightest -0.40",
            "highlights",
        ),
        ({"headroom_ev": {"R": 0.4, "G1": 0.2}}, "lightest in view -0.20", "highlights"),
    ],
)
def test_highlights_are_those_of_the_picture(
    facts: dict[str, object], there: str, not_there: str
) -> None:
    text = shown(facts)
    assert there in text
    assert not_there not in text


def test_the_rows_are_red_green_and_blue_whatever_the_sensor_begins_with() -> None:
    counts = {name: [0, 3000, 1000] for name in ("G2", "B", "R", "G1")}
    text = shown({"histogram": {"lowest_ev": -10.0, "counts": counts}})
    assert text.index("R ") < text.index("G ") < text.index("B ")
    assert "G1" not in text


@pytest.mark.parametrize(("moved", "apart"), [(60, False), (600, True)])
def test_greens_that_differ_by_more_than_chance_are_two_rows(moved: int, apart: bool) -> None:
    # Counts of 3000 and 1000 scatter by their square roots, 55 and 32 (Poisson).
    counts = {"R": [3000, 1000], "G1": [3000, 1000], "G2": [3000 - moved, 1000 + moved]}
    text = shown({"histogram": {"lowest_ev": -10.0, "counts": counts}})
    assert ("G1" in text, "G2" in text) == (apart, apart)
