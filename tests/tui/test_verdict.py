"""The line of numbers under a verdict."""

from __future__ import annotations

import pytest
from rich.console import Console

from tether.facts import Facts
from tether.findings import Verdict
from tether.settings import ExposureSettings
from tether.tui.widgets.verdict_panel import facts_view


def shown(facts: dict[str, object]) -> str:
    console = Console(width=78, record=True, file=None, quiet=True)
    console.begin_capture()
    console.quiet = False
    console.print(facts_view(Facts.read(facts), Verdict.LOOK, 60, ExposureSettings()))
    return console.end_capture()


@pytest.mark.parametrize(
    ("facts", "there", "not_there"),
    [
        # The finding's number and the line's are the picture's own.
        (
            {"headroom_ev": {"R": 0.1, "G1": 0.0}, "headroom_picture_ev": {"R": 2.4, "G1": 1.5}},
            "highlights -1.5",
            "in view",
        ),
        (
            {"base_ev": -0.5, "headroom_picture_ev": {"R": 2.4, "G1": 0.4}},
            "base ◆ -0.5, target [-0.5]  brightest -0.4",
            "highlights",
        ),
        ({"headroom_ev": {"R": 0.4, "G1": 0.2}}, "brightest in view -0.2", "highlights"),
    ],
)
def test_highlights_are_those_of_the_picture(
    facts: dict[str, object], there: str, not_there: str
) -> None:
    text = shown(facts)
    assert there in text
    assert not_there not in text


@pytest.mark.parametrize(
    ("source", "unseen"), [("rebate", ""), ("roll", "roll"), ("picture", "about")]
)
def test_the_axis_has_the_base_that_was_seen_and_its_target(source: str, unseen: str) -> None:
    """A base that is only remembered, or guessed, is not shown as a measurement."""
    text = shown(
        {
            "base_ev": -2.0,
            "base_source": source,
            "histogram": {"lowest_ev": -10.0, "counts": {"R": [0, 10, 5]}},
        }
    )
    axis = text.splitlines()[-1]
    assert ("◆" in axis) is not bool(unseen)
    assert not unseen or f"base not in view ({unseen} -2.0, target [-0.5])" in text
    # Sixty characters for ten stops; the target is -0.5, give or take a third.
    scale = axis[axis.index("-10") :]
    assert (scale.index("["), scale.index("]")) == (54, 58)
    assert unseen or scale.index("◆") == 47


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
