"""Whatever a raw file holds, the measurements of light, focus and dust end with numbers."""

from __future__ import annotations

import warnings

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.measure.on_bench import NAMES, TILES
from tether.measure.film.dust import find_spots
from tether.measure.focus.sharpness import measure_sharpness
from tether.measure.focus.softness import compare_focus, reference_of
from tether.measure.light.flat import flat_of, spread
from tether.measure.light.open_gate import judge_light, measure_light
from tether.measure.survey import survey
from tether.raw import Mosaic

SIX = np.array([[1, 1, 0, 1, 1, 2], [1, 1, 2, 1, 1, 0], [2, 0, 1, 0, 2, 1],
                [1, 1, 2, 1, 1, 0], [1, 1, 0, 1, 1, 2], [0, 2, 1, 2, 0, 1]])  # fmt: skip
KINDS = {
    "bayer": (np.array(TILES["GRBG"]), NAMES),
    "six by six": (SIX, ("R", "G", "B")),
    "grey": (np.zeros((1, 1), np.intp), ("Y",)),
}


@settings(max_examples=60)
@given(
    st.sampled_from(sorted(KINDS)),
    st.integers(16, 260),
    st.integers(16, 260),
    st.sampled_from(["noise", "black", "white", "below black", "half"]),
    st.integers(0, 1000),
)
def test_any_mosaic(kind: str, height: int, width: int, content: str, seed: int) -> None:
    pattern, names = KINDS[kind]
    rng = np.random.default_rng(seed)
    data = {
        "noise": rng.integers(0, 16_384, (height, width)),
        "black": np.full((height, width), 512),
        "white": np.full((height, width), 16_383),
        "below black": rng.integers(0, 512, (height, width)),
        "half": np.where(np.arange(width) < width // 2, 600, 9000) + np.zeros((height, 1), int),
    }[content].astype(np.uint16)
    mosaic = Mosaic(data, pattern, names, (512.0,) * len(names), (16_383.0,) * len(names))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        picture = survey(mosaic)
        light = measure_light(mosaic, picture)
        sharp = measure_sharpness(mosaic)
        spots = find_spots(mosaic)
        flat = spread(flat_of(mosaic, picture=picture).grid, picture.main.shape)
        compare_focus(sharp, reference_of([sharp] * 6))
        findings = judge_light(light, seconds=0.01)
    numbers = (light.mean_ev, light.evenness_ev, light.evenness_percent, light.flicker_percent)
    assert np.all(np.isfinite(numbers))
    assert np.all(np.isfinite(flat))
    assert np.all(np.isfinite(spots))
    assert all(0 <= light.evenness_percent <= 100 and f.text for f in findings)


def test_what_is_black_or_white_is_told() -> None:
    for value, code in ((512, "light-too-dark"), (16_383, "light-saturated")):
        mosaic = Mosaic(np.full((64, 96), value, np.uint16), np.array(TILES["RGGB"]), NAMES,
                        (512.0,) * 4, (16_383.0,) * 4)  # fmt: skip
        (finding,) = judge_light(measure_light(mosaic, survey(mosaic)))
        assert finding.code == code
