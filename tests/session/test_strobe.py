"""A strobe as the light, through the real driver: power is advised, and the shutter not touched."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest
from tether_simulator.bench_config import BenchConfig
from tether_simulator.camera.dials import fraction
from tether_simulator.imaging.lamp import LampConfig
from tether_simulator.ptp import Property
from tether_simulator.server import BenchProcess

from tests.quick import QUICK, SENSOR
from tether.archive.archive import Archive
from tether.archive.records import Roll
from tether.bench.base_exposure import BaseCalibration
from tether.bench.benches import BenchBook, BenchSetup
from tether.bench.camera_check import CheckResult, CheckStatus, Job, check_camera
from tether.bench.camera_setup import CameraSetup
from tether.bench.light_test import LightTest, light_lines
from tether.bench.steps import Part
from tether.camera.process import CameraProcess, connect
from tether.camera.protocol import CameraState, Role, Setting
from tether.errors import NotNow
from tether.film import FILM_FORMATS, FilmProcess
from tether.positive.sample import light_of
from tether.raw import open_mosaic
from tether.session.judge import Judge
from tether.session.next_step import NextKind
from tether.session.session import Session
from tether.settings import LAMP, STROBE, BenchSettings

TABLE = BenchSetup("Table 1", lamp="flash head", light=STROBE)
TARGET, TOLERANCE = QUICK.exposure.base_target_ev, QUICK.exposure.base_tolerance_ev


@pytest.fixture(scope="module")
def strobe() -> Iterator[BenchProcess]:
    """A bench whose light is a strobe: a lamp's light in 1/15 s comes in each flash."""
    running = BenchProcess.start(
        BenchConfig(
            process=FilmProcess.BW_NEGATIVE, film_format=FILM_FORMATS["135"], frames=6,
            frames_per_strip=6, seed=7, sensor=SENSOR, lamp=LampConfig(strobe=True),
        )
    )  # fmt: skip
    yield running
    running.close()


@pytest.fixture
def flashed(strobe: BenchProcess) -> Iterator[CameraProcess]:
    strobe.clear()
    connected = connect(strobe.port_name, QUICK.camera)
    connected.set(Role.SHUTTER, "1/60")
    yield connected
    connected.close()


@pytest.fixture
def session(
    archive: Archive, roll: Roll, flashed: CameraProcess, judge: Judge
) -> Iterator[Session]:
    BenchBook(archive.store).keep(TABLE)
    with Session(archive, roll, flashed, judge, QUICK) as at_work:
        yield at_work


def shutter_of(session: Session) -> str | None:
    state = session.tethered.refresh()
    return state.value(Role.SHUTTER) if state else None


def log_of(session: Session) -> str:
    return "\n".join(text for _, _, _, text in session.store.journal.log_lines(session.roll.id))


def test_the_open_gate_is_photographed_once_and_the_power_advised(
    session: Session, strobe: BenchProcess
) -> None:
    test = LightTest(session.bench)
    strobe.remove_film()
    result = test.run()
    # Bare light saturates at 1/15 s (docs/bench.md), and no shutter time helps against a strobe.
    assert [f.code for f in result.findings] == ["light-saturated"]
    assert "turn the strobe's power down" in result.findings[0].action
    assert (result.exposures, result.kept) == (1, False)
    strobe.turn_power(-3.0)
    result = test.run()
    (note,) = result.findings
    assert (note.code, result.exposures, result.kept) == ("strobe-power", 1, True)
    assert note.value == pytest.approx(QUICK.bench.gate_target_ev - result.light.mean_ev, abs=0.01)
    assert "Flicker: none (strobe)" in light_lines(result)
    strobe.turn_power(-3.0)
    result = test.run()
    assert ([f.code for f in result.findings], result.kept) == (["strobe-power"], False)
    assert note.value is not None
    strobe.turn_power(note.value + 3.0)
    result = test.run()
    assert (result.findings, result.kept) == ((), True)
    assert session.bench.light.kept.gate is not None
    assert session.bench.light.kept.gate.strobe
    strobe.lamp(False)
    assert test.run_stray(result).findings == ()
    test.close()
    assert shutter_of(session) == "1/60"
    assert "Shutter" not in log_of(session)


