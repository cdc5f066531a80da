"""Test shots and the light test, through the real driver against the simulated camera."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from tether_simulator.faults import DropConnection, Slow
from tether_simulator.ptp import Operation, Property
from tether_simulator.server import BenchProcess

from tests.quick import QUICK
from tether.archive.archive import Archive
from tether.archive.records import NewRoll, Roll
from tether.bench.benches import BenchSetup
from tether.bench.light_test import (
    MOST_EXPOSURES,
    LightTest,
    light_lines,
    light_map,
    next_shutter,
    stray_line,
)
from tether.camera.errors import CameraError, CameraRefused
from tether.camera.process import CameraProcess
from tether.camera.protocol import Role, Setting
from tether.errors import NotNow
from tether.facts import Facts
from tether.film import FilmProcess
from tether.measure.light.open_gate import Light
from tether.measure.roll.memory import RollMemory
from tether.session.judge import Judge
from tether.session.next_step import NextKind
from tether.session.session import Session
from tether.settings import Settings

SHUTTERS = ("1", "1/2", "1/4", "1/8", "1/15", "1/30", "1/60", "1/125", "Bulb")


@pytest.fixture
def session(archive: Archive, roll: Roll, camera: CameraProcess, judge: Judge) -> Iterator[Session]:
    with Session(archive, roll, camera, judge, QUICK) as at_work:
        yield at_work


@pytest.fixture
def light_test(session: Session) -> Iterator[LightTest]:
    test = LightTest(session.bench)
    yield test
    test.close()


def log_of(session: Session) -> str:
    return "\n".join(text for _, _, _, text in session.store.journal.log_lines(session.roll.id))


# --- test shots ----------------------------------------------------------------------------


def test_a_test_exposure_is_kept_and_belongs_to_no_frame(session: Session) -> None:
    before = session.next_step()
    trials = session.bench.shots.take("grey"), session.bench.shots.take("grey")
    first, second = (session.bench.shots.file(trial) for trial in trials)
    assert first.parent == session.archive.folder(session.roll) / "bench"
    assert first != second
    for trial, path in zip(trials, (first, second), strict=True):
        assert hashlib.sha256(path.read_bytes()).hexdigest() == trial.sha256
        assert (trial.after, trial.shutter) == (0, "1/15")
    assert all(not frame.captures for frame in session.frames())
    assert session.next_step() == before
    assert session.store.journal.intents(session.roll.id) == []
    assert f"bench/{first.name}" in log_of(session)
    assert not list(session.archive.incoming(session.roll).iterdir())


def test_raw_and_jpeg_are_both_kept(session: Session, bench: BenchProcess) -> None:
    bench.turn(Property.COMPRESSION_SETTING, 7)
    raw = session.bench.shots.file(session.bench.shots.take())
    assert raw.suffix == ".dng"
    assert {p.suffix for p in raw.parent.glob("test_*")} == {".dng", ".jpg"}


def test_it_is_never_taken_for_a_frames_picture(
    archive: Archive, roll: Roll, camera: CameraProcess, judge: Judge
) -> None:
    with Session(archive, roll, camera, judge, QUICK) as session:
        session.bench.shots.take()
        key = session.tethered.key
    # A release that was begun before a crash and made no picture: the card is searched for it.
    archive.store.journal.begin(roll.id, "release", 1, {"camera": key, "settings": {}})
    with Session(archive, roll, camera, judge, QUICK) as session:
        assert all(not frame.captures for frame in session.frames())


def test_without_raw_nothing_is_fired(session: Session, bench: BenchProcess) -> None:
    bench.turn(Property.COMPRESSION_SETTING, 2)
    session.reconnect()
    with pytest.raises(CameraRefused, match="no raw file"):
        session.bench.shots.take()
    assert not (session.archive.folder(session.roll) / "bench").exists()


def test_a_connection_that_breaks_is_said_and_the_card_keeps_the_picture(
    session: Session, bench: BenchProcess
) -> None:
    # A release of a frame that is still open must not get this picture either.
    session.store.journal.begin(
        session.roll.id, "release", 1, {"camera": session.tethered.key, "settings": {}}
    )
    bench.install(DropConnection(code=Operation.GET_PARTIAL_OBJECT, after=1000))
    with pytest.raises(CameraError):
        session.bench.shots.take()
    said = " ".join(session.reconnect())
    assert "card holds" in said
    assert all(not frame.captures for frame in session.frames())


def test_without_a_camera(archive: Archive, roll: Roll, judge: Judge) -> None:
    with Session(archive, roll, None, judge, QUICK) as session:
        with pytest.raises(NotNow):
            session.bench.shots.take()
        test = LightTest(session.bench)
        with pytest.raises(NotNow):
            test.run()
        test.close()


# --- the light test ----------------------------------------------------------------------------


def light(mean_ev: float, *, saturated: bool = False) -> Light:
    grid = np.ones((16, 24), np.float32)
    return Light(mean_ev, 0.0, 0.0, "left", "middle", grid, 0, 0, {}, saturated)


@pytest.mark.parametrize(
    ("mean_ev", "saturated", "wanted"),
    [
        (-1.0, False, None),
        (-1.4, False, None),
        (-3.0, False, "1/4"),
        (-5.2, False, "1"),
        (-0.1, False, "1/30"),
        (-0.1, True, "1/125"),
    ],
)
def test_the_next_shutter_brings_the_light_a_stop_below_saturation(
    mean_ev: float, saturated: bool, wanted: str | None
) -> None:
    shutter = Setting(Role.SHUTTER, "shutterspeed", "1/15", SHUTTERS)
    assert next_shutter(light(mean_ev, saturated=saturated), shutter, Settings()) == wanted


def test_a_shutter_that_cannot_be_set_stays() -> None:
    shutter = Setting(Role.SHUTTER, "shutterspeed", "1/15", SHUTTERS)
    dark = light(-6)
    assert next_shutter(dark, None, Settings()) is None
    assert next_shutter(dark, replace(shutter, readonly=True), Settings()) is None
    assert next_shutter(dark, replace(shutter, value="Bulb"), Settings()) is None
    assert next_shutter(dark, replace(shutter, choices=("1/15",)), Settings()) is None


def test_a_good_lamp_is_found_good_and_the_shutter_put_back(
    session: Session, light_test: LightTest, bench: BenchProcess
) -> None:
    bench.remove_film()
    seen: list[tuple[int, str]] = []
    result = light_test.run(lambda number, progress: seen.append((number, progress.phase)))
    assert result.findings == ()
    assert -1.5 <= result.light.mean_ev <= -0.5
    assert 1 <= result.exposures <= MOST_EXPOSURES
    assert {number for number, _ in seen} == set(range(1, result.exposures + 1))
    assert session.tethered.state is not None
    assert session.tethered.state.value(Role.SHUTTER) == "1/15"
    assert result.shot.shutter != "1/15"
    # Neutral light of the simulated lamp: its sensor's own response (invented,
    # mocks/tether_simulator/sensor.py).
    assert result.light.neutral["R/G"] == pytest.approx(0.58, abs=0.03)
    assert "Evenness" in log_of(session)
    assert any(line.startswith("Colour: red 0.") for line in light_lines(result))


@pytest.mark.parametrize(
    ("mishap", "code"), [("lamp-uneven", "light-uneven"), ("lamp-flicker", "lamp-flicker")]
)
def test_a_bad_lamp_is_found_bad(
    light_test: LightTest, bench: BenchProcess, mishap: str, code: str
) -> None:
    bench.remove_film()
    bench.mishap(mishap)
    result = light_test.run()
    assert code in {finding.code for finding in result.findings}


def test_an_uneven_open_gate_is_kept_and_the_log_says_what_that_means(
    session: Session, light_test: LightTest, bench: BenchProcess
) -> None:
    bench.remove_film()
    bench.mishap("lamp-uneven")
    result = light_test.run()
    assert (result.kept, result.uneven) == (True, True)
    gate = session.bench.light.kept.gate
    assert gate is not None
    assert gate.uneven_percent == pytest.approx(result.light.evenness_percent, abs=0.01)
    assert "kept as the roll's flat field, although uneven: Positives are corrected" in log_of(
        session
    )
    bench.put_right("lamp-uneven")
    assert not light_test.run().uneven
    assert log_of(session).count("although uneven") == 1


def test_an_uneven_open_gate_is_said_once_and_not_under_every_verdict(
    session: Session, light_test: LightTest, bench: BenchProcess
) -> None:
    bench.remove_film()
    bench.mishap("lamp-uneven")
    light_test.run()
    told = []
    for frame in (1, 2, 3):
        bench.go_to(frame)
        while session.next_step().kind is NextKind.STEP:
            session.confirm()
        session.capture()
        facts = session.frames()[frame - 1].captures[-1].facts
        told.append("gate-uneven" in {f.code for f in facts.findings})
        session.keep()
    assert told == [True, False, False]


def test_darkness_ends_after_three_exposures(
    session: Session, light_test: LightTest, bench: BenchProcess
) -> None:
    bench.remove_film()
    bench.lamp(False)
    result = light_test.run()
    assert [finding.code for finding in result.findings] == ["light-too-dark"]
    assert result.exposures <= MOST_EXPOSURES
    assert session.tethered.state is not None
    assert session.tethered.state.value(Role.SHUTTER) == "1/15"


def test_a_shutter_that_could_not_be_put_back_is_said(
    session: Session, light_test: LightTest, bench: BenchProcess
) -> None:
    bench.remove_film()
    # The first exposure is fetched whole, in four parts; the second breaks off.
    bench.install(DropConnection(code=Operation.GET_PARTIAL_OBJECT, after=1000, nth=5))
    with pytest.raises(CameraError) as caught:
        light_test.run()
    assert "it was at 1/15 before" in str(caught.value)
    assert "it was at 1/15 before" in log_of(session)


def test_the_session_goes_on_after_a_light_test(
    session: Session, light_test: LightTest, bench: BenchProcess
) -> None:
    bench.remove_film()
    bench.install(Slow(code=Operation.GET_PARTIAL_OBJECT, seconds=0.2))
    light_test.run()
    bench.go_to(1)
    while session.next_step().kind is NextKind.STEP:
        session.confirm()
    assert len(session.capture().captures) == 1


def test_the_map_is_in_per_cent_of_the_lightest_cell() -> None:
    grid = np.linspace(0.5, 1.0, 24, dtype=np.float32)[None].repeat(16, axis=0)
    grid[:2, :2] = np.nan
    found = light_map(replace(light(-1), grid=grid))
    assert (len(found), len(found[0])) == (8, 12)
    assert found[0][0] is None
    assert found[1][0] == 51
    assert found[7][11] == 99


# --- what is kept of it ------------------------------------------------------------------------


def shot_and_kept(session: Session) -> Facts:
    while session.next_step().kind is NextKind.STEP:
        session.confirm()
    ((capture, _),) = session.capture().captures
    session.keep()
    return capture.facts


def test_the_open_gate_is_the_rolls_flat_field_and_survives_the_program(
    archive: Archive, roll: Roll, camera: CameraProcess, judge: Judge, bench: BenchProcess
) -> None:
    bench.remove_film()
    with Session(archive, roll, camera, judge, QUICK) as session:
        test = LightTest(session.bench)
        result = test.run()
        test.close()
        assert result.kept
        assert "kept as the roll's flat field" in log_of(session)
    # Nothing of it is in memory any more: a new program reads what lies in the folder.
    with Session(archive, roll, camera, judge, QUICK) as session:
        gate = session.bench.light.kept.gate
        assert gate is not None
        raw = session.bench.shots.file(gate.shot)
        assert hashlib.sha256(raw.read_bytes()).hexdigest() == gate.shot.sha256
        assert gate.shot.exposure[1:] == (100.0, 8.0)
        bench.go_to(1)
        assert session.tethered.camera is not None
        facts = shot_and_kept(session)
        # Density of the base over the open gate: the bench's film has 0.28
        # (mocks/tether_simulator/film_curve.py),
        # and ISO 5-1 makes it -log10 T.
        assert facts.stored["density"]["G1"]["base"] == pytest.approx(0.28, abs=0.03)
        remembered = RollMemory.from_bytes(archive.store.rolls.memory(roll.id)).open_gate
        assert remembered is not None
        np.testing.assert_allclose(remembered.grid, np.array(gate.grid, np.float32), rtol=1e-5)
        # A lamp that is moved after the test shows in the frames.
        session.tethered.camera.set(Role.SHUTTER, "1/20")
        bench.mishap("lamp-uneven")
        bench.go_to(2)
        facts = shot_and_kept(session)
        assert facts.has("light-moved")
        (said,) = session.view().remarks
        assert said.text.endswith("run the light test again.")
        assert said.action == "light-test"
        bench.remove_film()
        test = LightTest(session.bench)
        test.run()
        test.close()
        assert session.view().remarks == ()


def test_a_flickering_open_gate_is_no_flat_field(
    session: Session, light_test: LightTest, bench: BenchProcess
) -> None:
    bench.remove_film()
    light_test.run()
    before = session.bench.light.kept.gate
    bench.mishap("lamp-flicker")
    result = light_test.run()
    assert not result.kept
    assert session.bench.light.kept.gate == before
    (flicker,) = [f for f in result.findings if f.code == "lamp-flicker"]
    # Whole periods of mains light are multiples of 1/20 s; the camera has that very setting.
    assert flicker.action.startswith("Set the shutter to 1/20, ")
    assert session.bench.shots.file(result.shot).is_file()


def test_a_dark_room_has_no_stray_light(
    session: Session, light_test: LightTest, bench: BenchProcess
) -> None:
    bench.remove_film()
    gate = light_test.run()
    bench.lamp(False)
    result = light_test.run_stray(gate)
    assert result.findings == ()
    assert result.share < 0.0005
    assert result.shot.shutter == gate.shot.shutter
    assert result.said == ""
    assert session.tethered.state is not None
    assert session.tethered.state.value(Role.SHUTTER) == "1/15"
    assert "Stray light" in log_of(session)


def test_room_light_and_a_lamp_that_is_on_are_told_apart(
    light_test: LightTest, bench: BenchProcess
) -> None:
    bench.remove_film()
    bench.mishap("room-light")
    gate = light_test.run()
    (still_on,) = light_test.run_stray(gate).findings
    assert still_on.code == "lamp-still-on"
    bench.lamp(False)
    result = light_test.run_stray(gate)
    (stray,) = result.findings
    assert stray.code == "stray-light"
    assert "room light" in stray.action
    # 3 per cent of the lamp's light in green, from one side (mocks/tether_simulator/imaging.py),
    # and warmer.
    assert 0.02 < result.share < 0.15
    assert "limits densities to" in stray_line(result.share)


def test_an_open_gate_full_of_room_light_does_not_take_the_place_of_a_good_one(
    session: Session, light_test: LightTest, bench: BenchProcess
) -> None:
    bench.remove_film()
    light_test.run()
    good = session.bench.light.kept.gate
    assert good is not None
    bench.mishap("room-light")
    bench.mishap("lamp-dim")
    gate = light_test.run()
    (changed,) = [f for f in gate.findings if f.code == "lamp-changed"]
    assert changed.value == pytest.approx(-1.4, abs=0.2), "and the room adds a little"
    bench.lamp(False)
    result = light_test.run_stray(gate)
    assert result.share > session.bench.settings.light.flat_stray_share
    assert "The one before it stays in force." in result.said
    assert session.bench.light.kept.gate == good
    assert result.said in log_of(session)


def test_a_dusty_open_gate_can_leave_the_one_before_in_force(
    session: Session, light_test: LightTest, bench: BenchProcess
) -> None:
    bench.remove_film()
    good = light_test.run()
    assert (good.older, good.doubtful) == ("", False)
    bench.mishap("dust-on-lens")
    dusty = light_test.run()
    assert "gate-spots" in {f.code for f in dusty.findings}
    assert dusty.doubtful
    assert dusty.older == good.shot.taken_at
    result = light_test.keep_older(dusty)
    assert result.has_gate
    assert not result.kept
    kept = session.bench.light.kept.gate
    assert kept is not None
    assert kept.shot.file == good.shot.file
    assert "the open gate of before stays" in log_of(session)


def test_the_next_roll_at_the_same_bench_has_the_light_test_too(
    session: Session, light_test: LightTest, bench: BenchProcess, judge: Judge
) -> None:
    archive, camera = session.archive, session.tethered.camera
    said = "The light test of Harbour counts for this roll too."
    missing = "No light test yet: positives stay as uneven as the light."
    session.set_up.use_bench(BenchSetup("Table 1"))
    assert missing in {remark.text for remark in session.view().remarks}
    bench.remove_film()
    light_test.run()
    tested = session.bench.light.kept.gate
    assert tested is not None
    for name, film_format, counts in (("Pier", "135", True), ("Cliffs", "120-6x6", False)):
        roll = archive.store.rolls.add(NewRoll(name, FilmProcess.BW_NEGATIVE, film_format, 6, 6))
        with Session(archive, roll, camera, judge, QUICK) as other:
            gate = other.bench.light.kept.gate
            assert (said in other.found) is counts
            assert (gate is not None) is counts
            if gate is not None:
                assert (gate.bench, gate.roll, gate.shot.after) == ("Table 1", "Harbour", 0)
                assert np.allclose(gate.grid, tested.grid, atol=1e-6)
                assert missing not in {remark.text for remark in other.view().remarks}
    session.store.journal.begin_sitting(session.tethered.key)  # the next day, nothing said yet
    roll = archive.store.rolls.add(NewRoll("Quay", FilmProcess.BW_NEGATIVE, "135", 6, 6))
    with Session(archive, roll, camera, judge, QUICK) as other:
        assert other.bench.light.kept.gate is None


def test_no_light_at_all_is_said_so() -> None:
    assert stray_line(0.0) == "Stray light: too little to measure"
    assert stray_line(0.001).endswith("densities to 3.0")
