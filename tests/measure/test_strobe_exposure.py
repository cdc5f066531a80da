"""With a strobe the shutter time says nothing: advice in stops, and no exposure reckoned by it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tether_simulator.bench import CopyStand
from tether_simulator.bench_config import BenchConfig
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.lamp import LampConfig

from tests.measure.on_bench import SensorConfig, open_gate, photographed
from tether.film import FILM_FORMATS, FilmProcess
from tether.findings import Severity
from tether.measure.exposure.advice import advise, exposure_ratio
from tether.measure.frame import FrameContext, measure_frame
from tether.measure.light.open_gate import Light as MeasuredLight
from tether.measure.light.open_gate import judge_light, judge_power, measure_light, step_down
from tether.measure.roll.comparison import expected_base
from tether.measure.roll.drift import FrameRecord, light_drift, with_row
from tether.measure.roll.memory import KnownBase, RollMemory
from tether.measure.survey import survey
from tether.raw import Mosaic
from tether.settings import STROBE, BenchSettings, LightSettings, Settings

FLASH = LightSettings(kind=STROBE)
SHUTTERS = tuple((f"1/{n}", 1 / n) for n in (15, 30, 60, 125))


def lit(mosaic: Mosaic) -> MeasuredLight:
    return measure_light(mosaic, survey(mosaic))


EVEN = MeasuredLight(-1, 0.0, 0.0, "left", "middle", np.ones((16, 24), np.float32), 0, 0, {}, False)


def test_only_iso_and_aperture_change_a_strobes_exposure() -> None:
    # A flash lasts about 1/1000 s (from memory), the shutter is open far longer: H does not
    # depend on the time. ISO doubles the raw value (ISO 12232), a stop of aperture halves it.
    assert exposure_ratio((1 / 15, 100, 8), (1 / 125, 100, 8), strobe=True) == 1
    assert exposure_ratio((None, 200, 8), (1 / 60, 100, 8), strobe=True) == 2
    assert exposure_ratio((1 / 60, 100, 11.314), (1 / 60, 100, 8), strobe=True) == pytest.approx(
        0.5, rel=1e-3
    )
    assert exposure_ratio((1 / 15, 100, 8), (1 / 30, 100, 8)) == 2
    memory = RollMemory(base=KnownBase({"G": 0.5}, (1 / 125, 100, 8)))
    assert expected_base(memory, (1 / 15, 100, 8), strobe=True) == {"G": 0.5}


@pytest.mark.parametrize(("ev", "way"), [(1.4, "up"), (-2.0, "down")])
def test_advice_names_stops_and_no_shutter_time(ev: float, way: str) -> None:
    advice = advise(ev, SHUTTERS[1], SHUTTERS, 1 / 3, strobe=True)
    assert advice.shutter is None
    assert f"{abs(ev)} stops" in advice.words
    assert f"power {way}" in advice.words
    assert "aperture and shutter stay" in advice.words


def test_a_frame_under_a_strobe() -> None:
    sensor = SensorConfig(width=1536, height=1024)
    shine = LampConfig(strobe=True, strength=0.25)
    bench = CopyStand(BenchConfig(seed=4, sensor=sensor, lamp=shine))
    bench.hand.go_to(2)
    settings = replace(Settings(), light=FLASH)
    slow, fast = (
        measure_frame(
            photographed(bench, CameraExposure(seconds, 8.0, 100.0)),
            FrameContext(
                FilmProcess.BW_NEGATIVE,
                FILM_FORMATS["135"],
                2,
                (label, seconds),
                SHUTTERS,
                settings,
            ),
        )
        for label, seconds in (SHUTTERS[0], SHUTTERS[3])
    )
    # The simulated light does not depend on the shutter, as a strobe's does not.
    assert slow.base_ev == pytest.approx(fast.base_ev, abs=0.02)
    for found in (slow, fast):
        codes = {f.code: f for f in found.findings}
        assert found.advice_shutter is None
        assert found.advice_ev == pytest.approx(-0.5 - (found.base_ev or 0), abs=0.01)
        assert "strobe's power up" in codes["base-off-target"].action


@pytest.mark.parametrize(("light", "told"), [(LightSettings(), True), (FLASH, False)])
def test_bands_in_the_rebate_are_no_strobes(light: LightSettings, told: bool) -> None:
    sensor = SensorConfig(width=1536, height=1024)
    shine = LampConfig(strength=7.5)
    bench = CopyStand(BenchConfig(seed=4, sensor=sensor, lamp=shine))
    bench.hand.go_to(2)
    bench.hand.mishap("lamp-flicker")
    context = FrameContext(
        FilmProcess.BW_NEGATIVE, FILM_FORMATS["135"], 2, SHUTTERS[3], SHUTTERS,
        replace(Settings(), light=light),
    )  # fmt: skip
    found = measure_frame(photographed(bench, CameraExposure(1 / 125, 8.0, 100.0)), context)
    assert ("lamp-flicker" in {f.code for f in found.findings}) is told


def test_flicker_and_metering_of_a_strobe_are_not_judged() -> None:
    light = lit(open_gate("lamp-flicker", seconds=1 / 125, shine=LampConfig(strength=4)))
    assert "lamp-flicker" in {f.code for f in judge_light(light, LightSettings(), seconds=1 / 125)}
    assert "lamp-flicker" not in {f.code for f in judge_light(light, FLASH, seconds=1 / 125)}
    metered = replace(light, mean_ev=-2.96)
    assert "light-metered" in {f.code for f in judge_light(metered, LightSettings())}
    assert "light-metered" not in {f.code for f in judge_light(metered, FLASH)}


@pytest.mark.parametrize(
    ("mean_ev", "severity", "said"),
    [
        (-1.0, None, ""),
        (-1.5, None, ""),
        (-0.2, Severity.NOTE, "0.8 stops less"),
        (-2.6, Severity.NOTE, "1.6 stops more"),
        (-4.0, Severity.RESHOOT, "3.0 stops more"),
    ],
)
def test_the_power_for_the_open_gate(mean_ev: float, severity: Severity | None, said: str) -> None:
    light = replace(EVEN, mean_ev=mean_ev, saturated=False)
    found = judge_power(light, BenchSettings())
    assert [f.severity for f in found] == ([severity] if severity else [])
    assert all(said in f.action for f in found)
    assert judge_power(replace(light, saturated=True)) == []


def test_drift_is_compared_over_shutter_times() -> None:
    rows = None
    for n in range(1, 10):
        taken = (1 / (60 if n % 2 else 125), 100.0, 8.0)
        level = -0.5 - (0.5 if n > 5 else 0.0)
        rows = with_row(rows, FrameRecord(n, n, taken, level, 0.0, 0.0))
    assert rows is not None
    (drift,) = light_drift(rows, settings=FLASH)
    assert drift.code == "light-drift"
    assert drift.value is not None
    assert drift.value < 0
    assert "strobe" in drift.action
    assert light_drift(rows, settings=LightSettings()) == []


def test_a_strobe_that_was_just_saturated_is_turned_to_where_its_gate_is_kept() -> None:
    strobe, just = FLASH, replace(EVEN, mean_ev=0.05, saturated=True)
    (finding,) = judge_light(just, strobe)
    assert "Give two stops less light: turn the strobe's power down" in finding.action
    after = replace(EVEN, mean_ev=just.mean_ev + step_down(strobe), saturated=False)
    assert [f.severity for f in judge_power(after)] == [Severity.NOTE]
    (finding,) = judge_light(just, LightSettings())
    assert finding.action.startswith("Give three stops less light and photograph")