def test_base_and_frame_with_a_strobe(
    session: Session, strobe: BenchProcess, archive: Archive
) -> None:
    calibration = BaseCalibration(session.bench)
    strobe.turn_power(-1.5)
    strobe.lay_blank()
    first = calibration.shoot()
    # The base lies 0.3 stops under saturation at the lamp's full light (docs/bench.md).
    assert first.off_ev == pytest.approx(1.3, abs=0.15)
    assert (first.strobe, first.wanted, first.can_set, first.last) == (True, None, False, False)
    with pytest.raises(NotNow):
        calibration.set_wanted()
    strobe.turn_power(first.off_ev or 0.0)
    assert calibration.shoot().reached
    calibration.close()
    # The shutter is turned between base and frame, which a strobe does not mind.
    strobe.turn(Property.EXPOSURE_TIME_FRACTION, fraction("1/15"))
    session.reconnect()
    strobe.go_to(1)
    while session.next_step().kind is NextKind.STEP:
        session.confirm()
    ((capture, _),) = session.capture().captures
    assert (capture.verdict, capture.strobe) == ("keep", True)
    assert abs((capture.facts.base_ev or 0.0) - TARGET) <= TOLERANCE
    assert "density" not in capture.facts.stored, "the power of the open gate is not known"
    session.keep()
    # A stop and a half less light: the verdict says so, and names no shutter time.
    strobe.turn_power(-1.5)
    strobe.go_to(2)
    while session.next_step().kind is NextKind.STEP:
        session.confirm()
    ((capture, judgement),) = session.capture().captures
    assert capture.facts.advice_shutter is None
    said = {f.code: f for f in judgement.findings}
    assert "turn the strobe's power up" in said["base-off-target"].action
    assert "light-changed" in said
    assert session.view().strobe
    with pytest.raises(NotNow, match="strobe"):
        session.follow_advice()
    # Positives bring signals together by ISO and aperture alone.
    mosaic = open_mosaic(archive.file(session.roll, capture.file_name))
    assert mosaic.iso == 100
    assert light_of(mosaic, strobe=True) == pytest.approx(1 / 64)
    assert light_of(mosaic) == pytest.approx(1 / 15 / 64, rel=0.1)


def test_a_picture_is_shown_as_it_was_judged_whatever_the_light_is_now(
    session: Session, strobe: BenchProcess
) -> None:
    session.set_up.use_bench(replace(TABLE, light=LAMP))
    strobe.turn_power(-2.0)
    strobe.go_to(1)
    while session.next_step().kind is NextKind.STEP:
        session.confirm()
    ((capture, judged),) = session.capture().captures
    assert judged.facts.advice_shutter
    session.set_up.use_bench(TABLE)
    session.verdicts._last = None  # as after another picture was looked at
    again = session.verdicts.of(capture)
    assert again.facts.advice_shutter == judged.facts.advice_shutter


def test_the_kept_bench_says_the_kind_of_light(archive: Archive, roll: Roll, judge: Judge) -> None:
    flashing = replace(QUICK, light=replace(QUICK.light, kind=STROBE))
    with Session(archive, roll, None, judge, flashing) as session:
        assert session.settings.light.strobe, "no bench is known: the settings say it"
        session.set_up.use_bench(replace(TABLE, light="lamp"))
        assert not session.settings.light.strobe
        # Another kind of light is another lamp: its steps are asked again.
        for step in session.set_up.question().standing:
            session.set_up.confirm_open(step[0])
        session.set_up.use_bench(TABLE)
        assert session.settings.light.strobe
        assert f"changed: {Part.LAMP}" in log_of(session)
    archive.store.journal.begin_sitting("")
    with Session(archive, roll, None, judge, QUICK) as session:
        assert session.set_up.bench_name == ""
        assert session.settings.light.strobe, "the bench that was used last counts"
    (bench,) = BenchBook(archive.store).benches()
    assert bench.parts().endswith("light: strobe")


def sync_line(
    shutter: str, *, readonly: bool = False, settings: BenchSettings | None = None
) -> CheckResult:
    choices = ("1/15", "1/60", "1/125", "1/160", "1/250", "1/500", "Bulb")
    setting = Setting(Role.SHUTTER, "shutterspeed", shutter, choices, readonly)
    state = CameraState({Role.SHUTTER: setting}, 90.0, None, 900, True)
    lines = check_camera(state, Job(1, 1.0), settings, now=0.0, strobe=True)
    return next(x for x in lines if x.label == "Shutter")


@pytest.mark.parametrize(
    ("shutter", "standing", "wanted"),
    [
        ("1/125", CheckStatus.OK, ""),
        ("1/15", CheckStatus.OK, ""),
        ("1/160", CheckStatus.CHANGE, "1/125"),
        ("1/500", CheckStatus.CHANGE, "1/125"),
        ("Bulb", CheckStatus.UNKNOWN, ""),
    ],
)
def test_a_shutter_faster_than_the_synchronisation_is_warned_of(
    shutter: str, standing: CheckStatus, wanted: str
) -> None:
    # Synchronisation at 1/125 to 1/250 s is usual (from memory; no standard sets it).
    line = sync_line(shutter)
    assert (line.status, line.wanted) == (standing, wanted)


def test_the_synchronisation_speed_is_the_settings() -> None:
    quick = replace(BenchSettings(), sync_seconds=1 / 250)
    assert sync_line("1/250", settings=quick).status is CheckStatus.OK
    by_hand = sync_line("1/500", readonly=True, settings=quick)
    assert (by_hand.status, by_hand.wanted) == (CheckStatus.CHANGE, "")
    assert "1/250 s or slower" in by_hand.advice


def test_with_a_lamp_the_check_has_no_word_on_the_shutter() -> None:
    state = CameraState({}, 90.0, None, 900, True)
    assert "Shutter" not in {x.label for x in check_camera(state, Job(1, 1.0), now=0.0)}


def test_the_check_sets_the_shutter_and_puts_it_back(session: Session) -> None:
    assert session.tethered.camera is not None
    session.tethered.camera.set(Role.SHUTTER, "1/250")
    setup = CameraSetup(session.bench)
    said = setup.set_up(setup.check().lines)
    assert shutter_of(session) == "1/125"
    assert any("1/250 → 1/125" in text for text in said)
    setup.put_back()
    assert shutter_of(session) == "1/250"
