"""Base exposure through the real driver: the shutter is found in three shots at most."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from tether_simulator.bench_config import BenchConfig
from tether_simulator.camera.dials import fraction
from tether_simulator.ptp import Property
from tether_simulator.server import BenchProcess

from tests.quick import QUICK, SENSOR
from tether.archive.archive import Archive
from tether.archive.records import NewRoll, Roll
from tether.bench.base_exposure import MOST_SHOTS, BaseCalibration, BaseResult, base_line
from tether.bench.light_test import LightTest
from tether.camera.process import CameraProcess, connect
from tether.camera.protocol import Role
from tether.capture.bench_shots import BenchShot
from tether.errors import NotNow
from tether.film import FILM_FORMATS, FilmProcess
from tether.measure.exposure.calibration import ClearFilm, Seen
from tether.session.judge import Judge
from tether.session.next_step import NextKind
from tether.session.session import Session

TARGET, TOLERANCE = QUICK.exposure.base_target_ev, QUICK.exposure.base_tolerance_ev


@pytest.fixture
def session(archive: Archive, roll: Roll, camera: CameraProcess, judge: Judge) -> Iterator[Session]:
    with Session(archive, roll, camera, judge, QUICK) as at_work:
        yield at_work


@pytest.fixture
def calibration(session: Session) -> Iterator[BaseCalibration]:
    working = BaseCalibration(session.bench)
    yield working
    working.close()


def shutter_of(session: Session) -> str | None:
    return session.tethered.state.value(Role.SHUTTER) if session.tethered.state else None


def calibrated(calibration: BaseCalibration) -> BaseResult:
    """Do as a person who agrees to every setting."""
    while True:
        result = calibration.shoot()
        if result.last or result.wanted is None:
            return result
        calibration.set_wanted()


@pytest.mark.parametrize("start", ["1/3", "1/2000"])
def test_blank_film_finds_the_shutter_from_wherever_it_stands(
    session: Session, calibration: BaseCalibration, bench: BenchProcess, start: str
) -> None:
    bench.turn(Property.EXPOSURE_TIME_FRACTION, fraction(start))
    bench.lay_blank()
    result = calibrated(calibration)
    assert result.reached
    assert result.shots <= MOST_SHOTS
    assert result.seen.seen is Seen.BLANK
    assert abs((result.seen.ev or 0) - TARGET) <= TOLERANCE
    # The bench's base lies 0.3 stops under saturation at 1/15 s (docs/bench.md).
    assert shutter_of(session) in ("1/15", "1/20")
    kept = session.bench.light.kept.base
    assert kept is not None
    assert kept.shot == result.shot
    assert kept.shot.shutter == shutter_of(session)
    assert session.bench.shots.file(kept.shot).is_file()
    assert all(not frame.captures for frame in session.frames())


def test_nothing_is_set_without_consent(
    session: Session, calibration: BaseCalibration, bench: BenchProcess
) -> None:
    # Through the driver, which for seconds gives what it has read before a dial was turned by hand.
    assert session.tethered.camera is not None
    session.tethered.camera.set(Role.SHUTTER, "1/60")
    bench.go_to(1)
    result = calibration.shoot()
    assert not result.reached
    assert not result.last
    assert result.wanted in ("1/15", "1/20")
    assert result.can_set
    assert abs(result.nearest_off_ev) <= 0.2
    assert shutter_of(session) == "1/60"
    # What was seen is known all the same: the base scales with the exposure.
    assert session.bench.light.kept.base is not None
    assert calibration.set_wanted() == result.wanted
    assert calibration.shoot().reached


def test_a_base_on_target_takes_one_shot(calibration: BaseCalibration, bench: BenchProcess) -> None:
    bench.go_to(1)
    result = calibration.shoot()
    assert (result.reached, result.last, result.shots, result.wanted) == (True, True, 1, None)
    with pytest.raises(NotNow):
        calibration.set_wanted()


def test_after_three_shots_it_ends(calibration: BaseCalibration, bench: BenchProcess) -> None:
    bench.remove_film()
    bench.lamp(False)
    results = [calibration.shoot() for _ in range(MOST_SHOTS)]
    assert [r.last for r in results] == [False, False, True]
    assert {r.seen.seen for r in results} == {Seen.DARKNESS}
    assert "It is dark" in base_line(results[0])
    with pytest.raises(NotNow):
        calibration.shoot()
    calibration.begin_anew()
    bench.lamp(True)
    bench.lay_blank()
    assert calibration.shoot().seen.seen is Seen.BLANK


def test_the_open_gate_tells_that_no_film_is_there(
    session: Session, calibration: BaseCalibration, bench: BenchProcess
) -> None:
    bench.remove_film()
    test = LightTest(session.bench)
    test.run()
    test.close()
    bench.turn(Property.EXPOSURE_TIME_FRACTION, fraction("1/60"))
    result = calibration.shoot()
    assert result.seen.seen is Seen.NO_FILM
    assert "no film in it" in base_line(result)
    assert session.bench.light.kept.base is None


def test_frames_that_show_no_rebate_are_judged_by_it(archive: Archive, judge: Judge) -> None:
    config = BenchConfig(
        process=FilmProcess.BW_NEGATIVE, film_format=FILM_FORMATS["135"], frames=6,
        frames_per_strip=6, seed=7, framing="tight", sensor=SENSOR,
    )  # fmt: skip
    roll = archive.store.rolls.add(NewRoll("Quarry", FilmProcess.BW_NEGATIVE, "135", 6, 6))
    bench = BenchProcess.start(config)
    camera = connect(bench.port_name, QUICK.camera)
    try:
        with Session(archive, roll, camera, judge, QUICK) as session:
            calibration = BaseCalibration(session.bench)
            bench.lay_blank()
            assert calibrated(calibration).reached
            calibration.close()
            bench.go_to(1)
            while session.next_step().kind is NextKind.STEP:
                session.confirm()
            ((capture, _),) = session.capture().captures
            assert capture.facts.base_source == "roll"
            assert abs((capture.facts.base_ev or 0.0) - TARGET) <= TOLERANCE
            assert capture.verdict == "keep"
            session.keep()
        # It holds for the next program too, and with a stop less light the verdict knows.
        with Session(archive, roll, camera, judge, QUICK) as session:
            assert session.tethered.camera is not None
            session.tethered.camera.set(Role.SHUTTER, "1/60")
            bench.go_to(2)
            while session.next_step().kind is NextKind.STEP:
                session.confirm()
            ((capture, _),) = session.capture().captures
            assert capture.facts.base_source == "roll"
            assert capture.facts.has("base-off-target")
    finally:
        camera.close()
        bench.close()


def test_a_transparency_is_calibrated_on_its_highlights(archive: Archive, judge: Judge) -> None:
    config = BenchConfig(
        process=FilmProcess.TRANSPARENCY, film_format=FILM_FORMATS["135"], frames=6,
        frames_per_strip=6, seed=7, sensor=SENSOR,
    )  # fmt: skip
    roll = archive.store.rolls.add(NewRoll("Meadow", FilmProcess.TRANSPARENCY, "135", 6, 6))
    bench = BenchProcess.start(config)
    camera = connect(bench.port_name, QUICK.camera)
    try:
        with Session(archive, roll, camera, judge, QUICK) as session:
            calibration = BaseCalibration(session.bench)
            bench.lay_blank()
            result = calibrated(calibration)
            calibration.close()
            assert result.reached
            assert result.seen.seen is Seen.HIGHLIGHTS
            assert session.bench.light.kept.base is not None
            # Clear film is the lightest that a transparency can be: no picture saturates now, and
            # a darker one is right as it is.
            bench.go_to(1)
            while session.next_step().kind is NextKind.STEP:
                session.confirm()
            ((capture, _),) = session.capture().captures
            assert capture.verdict == "keep"
            assert not capture.facts.has("highlights-below-target")
    finally:
        camera.close()
        bench.close()


@pytest.mark.parametrize(
    ("seen", "ev", "clipped", "said"),
    [
        (Seen.BLANK, -0.5, False, "Blank film is 0.5 stops below clipping at 1/15: on the"),
        (Seen.REBATE, -2.0, False, "1.5 stops below the target."),
        (Seen.HIGHLIGHTS, -0.1, False, "The highlights are 0.1 stops below clipping at 1/15"),
        (Seen.HIGHLIGHTS, 0.0, True, "The highlights are clipped at 1/15"),
        (Seen.NOTHING, None, False, "no blank film and no rebate"),
    ],
)
def test_the_outcome_in_words(seen: Seen, ev: float | None, clipped: bool, said: str) -> None:
    film = ClearFilm(seen, {"G1": 0.5}, ev, clipped)
    off = film.stops_to_target(QUICK.exposure) if seen.usable else None
    reached = ev == -0.5
    trial = BenchShot("x.dng", "", "", shutter="1/15")
    assert said in base_line(BaseResult(film, trial, 1, off, reached, None, False))
