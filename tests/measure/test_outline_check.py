"""An outline is believed only where rebate lies beside it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from tests.measure.on_bench import plain
from tether.measure.framing.position import Framing, rests_on_rebate
from tether.measure.shapes import Quad
from tether.measure.survey import survey

BASE = 0.6
SCALE = 24.0


def _framing(box: tuple[float, float, float, float], **more: Any) -> Framing:
    left, top, right, bottom = box
    values: dict[str, object] = {
        "picture": Quad(((left, top), (right, top), (right, bottom), (left, bottom))),
        "seen": ("left", "top", "right", "bottom"), "rotation": 0.0, "scale": SCALE,
        "turned": False, "missing": dict.fromkeys(("left", "top", "right", "bottom"), 0.0),
        "share": 0.8, "rebate": math.log2(BASE), "offset_mm": (0.0, 0.0), "sure": True,
    }  # fmt: skip
    return Framing(**(values | more))  # type: ignore[arg-type]


def _night(level: float = BASE) -> np.ndarray:
    """A picture that is nearly all base, with a grid of lit windows; its edges are at 48 / 32."""
    signal = np.full((640, 960), level)
    signal[32:608, 48:912] = level * 0.9
    for top in range(100, 560, 60):
        for left in range(120, 860, 60):
            signal[top : top + 24, left : left + 24] = 0.05
    return signal


def test_the_right_outline_is_believed() -> None:
    picture = survey(plain(_night()))
    assert rests_on_rebate(_framing((48, 32, 912, 608)), picture, negative=True)


@pytest.mark.parametrize("box", [(120, 100, 840, 520), (48, 32, 912, 410), (200, 32, 912, 608)])
def test_borders_inside_the_picture_are_not(box: tuple[float, float, float, float]) -> None:
    picture = survey(plain(_night()))
    assert not rests_on_rebate(_framing(box), picture, negative=True)


def test_nothing_is_cut_off_where_rebate_ends_the_view() -> None:
    picture = survey(plain(_night()))
    said = _framing(
        (48, -80, 912, 608), seen=("left", "right", "bottom"),
        missing={"left": 0.0, "top": 3.3, "right": 0.0, "bottom": 0.0},
    )  # fmt: skip
    assert not rests_on_rebate(said, picture, negative=True)


def test_a_picture_that_runs_out_of_the_view_is_cut_off() -> None:
    signal = _night()
    signal[:32, 48:912] = 0.2
    signal[560:600, 48:912] = 0.05
    said = _framing(
        (48, -80, 912, 608), seen=("left", "right", "bottom"),
        missing={"left": 0.0, "top": 3.3, "right": 0.0, "bottom": 0.0},
    )  # fmt: skip
    assert rests_on_rebate(said, survey(plain(signal)), negative=True)


def test_bare_light_beside_three_edges_is_no_rebate() -> None:
    signal = np.full((640, 960), 1.0)
    signal[60:580, 48:] = 0.5
    said = _framing((48, 60, 828, 580), seen=("left", "top", "bottom"), rebate=0.0)
    assert not rests_on_rebate(said, survey(plain(signal)), negative=True)


def test_a_transparencys_rebate_is_dark() -> None:
    signal = np.full((640, 960), 0.0005)
    signal[32:608, 48:912] = 0.3
    picture = survey(plain(signal))
    right = _framing((48, 32, 912, 608), rebate=math.log2(0.0005))
    wrong = _framing((148, 132, 812, 508), rebate=math.log2(0.0005))
    assert rests_on_rebate(right, picture, negative=False)
    assert not rests_on_rebate(wrong, picture, negative=False)
