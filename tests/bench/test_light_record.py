"""The open gate and the calibrated base of a roll: kept, found again, and used."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tether.archive.records import Capture, Frame
from tether.bench.light_record import (
    KeptBase,
    KeptGate,
    KeptLight,
    LightRecord,
    as_json,
    read_light,
)
from tether.bench.light_warnings import light_warnings
from tether.camera.protocol import CameraState, Role, Setting
from tether.capture.bench_shots import BenchShot
from tether.facts import Facts
from tether.measure.roll.drift import FrameRecord, with_row
from tether.measure.roll.memory import KnownBase, RollMemory
from tether.settings import LightSettings, Settings

NOON = datetime(2024, 5, 4, 12, 0, tzinfo=UTC)
TRIAL = BenchShot(
    "open-gate_1.dng", "ab" * 32, NOON.isoformat(), after=2, shutter="1/30",
    exposure=(1 / 30, 100.0, 8.0),
)  # fmt: skip
GATE = KeptGate(TRIAL, ("R", "G1", "B", "G2"), tuple(((0.4, 0.5), (0.45, 0.5)) for _ in range(4)))
BASE = KeptBase(replace(TRIAL, file="clear-film_1.dng", after=3), "rebate", {"R": 0.4, "G1": 0.7})


def kept(folder: Path, **parts: object) -> Path:
    LightRecord(folder).keep(**parts)  # type: ignore[arg-type]
    return folder / "light.json"


def test_what_is_kept_is_found_again(tmp_path: Path) -> None:
    keeper = LightRecord(tmp_path)
    assert keeper.kept == KeptLight()
    keeper.keep(gate=GATE)
    keeper.keep(base=BASE)
    assert keeper.kept == KeptLight(GATE, BASE)
    assert LightRecord(tmp_path).kept == KeptLight(GATE, BASE)
    assert keeper.kept.since == 3
    newer = replace(GATE, shot=replace(TRIAL, file="open-gate_2.dng", after=9))
    keeper.keep(gate=newer)
    assert LightRecord(tmp_path).kept == KeptLight(newer, BASE)
    assert [p.name for p in tmp_path.iterdir()] == ["light.json"]


def test_how_uneven_the_open_gate_is_goes_with_it_and_an_older_file_does_without(
    tmp_path: Path,
) -> None:
    path = kept(tmp_path, gate=replace(GATE, uneven_percent=32.4))
    gate = LightRecord(tmp_path).kept.gate
    assert gate is not None
    assert gate.as_open_gate().uneven_percent == 32.4
    facts = json.loads(path.read_text(encoding="utf-8"))
    del facts["open_gate"]["uneven_percent"]
    path.write_text(json.dumps(facts), encoding="utf-8")
    assert LightRecord(tmp_path).kept.gate == GATE
    facts["open_gate"]["uneven_percent"] = "much"
    path.write_text(json.dumps(facts), encoding="utf-8")
    assert LightRecord(tmp_path).kept.gate is None


def test_a_strobes_open_gate_says_nothing_of_how_much_light_there_is(tmp_path: Path) -> None:
    """Under a lamp, later on, densities over it would be off by whatever its power was."""
    kept(tmp_path, gate=replace(GATE, strobe=True))
    gate = LightRecord(tmp_path).kept.gate
    assert gate is not None
    assert gate.shot.exposure == GATE.shot.exposure
    assert gate.as_open_gate().exposure == (None, None, None)
    assert GATE.as_open_gate().exposure == GATE.shot.exposure


def test_it_becomes_part_of_the_rolls_memory() -> None:
    memory = KeptLight(GATE, BASE).applied_to(RollMemory())
    assert memory.open_gate is not None
    assert memory.open_gate.channels == GATE.channels
    assert memory.open_gate.exposure == TRIAL.exposure
    np.testing.assert_allclose(memory.open_gate.grid, np.array(GATE.grid), rtol=1e-6)
    assert memory.base == KnownBase({"R": 0.4, "G1": 0.7}, TRIAL.exposure)
    assert KeptLight().applied_to(memory) is memory


def test_a_base_counts_for_the_kind_of_light_that_it_was_found_under(tmp_path: Path) -> None:
    flashed = replace(BASE, strobe=True)
    for base in (BASE, flashed):
        light = read_light(kept(tmp_path, base=base))
        assert light.base == base
        for strobe in (False, True):
            memory = light.applied_to(RollMemory(), strobe=strobe)
            assert (memory.base is not None) is (base.strobe is strobe)
    older = json.loads((tmp_path / "light.json").read_text())
    del older["base"]["light"]  # as an older program wrote it
    (tmp_path / "light.json").write_text(json.dumps(older))
    unknown = read_light(tmp_path / "light.json")
    assert unknown.base == replace(BASE, strobe=None)
    assert unknown.base_under(strobe=True) == unknown.base_under(strobe=False) == unknown.base


def test_a_rebate_that_was_seen_since_counts_more_than_the_calibration() -> None:
    seen = KnownBase({"R": 0.3, "G1": 0.6}, (0.1, 100.0, 8.0))

    def after(order: int, level: float) -> RollMemory:
        rows = with_row(None, FrameRecord(order, 1, (0.1, 100.0, 8.0), level))
        return KeptLight(base=BASE).applied_to(RollMemory(base=seen, records=rows))

    assert after(4, -0.5).base == seen
    # Seen before it, or not seen at all since: the calibration stands.
    for memory in (after(3, -0.5), after(4, np.nan)):
        assert memory.base is not None
        assert memory.base.signal == BASE.signal


@pytest.mark.parametrize(
    "change",
    [
        {"version": 99},
        {"open_gate": None},
        {"open_gate": {**as_json(KeptLight(GATE))["open_gate"], "file": "../../passwd"}},
        {"open_gate": {**as_json(KeptLight(GATE))["open_gate"], "grid": [[[1.0]]]}},
        {"open_gate": {**as_json(KeptLight(GATE))["open_gate"], "grid": [[["x"]]] * 4}},
        {"open_gate": {**as_json(KeptLight(GATE))["open_gate"], "grid": [[[1.0], [1.0, 2.0]]] * 4}},
        {"open_gate": {**as_json(KeptLight(GATE))["open_gate"], "exposure": [1]}},
        {"open_gate": {**as_json(KeptLight(GATE))["open_gate"], "after": -1}},
    ],
)
def test_a_part_that_makes_no_sense_is_left_out(tmp_path: Path, change: dict[str, object]) -> None:
    path = kept(tmp_path, gate=GATE, base=BASE)
    facts = json.loads(path.read_text()) | change
    path.write_text(json.dumps(facts))
    found = read_light(path)
    assert found.gate is None
    assert found.base == (None if "version" in change else BASE)


@pytest.mark.parametrize("text", ["", "[]", "null", '{"version": 1', "\0" * 40])
def test_a_file_that_is_no_light_file_gives_nothing(tmp_path: Path, text: str) -> None:
    (tmp_path / "light.json").write_text(text)
    assert read_light(tmp_path / "light.json") == KeptLight()
    assert read_light(tmp_path / "missing.json") == KeptLight()


@settings(max_examples=60)
@given(data=st.data())
def test_damage_gives_less_and_never_something_else(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder = tmp_path_factory.mktemp("light")
    path = kept(folder, gate=GATE, base=BASE)
    whole = bytearray(path.read_bytes())
    at = data.draw(st.integers(0, len(whole) - 1))
    whole[at] = data.draw(st.integers(0, 255))
    path.write_bytes(whole)
    found = read_light(path)
    assert found.gate is None or np.array(found.gate.grid).shape == (4, 2, 2)
    assert found.base is None or all(v >= 0 for v in found.base.signal.values())
    # Whatever was read, the program can go on with it and write it.
    LightRecord(folder).keep(gate=GATE)
    assert read_light(path).gate == GATE


# --- what there is to say about it -------------------------------------------------------------


def camera(shutter: str = "1/15", aperture: str = "f/8") -> CameraState:
    return CameraState(
        {
            Role.SHUTTER: Setting(Role.SHUTTER, "shutterspeed", shutter),
            Role.APERTURE: Setting(Role.APERTURE, "f-number", aperture),
        }
    )


def texts(*given: Any) -> tuple[str, ...]:
    return tuple(warning.text for warning in light_warnings(*given))


def remarks(
    light: KeptLight, state: CameraState | None, *codes: str, hours: float = 1, shots: int = 4
) -> tuple[str, ...]:
    findings = [{"code": code, "text": f"What {code} says."} for code in codes]
    captures = [
        Capture(n, 1, n, f"{n}.dng", 1, "", "", "program", facts=Facts.read({"findings": findings}))
        for n in range(1, shots + 1)
    ]
    frames = (Frame(1, captures=tuple(captures)), Frame(2))
    return texts(light, frames, state, Settings(), NOON + timedelta(hours=hours))


def test_a_fresh_light_needs_no_words() -> None:
    assert remarks(KeptLight(GATE, BASE), camera("1/30")) == ()
    assert remarks(KeptLight(), camera()) == ()
    assert remarks(KeptLight(GATE), None) == ()


@pytest.mark.parametrize(
    ("code", "end"),
    [
        ("light-drift", ": check the lamp."),
        ("lamp-colour-drift", ": check the lamp."),
        ("light-moved", ": run the light test again."),
        ("focus-drift", ": focus again."),
        ("picture-saturated", ": set the base exposure again on this frame."),
    ],
)
def test_what_the_verdict_found_about_the_bench_is_said_with_what_helps(
    code: str, end: str
) -> None:
    assert remarks(KeptLight(), camera(), code, "askew") == (f"What {code} says{end}",)


def test_after_another_light_test_only_focus_is_still_said() -> None:
    tested = KeptLight(replace(GATE, shot=replace(TRIAL, after=4)))
    assert remarks(tested, camera(), "light-drift", "focus-drift") == (
        "What focus-drift says: focus again.",
    )
    assert len(remarks(tested, camera(), "light-drift", shots=5)) == 1


def test_an_old_open_gate_is_said() -> None:
    (said,) = remarks(KeptLight(GATE), camera(), hours=30)
    assert said == "The open gate was photographed 30 hours ago: run the light test again."
    # A clock that was set back is no reason.
    assert remarks(KeptLight(GATE), camera(), hours=-30) == ()


def test_another_aperture_than_the_open_gates_is_said() -> None:
    (said,) = remarks(KeptLight(GATE), camera(aperture="f/5.6"))
    assert said.startswith("The open gate was photographed at f/8, the camera is at f/5.6")
    assert remarks(KeptLight(GATE), camera(aperture="f/8.0")) == ()
    assert remarks(KeptLight(GATE), camera(aperture="auto")) == ()


def test_a_shorter_time_than_flicker_was_looked_for_at_is_said() -> None:
    (said,) = remarks(KeptLight(GATE), camera(shutter="1/125"))
    assert said.startswith("The light test looked for flicker at 1/30; at 1/125 there may be some")
    assert remarks(KeptLight(GATE), camera(shutter="1/40")) == ()
    assert remarks(KeptLight(GATE), camera(shutter="Bulb")) == ()


def base_at(shutter: str, level: float) -> Frame:
    capture = Capture(
        9, 1, 1, "1.dng", 1, "", "", "program", settings={"shutter": shutter},
        facts=Facts.read({"base_ev": level}),
    )  # fmt: skip
    return Frame(1, captures=(capture,))


@pytest.mark.parametrize(
    ("frame", "light", "stands", "said"),
    [
        # One stop of time is one stop of light.
        (base_at("1/10", -0.5), KeptLight(), "1/20", "it would be 1.0 stops too dark"),
        (base_at("1/10", -0.5), KeptLight(), "1/5", "it would be 1.0 stops too bright"),
        # BASE was found at 1/30, half a stop below saturation, after three captures.
        (Frame(1), KeptLight(base=BASE), "1/15", "the base was measured at 1/30"),
        (base_at("1/10", -0.5), KeptLight(base=BASE), "1/30", None),
        # An advised shutter brings a base that was off to the target.
        (base_at("1/10", -1.5), KeptLight(), "1/5", None),
        (base_at("1/10", -0.5), KeptLight(), "1/10", None),
        (base_at("1/10", -0.5), KeptLight(), "1/12", None),
        # A saturated base may lie anywhere above.
        (base_at("1/10", 0.0), KeptLight(), "1/40", None),
        (base_at("", -0.5), KeptLight(), "1/40", None),
        (base_at("1/10", -0.5), KeptLight(), "Bulb", None),
    ],
)
def test_a_shutter_that_would_miss_the_rolls_base_is_said_before_the_shot(
    frame: Frame, light: KeptLight, stands: str, said: str | None
) -> None:
    found = texts(light, [frame], camera(stands), Settings(), NOON)
    if said is None:
        assert found == ()
    else:
        assert said in found[0]


def test_a_base_that_nobody_measured_is_said_before_the_first_shot() -> None:
    said, untested = texts(KeptLight(), [Frame(1)], camera(), Settings(), NOON)
    assert untested == "No light test yet: positives stay as uneven as the light."
    assert said.startswith("No base exposure for this roll yet")
    strobe = Settings(light=LightSettings(kind="strobe"))
    assert texts(KeptLight(), [Frame(1)], camera(), strobe, NOON) == (untested,)


def test_a_base_found_under_another_light_is_said_until_a_picture_tells() -> None:
    lamp, strobe = Settings(), Settings(light=LightSettings(kind="strobe"))
    gate, flashed_gate = replace(GATE, strobe=False), replace(GATE, strobe=True)
    flashed = KeptLight(flashed_gate, replace(BASE, strobe=True))
    (said,) = texts(flashed, [Frame(1)], camera(), lamp, NOON)
    assert said.startswith("The base exposure was set under a strobe, and the light is a lamp now")
    (said,) = texts(KeptLight(gate, BASE), [Frame(1)], camera(), strobe, NOON)
    assert said.startswith("The base exposure was set under a lamp, and the light is a strobe now")
    assert texts(flashed, [Frame(1)], camera(), strobe, NOON) == ()
    flashed = KeptLight(base=flashed.base)
    assert texts(flashed, [base_at("1/10", -0.5)], camera("1/10"), lamp, NOON) == ()
    (said,) = texts(flashed, [base_at("1/10", -0.5)], camera("1/80"), lamp, NOON)
    assert "3.0 stops too dark" in said
