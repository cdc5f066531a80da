"""The simulated dials against the program's table of roles, and against libgphoto2's own words."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.camera.body import Body
from tether_simulator.camera.card import MemoryCard
from tether_simulator.camera.dials import DIALS, Dial
from tether_simulator.ptp import DataType, Property
from tether_simulator.ptpip import packets
from tether_simulator.ptpip.properties import Properties
from tether_simulator.server import BenchProcess

from tether.camera.process import CameraProcess
from tether.camera.protocol import Role

NO_DIAL = {
    Role.CLOCK: "the property DATE_TIME, see `Body.clock`",
    Role.CAPTURE_TARGET: "libgphoto2's own, for every camera of this extension",
}


def test_every_role_that_can_be_set_has_a_simulated_dial() -> None:
    roles = [dial.role for dial in DIALS.values()]
    assert set(roles) == {role for role in Role if role.settable} - set(NO_DIAL)
    assert len(set(roles)) == len(roles)


@pytest.mark.parametrize("dial", DIALS.values(), ids=lambda dial: dial.role)
def test_a_dial_s_words_mean_something_to_the_program(dial: Dial) -> None:
    assert all(dial.role.read(words) is not None for words in dial.words.values())
    assert {dial.default, dial.holiday or dial.default} <= set(dial.words)
    if dial.span:
        low, high, step = dial.span
        assert list(dial.words) == list(range(low, high + 1, step))


def test_the_real_driver_offers_each_position_and_its_words_mean_the_same(
    camera: CameraProcess,
) -> None:
    settings = camera.state().settings
    for dial in DIALS.values():
        setting = settings[dial.role]
        assert not setting.readonly
        # In whatever order: an on-off switch is listed by the driver the other way round.
        ours = Counter(dial.role.read(words) for words in dial.words.values())
        assert Counter(dial.role.read(words) for words in setting.choices) == ours, dial.role
        assert setting.reading == dial.role.read(dial.words[dial.default])


def test_a_holiday_turns_what_the_bench_needs_and_setting_each_dial_ends_it(
    bench: BenchProcess, camera: CameraProcess
) -> None:
    bench.mishap("home-from-holiday")
    assert bench.active() == ("home-from-holiday",)
    settings = camera.state().settings
    turned = [dial for dial in DIALS.values() if dial.holiday is not None]
    assert turned
    for dial in turned:
        role = dial.role
        assert settings[role].reading == role.read(dial.words[dial.holiday or 0])
        assert bench.active() == ("home-from-holiday",), f"before {role} is set"
        right = role.read(dial.words[dial.default])
        camera.set(role, next(c for c in settings[role].choices if role.read(c) == right))
    assert bench.active() == ()
    bench.mishap("home-from-holiday")
    bench.put_right("home-from-holiday")
    assert bench.active() == ()


def test_a_dial_with_a_span_is_stated_as_a_range(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    switch = Dial(
        Role.FOCUS_MODE, Property.FOCUS_MODE, DataType.UINT16, {1: "Manual", 2: "Automatic"},
        default=1, span=(1, 2, 1),
    )  # fmt: skip
    monkeypatch.setitem(DIALS, Property.FOCUS_MODE, switch)
    body = Body(CopyStand(BenchConfig()), MemoryCard(tmp_path))
    stated = Properties(body, extended=True).describe(Property.FOCUS_MODE)
    body.close()
    # DevicePropDesc (ISO 15740): form 1 is a range of lowest, highest and step.
    assert stated.endswith(
        b"\x01"
        + packets.value(DataType.UINT16, 1)
        + packets.value(DataType.UINT16, 2)
        + packets.value(DataType.UINT16, 1)
    )
