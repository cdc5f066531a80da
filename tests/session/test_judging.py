"""No file takes the session down: damaged, hostile, slow and huge ones are reported."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from datetime import datetime
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.dng import RawFacts, write_dng
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.sensor import SensorConfig

from tether.errors import TetherError
from tether.facts import Facts
from tether.film import FilmProcess
from tether.findings import Verdict
from tether.measure.context import FrameContext
from tether.measure.roll.memory import RollMemory
from tether.session.judge import Judge, Judgement, JudgeRequest
from tether.worker_process import WorkerDied, WorkerError, WorkerHung

REQUEST = JudgeRequest(
    partial(FrameContext, FilmProcess.BW_NEGATIVE, frame_number=3, shutter=("1/15", 1 / 15)),
    RollMemory().to_bytes(),
)


@pytest.fixture(scope="module")
def own_judge() -> Iterator[Judge]:
    """A judge that this module may mistreat."""
    running = Judge()
    yield running
    running.close()


@pytest.fixture(scope="module")
def frame_bytes() -> bytes:
    """A frame as the camera hands it over."""
    bench = CopyStand(BenchConfig(seed=3, sensor=SensorConfig(width=768, height=512)))
    bench.hand.go_to(3)
    return bench.expose(CameraExposure(1 / 15, 8, 100)).raw


def _file(folder: Path, content: bytes) -> Path:
    path = folder / "frame.dng"
    path.write_bytes(content)
    return path


def test_a_good_file_is_judged(own_judge: Judge, frame_bytes: bytes, tmp_path: Path) -> None:
    judged = own_judge.judge(_file(tmp_path, frame_bytes), REQUEST)
    assert judged.verdict is not Verdict.UNJUDGED
    assert judged.facts.stored["verdict"] == judged.verdict.value
    assert judged.picture is not None
    assert judged.picture.dtype == np.float32
    assert max(judged.picture.shape) <= 480
    assert [t.frame for t in RollMemory.from_bytes(judged.memory).frames] == [3]


def test_a_bad_file_is_unjudged_and_says_why(own_judge: Judge, tmp_path: Path) -> None:
    path = _file(tmp_path, b"II*\0" + bytes(200))
    judged = own_judge.judge(path, REQUEST)
    assert judged.verdict is Verdict.UNJUDGED
    assert judged.memory == REQUEST.memory
    assert [f.code for f in judged.findings] == ["not-judged"]
    assert "frame.dng" in judged.findings[0].text
    assert path.exists()


@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_damage_anywhere_in_the_file(
    own_judge: Judge, frame_bytes: bytes, tmp_path: Path, data: st.DataObject
) -> None:
    broken = bytearray(frame_bytes)
    for _ in range(data.draw(st.integers(1, 12))):
        # Half of the damage strikes the tags, where it hurts most.
        last = 1500 if data.draw(st.booleans()) else len(broken) - 1
        broken[data.draw(st.integers(0, last))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.sampled_from([len(broken), len(broken) // 2, 2000]))
    judged = own_judge.judge(_file(tmp_path, bytes(broken[:cut])), REQUEST)
    assert judged.verdict in Verdict
    assert "verdict" in judged.facts.stored


def test_a_worker_that_was_ended_is_started_anew(
    own_judge: Judge, frame_bytes: bytes, tmp_path: Path
) -> None:
    path = _file(tmp_path, frame_bytes)
    own_judge.judge(path, REQUEST)
    pid = own_judge._child.pid
    assert pid is not None
    os.kill(pid, signal.SIGKILL)
    assert own_judge.judge(path, REQUEST).verdict is not Verdict.UNJUDGED
    assert own_judge._child.pid != pid


class _Failing:
    """Stands for the worker: it fails as it is told, then judges."""

    def __init__(self, *failures: TetherError) -> None:
        self.failures = list(failures)
        self.starts = self.kills = 0

    def start(self) -> None:
        self.starts += 1

    def call(self, *_args: object, timeout: float) -> Judgement:
        if self.failures:
            raise self.failures.pop(0)
        return Judgement(Facts.read({"verdict": "keep"}))

    def kill(self) -> None:
        self.kills += 1

    def close(self) -> None:
        """Nothing is held."""


@pytest.mark.parametrize(
    ("failures", "verdict", "tries"),
    [
        ((WorkerDied("It ended."),), Verdict.KEEP, 2),
        ((WorkerHung("No answer."),), Verdict.KEEP, 2),
        ((WorkerHung("No answer."), WorkerDied("It ended.")), Verdict.UNJUDGED, 2),
        # What is wrong with the file itself is not tried again.
        ((TetherError("It is no raw file."),), Verdict.UNJUDGED, 1),
        ((WorkerError("MemoryError"),), Verdict.UNJUDGED, 1),
    ],
)
def test_a_worker_that_dies_or_hangs_is_replaced_once(
    monkeypatch: pytest.MonkeyPatch, failures: tuple[TetherError, ...], verdict: Verdict, tries: int
) -> None:
    judge = Judge()
    worker = _Failing(*failures)
    monkeypatch.setattr(judge, "_child", worker)
    judged = judge.judge(Path("a.dng"), REQUEST)
    assert judged.verdict is verdict
    assert worker.starts == tries
    if verdict is Verdict.UNJUDGED:
        assert worker.kills == tries, "nothing of it touches the next file"
        again = "the next start tries again" in judged.findings[0].action
        assert again is (tries == 2)


def test_a_file_that_takes_too_long_is_given_up(frame_bytes: bytes, tmp_path: Path) -> None:
    hasty = Judge(seconds=0.001)
    hasty._child.start()
    try:
        judged = hasty.judge(_file(tmp_path, frame_bytes), REQUEST)
        assert judged.verdict is Verdict.UNJUDGED
        assert "did not answer" in judged.findings[0].text
    finally:
        hasty.close()


def test_a_file_that_never_ends_is_given_up(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.dng"
    os.mkfifo(pipe)
    patient = Judge(seconds=2.0)
    try:
        patient._child.start()
        assert patient.judge(pipe, REQUEST).verdict is Verdict.UNJUDGED
    finally:
        patient.close()


def test_a_file_that_needs_more_memory_than_there_is(frame_bytes: bytes, tmp_path: Path) -> None:
    # 216 MB in the file and as much again in memory, with the worker held to 400 MB.
    large = tmp_path / "large.dng"
    facts = RawFacts(
        ((0, 1), (1, 2)), 512, 16_200, (1.0, 1.0, 1.0), (1.0, 1.0, 1.0), 0.1, 8.0, 100.0,
        datetime(2024, 5, 4),
    )  # fmt: skip
    large.write_bytes(write_dng(np.zeros((9000, 12_000), np.uint16), facts))
    small = Judge(memory_bytes=400 << 20)
    try:
        assert small.judge(large, REQUEST).verdict is Verdict.UNJUDGED
        judged = small.judge(_file(tmp_path, frame_bytes), REQUEST)
        assert judged.verdict is not Verdict.UNJUDGED
    finally:
        small.close()


def test_a_foreign_memory_only_starts_anew(
    own_judge: Judge, frame_bytes: bytes, tmp_path: Path
) -> None:
    request = REQUEST._replace(memory=b"\0garbage" * 50)
    judged = own_judge.judge(_file(tmp_path, frame_bytes), request)
    assert judged.verdict is not Verdict.UNJUDGED
