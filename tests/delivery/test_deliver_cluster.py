"""The same work list on a Dask cluster: to the byte what this machine makes, whoever dies."""

from __future__ import annotations

import asyncio
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from tests.delivery.delivering import Kept, kept_roll
from tether.archive.archive import Archive
from tether.delivery.cluster import ClusterCrew, ClusterUnusable, SharedFolders, check, look
from tether.delivery.crew import WorkerLost
from tether.delivery.folder import DeliveryOptions, DeliveryResult
from tether.delivery.run import DeliveryStep, RollDelivery
from tether.errors import TetherError
from tether.film import FilmProcess
from tether.settings import Settings

FRAMES = 6


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Two workers, each a process that is started again when it dies; on loopback only."""
    dask = pytest.importorskip("dask", reason="the extra 'dask' is not installed")
    from distributed import LocalCluster

    quick = {
        "distributed.comm.timeouts.connect": "5s",
        "distributed.scheduler.allowed-failures": 1,
        "temporary-directory": str(tmp_path_factory.mktemp("dask")),
    }
    with (
        dask.config.set(quick),
        LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            worker_dashboard_address="127.0.0.1:0",
            silence_logs=60,
        ) as cluster,
    ):
        yield cluster.scheduler_address


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kept]:
    folder = tmp_path_factory.mktemp("cluster") / "here"
    roll = kept_roll(folder, process=FilmProcess.COLOUR_NEGATIVE, frames=FRAMES, expected=FRAMES)
    roll.archive.close()
    shutil.copytree(folder, folder.parent / "there")  # with the times of the files
    with closing(Archive(folder)) as archive:
        yield Kept(archive, archive.store.rolls.named(roll.roll.name))


def files_of(folder: Path) -> dict[str, bytes]:
    found = {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    return {name: data for name, data in found.items() if "sqlite3" not in name}


class Interfering:
    """Kills a worker as soon as the first raw file is sampled: one that is at work, if any is."""

    def __init__(self, scheduler: str) -> None:
        self.scheduler = scheduler
        self.killed: list[int] = []

    def __call__(self, step: DeliveryStep) -> None:
        from distributed import Client

        if self.killed or not step.done:
            return
        with Client(self.scheduler, set_as_default=False) as client:
            first, *_ = sorted(client.processing().items(), key=lambda item: -len(item[1]))
            self.killed = list(client.run(os.getpid, workers=[first[0]]).values())
        os.kill(self.killed[0], signal.SIGKILL)


def delivered(
    archive: Archive, name: str, wishes: DeliveryOptions, report: object
) -> DeliveryResult:
    roll = archive.store.rolls.named(name)
    return RollDelivery(archive, roll, Settings(), wishes, report).run()  # type: ignore[arg-type]


def test_workers_of_which_one_is_killed_make_the_same_bytes(kept: Kept, scheduler: str) -> None:
    here, there = kept.archive.root, kept.archive.root.parent / "there"
    name = kept.roll.name
    done = delivered(kept.archive, name, DeliveryOptions(half=True, workers=2), print)
    interfering = Interfering(scheduler)
    with closing(Archive(there)) as archive:
        same = delivered(
            archive, name, DeliveryOptions(half=True, scheduler=scheduler), interfering
        )
        assert interfering.killed, "a worker was killed on the way"
        assert (same.printed, same.trouble) == (done.printed, done.trouble) == (FRAMES, [])
        assert files_of(there) == files_of(here)
        steps: list[DeliveryStep] = []
        again = delivered(
            archive, name, DeliveryOptions(half=True, scheduler=scheduler), steps.append
        )
        assert (again.printed, again.unchanged) == (0, FRAMES), "a second run does nothing twice"
        assert {step.phase for step in steps} == {"reports"}


def _dies_once(job: Path) -> int:
    if not job.exists():
        job.write_text("tried")
        os.kill(os.getpid(), signal.SIGKILL)
    return os.getpid()


def test_what_a_killed_worker_had_is_done_by_another(scheduler: str, tmp_path: Path) -> None:
    job = tmp_path / "job"
    with ClusterCrew(scheduler) as crew:
        done = dict(crew.each_done(_dies_once, [job], 1))
    assert isinstance(done[job], int)
    assert job.read_text() == "tried"


def _dies_of(job: str) -> str:
    if job == "bad":
        os._exit(3)
    if job == "wrong":
        raise FileNotFoundError(job)
    return job.upper()


def test_a_file_that_kills_its_workers_costs_no_other_file(scheduler: str) -> None:
    from distributed import Client

    with Client(scheduler, set_as_default=False) as client, ClusterCrew(scheduler) as crew:
        # One is enough: on a busy machine another that died may not be started again.
        client.wait_for_workers(1, timeout=60)
        done = dict(crew.each_done(_dies_of, ["bad"], 1))
        assert isinstance(done["bad"], WorkerLost)
        client.wait_for_workers(1, timeout=60)
        done = dict(crew.each_done(_dies_of, ["a", "wrong", "b"], 1))
        assert (done["a"], done["b"]) == ("A", "B")
        assert isinstance(done["wrong"], FileNotFoundError)


@pytest.mark.skipif(not Path("/proc/self/cwd").exists(), reason="no /proc on this system")
def test_a_worker_that_sees_another_archive_is_refused(
    kept: Kept, scheduler: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Under /proc/self/cwd each process finds its own folder: one path, two places.
    monkeypatch.chdir(kept.archive.root.parent)
    with closing(Archive(Path("/proc/self/cwd/here"))) as archive:
        with pytest.raises(ClusterUnusable, match="does not see the folder /proc/self/cwd/here"):
            delivered(archive, kept.roll.name, DeliveryOptions(scheduler=scheduler), print)
        left = archive.folder(kept.roll) / "delivered" / "positives"
        assert not list(left.glob(".new-*")), "the mark is taken away again"


async def _both_kinds(dask_scheduler: Any) -> None:
    """Wait until the worker of that name is there, and one of the others, which may restart."""
    while {worker.name == "seeing" for worker in dask_scheduler.workers.values()} != {True, False}:
        await asyncio.sleep(0.05)


@pytest.mark.skipif(not Path("/proc/self/cwd").exists(), reason="no /proc on this system")
def test_a_worker_that_sees_another_archive_is_left_out_and_named(
    kept: Kept, scheduler: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    from distributed import Client

    # Of one path, which is another place for the two workers of the scheduler.
    monkeypatch.chdir(kept.archive.root.parent)
    command = [sys.executable, "-m", "dask", "worker", scheduler, "--nthreads", "1"]
    seeing = subprocess.Popen(
        [*command, "--no-dashboard", "--no-nanny", "--name", "seeing"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    try:
        with Client(scheduler, set_as_default=False) as client:
            client.run_on_scheduler(_both_kinds)
        with closing(Archive(Path("/proc/self/cwd/here"))) as archive:
            options = DeliveryOptions(scheduler=scheduler, half=True, tiff=False)
            result = delivered(archive, kept.roll.name, options, lambda _: None)
        assert (result.printed, result.trouble) == (FRAMES, [])
        told = [note for note in result.notes if "It was not used" in note]
        assert told
        assert all("does not see the folder /proc/self/cwd/here" in note for note in told)
    finally:
        seeing.terminate()
        seeing.wait(30)


def test_certificates_that_are_not_there_are_told() -> None:
    pytest.importorskip("distributed", reason="the extra 'dask' is not installed")
    with pytest.raises(ClusterUnusable, match="asks for certificates"):
        ClusterCrew("tls://127.0.0.1:9", answer=0.5)


def test_a_scheduler_without_workers_is_told() -> None:
    pytest.importorskip("distributed", reason="the extra 'dask' is not installed")
    from distributed import LocalCluster

    with (
        LocalCluster(
            n_workers=0,
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            worker_dashboard_address="127.0.0.1:0",
            silence_logs=60,
        ) as none,
        ClusterCrew(none.scheduler_address, answer=1.0, workerless=0.2) as crew,
    ):
        with pytest.raises(ClusterUnusable, match="no workers"):
            crew.meet(Path("/tmp"), [], Path("/tmp"))
        with pytest.raises(ClusterUnusable, match="no workers left"):
            list(crew.each_done(str, ["a"], 1))
        none.close()
        with pytest.raises(ClusterUnusable, match="does not answer any more"):
            list(crew.each_done(str, ["a"], 1))


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "nonsense", "x://127.0.0.1:9"])
def test_a_scheduler_that_does_not_answer_is_told(address: str) -> None:
    pytest.importorskip("distributed", reason="the extra 'dask' is not installed")
    with pytest.raises(ClusterUnusable, match="No scheduler answers"):
        ClusterCrew(address, answer=0.5)


def test_what_to_install_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(TetherError) as error:
        ClusterCrew("tcp://127.0.0.1:9")
    assert "pip install '.[dask]'" in error.value.todo


def test_a_worker_with_other_programs_is_refused(tmp_path: Path) -> None:
    mark = tmp_path / "mark"
    mark.write_text("known")
    host, unseen, programs = look(SharedFolders(tmp_path, None, mark, "known"))
    check("w", (host, unseen, programs))
    with pytest.raises(ClusterUnusable, match=r"numpy 0\.1 and not"):
        check("w", (host, unseen, programs | {"numpy": "0.1"}))
    with pytest.raises(ClusterUnusable, match="No module named 'tether'"):
        check("w", ModuleNotFoundError("No module named 'tether'"))


def test_each_folder_that_is_not_seen_is_named(tmp_path: Path) -> None:
    raw, out = tmp_path / "raw", tmp_path / "out"
    raw.mkdir()
    out.mkdir()
    (raw / "a.dng").write_bytes(b"abc")
    (out / "mark").write_text("known")
    place = SharedFolders(raw, (raw / "a.dng", 3), out / "mark", "known")
    assert place.unseen() == ""
    assert SharedFolders(raw, (raw / "a.dng", 4), out / "mark", "known").unseen() == str(raw)
    assert SharedFolders(tmp_path / "none", None, out / "mark", "known").unseen() == str(
        tmp_path / "none"
    )
    assert SharedFolders(raw, None, out / "mark", "another").unseen() == str(out)
    assert SharedFolders(raw, None, tmp_path / "gone" / "mark", "known").unseen() == str(
        tmp_path / "gone"
    )
    assert sorted(p.name for p in out.iterdir()) == ["mark"]
