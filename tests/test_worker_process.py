"""The worker process: answers in turn, errors with their type, and every way of ending."""

from __future__ import annotations

import contextlib
import os
import select
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tether.camera.errors import FileUnavailable
from tether.worker_process import WorkerDied, WorkerError, WorkerHung, WorkerProcess


class Bench:
    """What the tests' child holds."""

    def __init__(self, first: int = 0) -> None:
        if first < 0:
            raise FileUnavailable("Nothing there.", kept="All.", todo="Look.")
        self.count = first

    def add(self, by: int = 1) -> int:
        self.count += by
        return self.count

    def pid(self) -> int:
        return os.getpid()

    def array(self, values: np.ndarray) -> np.ndarray:
        return values * 2

    def refuse(self) -> None:
        raise FileUnavailable("Short by 3 bytes.", kept="The part is kept.", todo="Fetch again.")

    def broken(self) -> None:
        raise ValueError("seven")

    def unpicklable(self) -> object:
        return lambda: None

    def hang(self) -> None:
        # A blocking system call with the interpreter's lock released, like a driver's wait.
        read, _ = os.pipe()
        os.read(read, 1)

    def crash(self) -> None:
        os.kill(os.getpid(), signal.SIGSEGV)

    def print(self) -> None:
        os.write(1, b"from fd 1\n")
        os.write(2, b"from fd 2\n")

    def interrupt(self) -> str:
        os.kill(os.getpid(), signal.SIGINT)
        return "still here"

    def allocate(self, size: int) -> int:
        return len(bytearray(size))


@pytest.fixture
def child() -> Iterator[WorkerProcess]:
    made = WorkerProcess(Bench, name="The test's child")
    yield made
    made.close()


def test_the_child_stands_back_for_the_screen(child: WorkerProcess) -> None:
    child.start()
    assert child.pid is not None
    ours = os.getpriority(os.PRIO_PROCESS, 0)
    assert os.getpriority(os.PRIO_PROCESS, child.pid) == min(ours + 5, 19)
    # sched(7): "The autogroup feature"; a system without it has no such file.
    autogroup = Path(f"/proc/{child.pid}/autogroup")
    if autogroup.exists():
        assert autogroup.read_text("ascii").split()[-1] == "5"


def test_calls_keep_their_object(child: WorkerProcess) -> None:
    assert not child.alive
    assert [child.call("add"), child.call("add", by=5)] == [1, 6]
    assert child.alive
    assert child.call("pid") == child.pid != os.getpid()


def test_arrays_cross_both_ways(child: WorkerProcess) -> None:
    values = np.arange(3_000_000, dtype=np.uint16).reshape(1000, 3000)
    assert np.array_equal(child.call("array", values), values * 2)


def test_errors_cross_with_their_type(child: WorkerProcess) -> None:
    with pytest.raises(FileUnavailable) as caught:
        child.call("refuse")
    assert (caught.value.kept, caught.value.todo) == ("The part is kept.", "Fetch again.")
    with pytest.raises(WorkerError, match="ValueError: seven") as other:
        child.call("broken")
    assert "in broken" in other.value.trace
    with pytest.raises(WorkerError):
        child.call("unpicklable")
    with pytest.raises(WorkerError, match="nosuch"):
        child.call("nosuch")
    assert child.call("add") == 1


def test_the_factory_s_error_crosses_and_leaves_nothing_running() -> None:
    child = WorkerProcess(Bench, -1, name="The test's child")
    with pytest.raises(FileUnavailable, match="Nothing there"):
        child.start()
    assert not child.alive


def test_a_factory_that_cannot_be_imported_is_told(child: WorkerProcess) -> None:
    with pytest.raises(WorkerError):
        WorkerProcess(Bench, threading.current_thread, name="x").start()


def test_threads_take_turns(child: WorkerProcess) -> None:
    results: list[int] = []
    threads = [
        threading.Thread(target=lambda: results.append(child.call("add"))) for _ in range(20)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(results) == list(range(1, 21))


def test_a_hanging_call_is_ended_and_the_next_start_works(child: WorkerProcess) -> None:
    child.start()
    pid = child.pid
    with pytest.raises(WorkerHung, match=r"did not answer within 0\.05 s"):
        child.call("hang", timeout=0.05)
    assert not child.alive
    with pytest.raises(WorkerDied, match="not running"):
        child.call("add")
    child.start()
    assert child.pid != pid
    assert child.call("add") == 1


def test_a_crash_is_named(child: WorkerProcess) -> None:
    with pytest.raises(WorkerDied, match="SIGSEGV"):
        child.call("crash")


def test_kill_frees_a_waiting_caller(child: WorkerProcess) -> None:
    child.start()
    caught: list[BaseException] = []

    def wait() -> None:
        try:
            child.call("hang")
        except WorkerDied as error:
            caught.append(error)

    waiting = threading.Thread(target=wait)
    waiting.start()
    child.kill()
    waiting.join()
    assert len(caught) == 1


def test_ctrl_c_is_not_the_child_s_affair(child: WorkerProcess) -> None:
    assert child.call("interrupt") == "still here"


def test_what_libraries_print_stays_off_the_terminal(
    child: WorkerProcess, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    child.call("print")
    log = tmp_path / "driver.log"
    logged = WorkerProcess(Bench, name="logged", log=log)
    logged.call("print")
    logged.close()
    assert capfd.readouterr() == ("", "")
    assert log.read_bytes() == b"from fd 1\nfrom fd 2\n"


@pytest.mark.skipif(sys.platform != "linux", reason="RLIMIT_AS is honoured on Linux")
def test_memory_is_limited() -> None:
    child = WorkerProcess(Bench, name="small", memory_bytes=512 << 20)
    assert child.call("allocate", 1 << 20) == 1 << 20
    with pytest.raises(WorkerError, match="MemoryError"):
        child.call("allocate", 1 << 30)
    child.close()


def test_close_is_quiet_and_may_be_repeated(child: WorkerProcess) -> None:
    child.close()
    child.start()
    child.close()
    child.close()
    assert not child.alive


PARENT = """
import os, sys
from tether.worker_process import WorkerProcess
from test_worker_process import Bench
child = WorkerProcess(Bench, name="orphan")
print(child.call("pid"), flush=True)
child.call("hang")
"""


@pytest.mark.skipif(
    not hasattr(os, "pidfd_open"), reason="waits through a Linux process descriptor"
)
@pytest.mark.parametrize("ending", [signal.SIGKILL, signal.SIGTERM])
def test_the_child_ends_with_its_parent(ending: signal.Signals) -> None:
    path = os.pathsep.join([str(Path(__file__).parent), *sys.path])
    with subprocess.Popen(
        [sys.executable, "-c", PARENT],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=os.environ | {"PYTHONPATH": path},
        text=True,
    ) as parent:
        assert parent.stdout is not None
        pid = int(parent.stdout.readline())
        watch = os.pidfd_open(pid)
        try:
            parent.send_signal(ending)
            ended, _, _ = select.select([watch], [], [], 10)
            assert ended, "the child outlived its parent"
        finally:
            os.close(watch)
            with contextlib.suppress(ProcessLookupError):
                if not ended:
                    os.kill(pid, signal.SIGKILL)
