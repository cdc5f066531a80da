"""Headroom, histogram, and advice on the camera's own list."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.measure.on_bench import NAMES, plain
from tether.findings import Severity, Verdict, verdict_of
from tether.measure.exposure.advice import (
    advise,
    exposure_ratio,
    nearest_exposure,
    negative_findings,
    transparency_findings,
)
from tether.measure.exposure.base import Base, highest_base_ev
from tether.measure.exposure.saturation import BIN_EV, LOWEST_EV, ev_histogram, headroom
from tether.measure.light.open_gate import METERED_FIELD_EV
from tether.measure.roll.comparison import highlights_for_roll, is_settled
from tether.measure.roll.memory import KnownBase, OpenGate, RollMemory
from tether.measure.survey import survey
from tether.settings import ExposureSettings

# Nominal shutter times in thirds of a stop (ISO 516 lists the full ones; thirds: common practice).
SHUTTERS = tuple((f"1/{n}", 1 / n) for n in (4, 5, 6, 8, 10, 13, 15, 20, 25, 30, 40, 50, 60))
LIMITS = ExposureSettings()


def test_a_metered_open_gate_lies_three_stops_under_saturation() -> None:
    # ISO 12232: the least speed by saturation is 78 / H_sat, a meter's mean exposure 10 / S.
    # ISO 100 saturates at 0.78 lux seconds then, and a meter gives 0.1.
    room = headroom(survey(plain(np.full((256, 384), 0.1 / 0.78))))
    assert room == pytest.approx(dict.fromkeys(NAMES, -METERED_FIELD_EV), abs=0.01)


def test_headroom_is_zero_where_saturated_and_never_negative() -> None:
    signal = np.full((256, 384), 0.25)
    signal[:8] = 1.0
    assert headroom(survey(plain(signal))) == dict.fromkeys(NAMES, 0.0)


def test_headroom_looks_past_a_thousandth_of_the_photosites() -> None:
    signal = np.full((1000, 1000), 0.5)
    signal[400:420, 400:420] = 1.0  # 0.04 per cent
    assert headroom(survey(plain(signal))) == pytest.approx(dict.fromkeys(NAMES, 1.0), abs=0.01)


def test_histogram_bins_are_quarter_stops() -> None:
    counts = ev_histogram(np.array([1.0, 2**-0.1, 2**-0.3, 2**-9.9, 0.0, 5.0], np.float32))
    assert len(counts) == round(-LOWEST_EV / BIN_EV)
    assert counts[-1] == 3
    assert counts[-2] == 1
    assert counts[0] == 2


def test_the_nearest_setting_is_the_cameras_own() -> None:
    assert nearest_exposure(SHUTTERS, 1 / 15, -1.0) == ("1/30", 1 / 30)
    assert nearest_exposure((), 1 / 15, 1.0) is None


@given(st.sampled_from(SHUTTERS), st.floats(-3, 3))
def test_no_other_setting_comes_nearer(now: tuple[str, float], ev: float) -> None:
    chosen = nearest_exposure(SHUTTERS, now[1], ev)
    assert chosen is not None
    miss = abs(math.log2(chosen[1] / now[1]) - ev)
    assert all(miss <= abs(math.log2(s[1] / now[1]) - ev) + 1e-9 for s in SHUTTERS)


def test_exposure_goes_with_time_iso_and_the_square_of_the_f_number() -> None:
    # ISO 12232: H is proportional to t / N². A stop each: f/8 to f/5.66, ISO 200, 2 t.
    then = (1 / 15, 100.0, 8.0)
    assert exposure_ratio((2 / 15, 200.0, 8 / math.sqrt(2)), then) == pytest.approx(8.0)
    assert exposure_ratio((1 / 15, None, None), then) == 1.0
    assert exposure_ratio((None, 100.0, 8.0), then) is None


def _said(base_ev: float, source: str = "rebate", **kw: float | None) -> list[str]:
    base = Base(dict.fromkeys(NAMES, 2**base_ev), source, clipped=base_ev > -0.02)
    advice = advise(LIMITS.base_target_ev - base_ev, ("1/15", 1 / 15), SHUTTERS, 1 / 3)
    expected = kw.get("expected")
    return [
        f"{f.severity.value} {f.code}"
        for f in negative_findings(base, advice, dict.fromkeys(NAMES, 0.0), expected, LIMITS)
    ]


@pytest.mark.parametrize(
    ("base_ev", "said"),
    [
        (-0.5, []),
        (-0.8, []),
        (-0.2, []),
        (-0.9, ["look base-off-target"]),
        (-0.1, ["look base-off-target"]),
        (-1.6, ["reshoot base-off-target"]),
        (0.0, ["reshoot base-saturated"]),
    ],
)
def test_base_half_a_stop_under_saturation_within_a_third(base_ev: float, said: list[str]) -> None:
    # Common practice, no published source: target -0.5, tolerance a third of a stop.
    assert _said(base_ev) == said


def test_less_is_claimed_where_only_the_picture_tells() -> None:
    assert _said(-1.6, "picture") == ["note base-off-target", "note rebate-not-seen"]
    assert _said(-0.1, "picture") == ["look base-off-target", "note rebate-not-seen"]


def _of_picture(base_ev: float, lightest_ev: float, **known: Any) -> str:
    base = Base(dict.fromkeys(NAMES, 2**base_ev), "picture", clipped=False)
    advice = advise(LIMITS.base_target_ev - base_ev, ("1/15", 1 / 15), SHUTTERS, 1 / 3)
    found = negative_findings(
        base, advice, dict.fromkeys(NAMES, 0.0), None, LIMITS, lightest_ev, **known
    )
    (finding,) = [f for f in found if f.code == "base-off-target"]
    return f"{finding.severity.value}: {finding.text}"


def test_many_pictures_without_a_lighter_tone_say_more_than_one() -> None:
    # On the bench the lightest tone of six pictures lies at most 0.65 stops under the base, of
    # pictures that were all overexposed by three stops 2.6.
    lightest = "The brightest tone is {} stops below the target for the film base."
    assert _of_picture(-3.0, -2.9) == "note: " + lightest.format(2.5)
    assert _of_picture(-3.0, -2.9, pictures=5) == "note: " + lightest.format(2.5)
    assert _of_picture(-3.0, -2.9, pictures=6) == "look: " + lightest.format(2.5)
    assert _of_picture(-2.3, -2.2, pictures=9) == "note: " + lightest.format(1.8)
    assert _of_picture(-3.9, -3.8) == "look: " + lightest.format(3.4)


def test_the_open_gate_says_where_the_base_lies_at_the_highest() -> None:
    least = "Judged by the open gate, the film base is at least {} stops below the target."
    assert _of_picture(-3.0, -2.9, highest_ev=-2.0) == "reshoot: " + least.format(1.5)
    assert _of_picture(-1.6, -1.5, highest_ev=-1.0) == "look: " + least.format(0.5)
    assert _of_picture(-1.6, -1.5, highest_ev=-0.6).startswith("note: ")


def test_base_lets_no_more_light_through_than_a_tenth_of_density_less_than_none() -> None:
    grid = np.full((4, 2, 3), 0.4, np.float32)
    gate = OpenGate(NAMES, grid, (1 / 30, 100.0, 8.0), "")
    # Twice the exposure of the open gate; a density of 0.1 is 0.33 stops (ISO 5-1).
    expected = math.log2(0.8) - 0.1 / math.log10(2)
    assert highest_base_ev(gate, 2.0, 0.1) == pytest.approx(expected, abs=1e-6)
    assert highest_base_ev(gate, None, 0.1) is None
    assert highest_base_ev(None, 1.0, 0.1) is None
    saturated = OpenGate(NAMES, grid * 2.5, gate.exposure, "")
    assert highest_base_ev(saturated, 1.0, 0.1) is None


def test_a_change_of_the_light_is_told() -> None:
    assert _said(-0.5, expected=-1.1) == ["look light-changed"]
    assert _said(-0.5, expected=-0.6) == []
    base = Base(dict.fromkeys(NAMES, 2**-0.5), "rebate", clipped=False)
    advice = advise(0.0, ("1/15", 1 / 15), SHUTTERS, 1 / 3)
    for expected, said in ((-1.1, "moved or turned up"), (0.1, "moved or dimmed")):
        (found,) = negative_findings(base, advice, dict.fromkeys(NAMES, 0.0), expected, LIMITS)
        assert said in found.action


def test_a_view_without_anything_of_the_rebates_light_is_told() -> None:
    advice = advise(0.0, ("1/15", 1 / 15), SHUTTERS, 1 / 3)
    for source, missing, codes in (
        ("roll", True, ["light-changed"]), ("roll", False, []), ("rebate", True, []),
    ):  # fmt: skip
        base = Base(dict.fromkeys(NAMES, 2**-0.5), source, clipped=False)
        found = negative_findings(
            base, advice, dict.fromkeys(NAMES, 0.0), -0.5, LIMITS, rebate_missing=missing
        )
        assert [f.code for f in found] == codes


@pytest.mark.parametrize(("lightest", "severity"), [(-1.2, "look"), (-2.0, "reshoot")])
def test_more_than_a_stop_too_dark_weighs_as_much_as_too_bright(
    lightest: float, severity: str
) -> None:
    advice = advise(0.0, ("1/15", 1 / 15), SHUTTERS, 1 / 3)
    base = Base(dict.fromkeys(NAMES, 2**-0.5), "roll", clipped=False)
    (found,) = negative_findings(
        base, advice, dict.fromkeys(NAMES, 0.0), -0.5, LIMITS, lightest, rebate_missing=True
    )
    assert (found.code, found.severity.value) == ("light-changed", severity)


def test_advice_names_stops_direction_and_setting() -> None:
    advice = advise(-1.0, ("1/15", 1 / 15), SHUTTERS, 1 / 3)
    assert advice.words == "Give 1.0 stops less light: set the shutter to 1/30."
    assert advise(0.2, ("1/15", 1 / 15), SHUTTERS, 1 / 3).shutter is None
    far = advise(5.0, ("1/15", 1 / 15), SHUTTERS, 1 / 3)
    assert "nearest shutter time 1/4" in far.words
    assert advise(1.0, None, SHUTTERS, 1 / 3).words == "Give 1.0 stops more light."


def test_nothing_of_a_transparency_may_saturate() -> None:
    advice = advise(-1.5, ("1/15", 1 / 15), SHUTTERS, 1 / 3)
    found = transparency_findings(advice, 0.0, {"G1": 0.002, "R": 0.0}, None, LIMITS)
    assert [f.code for f in found] == ["picture-saturated"]
    assert verdict_of(found) is Verdict.RESHOOT
    assert "G1" in found[0].text
    assert transparency_findings(advice, 0.4, {"G1": 5e-5}, None, LIMITS) == []


def test_a_dark_transparency_is_only_noted() -> None:
    advice = advise(1.6, ("1/15", 1 / 15), SHUTTERS, 1 / 3)
    found = transparency_findings(advice, 2.1, {"G1": 0.0}, None, LIMITS)
    assert [f.severity for f in found] == [Severity.NOTE]


def test_a_dark_transparency_among_light_ones_is_right_as_it_is() -> None:
    def said(ev: float, settled: bool) -> list[Severity]:
        advice = advise(ev, ("1/15", 1 / 15), SHUTTERS, 1 / 3)
        found = transparency_findings(advice, ev + 0.5, {"G1": 0}, None, LIMITS, settled=settled)
        return [f.severity for f in found]

    assert said(1.5, settled=False) == [Severity.NOTE]
    assert said(3.5, settled=False) == [Severity.LOOK]
    assert said(1.5, settled=True) == []
    assert said(3.5, settled=True) == [Severity.NOTE]
    assert said(5.5, settled=True) == [Severity.LOOK]


def test_the_lightest_transparency_so_far_says_whether_the_exposure_is_right() -> None:
    at, memory = (1 / 30, 100.0, 8.0), RollMemory()
    assert not is_settled(memory, at, LIMITS)
    for room, level in ((3.0, -3.0), (0.6, -0.6), (4.0, -0.6)):
        told = highlights_for_roll({"R": room + 1, "G1": room}, memory, at)
        memory = replace(memory, base=told or memory.base)
        assert memory.base is not None
        assert math.log2(max(memory.base.signal.values())) == pytest.approx(level)
        assert is_settled(memory, at, LIMITS) is (level == -0.6)
    # A quarter of the time is two stops less; four times would saturate.
    assert not is_settled(memory, (1 / 120, 100.0, 8.0), LIMITS)
    assert not is_settled(memory, (4 / 30, 100.0, 8.0), LIMITS)
    # Of what is saturated the level is not known; what was calibrated is not overruled.
    assert highlights_for_roll({"R": 0.2, "G1": 0.0}, memory, at) is None
    calibrated = replace(memory, base=KnownBase({"G1": 0.1}, at))
    assert highlights_for_roll({"G1": 0.5}, calibrated, at) is None
    assert is_settled(calibrated, at, LIMITS)


def test_no_light_at_all() -> None:
    found = negative_findings(None, advise(2.0, None, (), 1 / 3), {}, None, LIMITS)
    assert [f.code for f in found] == ["too-dark"]
