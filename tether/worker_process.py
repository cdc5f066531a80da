"""A worker process that answers calls in turn, and that can be ended when it hangs.

Whatever may block for ever or crash (a camera driver, a decoder of raw files) runs in a
`WorkerProcess`: a fresh interpreter at the other end of a socket pair. The caller's main module is
not run again there, so no ``if __name__`` guard is needed, and nothing of a terminal program's
threads or screen is inherited. Large arrays cross the socket without being copied into the pickle
(pickle protocol 5, PEP 574).
"""

from __future__ import annotations

import contextlib
import logging
import os
import pickle
import queue
import resource
import signal
import socket
import struct
import subprocess
import sys
import threading
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tether.errors import TetherError
from tether.text import printable

CLOSE_SECONDS = 3.0
"""How long `WorkerProcess.close` waits for an orderly end before it ends the process."""

RAW_MEMORY_BYTES = 8 << 30
"""Address space for a worker that opens raw files; more than any camera's file needs."""
RAW_SECONDS = 60.0
"""Time after which a raw file that is still being judged is given up."""

_NICENESS = 5
"""How far a worker gives way to the screen, as nice(1) counts."""

_LOG = logging.getLogger("tether.worker")
_LOG.addHandler(logging.NullHandler())  # else it would be printed where nobody set up the log

_BOOT = "import sys; from tether.worker_process import serve; serve(int(sys.argv[1]))"


class WorkerError(TetherError):
    """The worker raised something that is not a `TetherError`; ``trace`` holds where."""

    trace: str = ""


class WorkerDied(TetherError):
    """The worker process ended without an answer (a crash, or somebody ended it)."""


class WorkerHung(TetherError):
    """A call passed its time limit, so the worker process was ended (SIGKILL)."""


class WorkerProcess:
    """One worker process, holding one object that is made there and called from here.

    Parameters
    ----------
    factory
        What makes the object, in the worker: a function or class that can be imported by name
        (not a lambda, nor something defined in ``__main__``).
    args
        What the factory is given; must pickle.
    name
        What the process does, for messages to a person: "The camera driver".
    memory_bytes
        Limit on the worker's address space (RLIMIT_AS), None for no limit. Where it is passed,
        the worker's allocations fail and the call raises `WorkerError`.
    log
        File that what the worker's libraries print is appended to; None discards it. It never
        reaches the terminal.
    """

    def __init__(
        self,
        factory: Callable[..., object],
        *args: Any,
        name: str,
        memory_bytes: int | None = None,
        log: Path | None = None,
    ) -> None:
        self.name = name
        self._boot = (memory_bytes, factory, args)
        self._log = log
        self._turn = threading.RLock()
        self._process: subprocess.Popen[bytes] | None = None
        self._socket: socket.socket | None = None

    @property
    def alive(self) -> bool:
        """Whether the process has been started and has not ended."""
        process = self._process
        return process is not None and process.poll() is None

    @property
    def pid(self) -> int | None:
        """The process's number, None before it was started."""
        return self._process.pid if self._process else None

    def start(self, timeout: float | None = None) -> None:
        """Start the process and make its object, unless it is running already.

        A worker that died or was closed is started again. Raises what the factory raises
        (see `call`), `WorkerDied`, or `WorkerHung` when it took more than ``timeout`` seconds.
        """
        with self._turn:
            if self.alive:
                return
            self._end()
            self._spawn()
            try:
                self._ask(self._boot, timeout)
            except BaseException:
                self._end()
                raise

    def call(self, method: str, *args: Any, timeout: float | None = None, **kw: Any) -> Any:
        """Call a method of the worker's object and return its result.

        Calls from several threads are made one after the other; ``timeout`` (seconds) counts
        from when this one's turn has come. The first call starts the process.

        Raises
        ------
        TetherError
            As the worker raised it, with its own type.
        WorkerError
            For any other exception in the worker, with its text.
        WorkerDied
            When the process ended before it answered, or had ended before.
        WorkerHung
            When it took longer than ``timeout``. The process has been ended.
        """
        with self._turn:
            if self._process is None:
                self.start(timeout)
            return self._ask((method, args, kw), timeout)

    def kill(self) -> None:
        """End the process at once; safe from any thread, also while a call is under way."""
        process = self._process
        if process is not None and process.poll() is None:
            process.kill()
            process.wait()

    def close(self) -> None:
        """Let the object close itself (its ``close`` if it has one) and end the process.

        Never raises and may be called twice. A worker that is still busy after `CLOSE_SECONDS`
        is ended.
        """
        if self._turn.acquire(timeout=CLOSE_SECONDS):
            try:
                if self.alive and self._socket is not None:
                    with contextlib.suppress(OSError):
                        self._socket.settimeout(CLOSE_SECONDS)
                        _send(self._socket, None)
                        while self._socket.recv(65536):  # until the worker's end
                            pass
                self._end()
            finally:
                self._turn.release()
        else:
            self.kill()

    def _spawn(self) -> None:
        ours, theirs = socket.socketpair()
        here = Path(__file__).resolve().parent.parent
        path = [entry or str(Path.cwd()) for entry in sys.path]
        environment = os.environ | {"PYTHONPATH": os.pathsep.join([*path, str(here)])}
        with contextlib.ExitStack() as stack:
            stack.callback(theirs.close)
            output: Any = subprocess.DEVNULL
            if self._log is not None:
                output = stack.enter_context(self._log.open("ab"))
            try:
                # A session of its own: the terminal's Ctrl-C and Ctrl-Z are the parent's affair.
                self._process = subprocess.Popen(
                    [sys.executable, "-P", "-c", _BOOT, str(theirs.fileno())],
                    stdin=subprocess.DEVNULL,
                    stdout=output,
                    stderr=output,
                    env=environment,
                    pass_fds=(theirs.fileno(),),
                    start_new_session=True,
                )
            except BaseException:
                ours.close()
                raise
        self._socket = ours

    def _ask(self, request: object, timeout: float | None) -> Any:
        connection = self._socket
        if connection is None:
            raise WorkerDied(f"{self.name} is not running.")
        deadline = None if timeout is None else time.monotonic() + timeout
        try:
            _send(connection, request, deadline)
            good, value = _load(_receive(connection, deadline))
        except TimeoutError:
            self._end()
            what = f"{self.name} did not answer within {timeout:.3g} s, so it was ended."
            raise WorkerHung(what) from None
        except (OSError, EOFError):
            self._end()
            status = self._process.returncode if self._process else None
            raise WorkerDied(f"{self.name} ended unexpectedly ({_status(status)}).") from None
        except BaseException:
            # Ctrl-C, say: the answer that is still to come would be taken for the next call's.
            self.close()
            raise
        if good:
            return value
        if isinstance(value, WorkerError):
            _LOG.error("%s: %s\n%s", self.name, value.what, value.trace)
        raise value

    def _end(self) -> None:
        """End the process, where it still runs, and give up the way to it."""
        self.kill()
        if self._socket is not None:
            self._socket.close()
            self._socket = None


def _status(code: int | None) -> str:
    if code is not None and code < 0:
        with contextlib.suppress(ValueError):
            return f"signal {signal.Signals(-code).name}"
    return f"exit status {code}"


# --- in the worker ---------------------------------------------------------------------------


def serve(descriptor: int) -> None:
    """The worker's main loop: make the object, answer calls in turn, end when the parent has gone.

    A thread reads the requests, so that the parent's end is noticed in the middle of a call
    too (as long as that call lets other threads run, as libgphoto2's and LibRaw's do).
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _give_way()
    connection = socket.socket(fileno=descriptor)
    requests: queue.SimpleQueue[list[bytearray]] = queue.SimpleQueue()

    def listen() -> None:
        try:
            while True:
                requests.put(_receive(connection))
        finally:
            os._exit(0)

    threading.Thread(target=listen, daemon=True).start()
    served: Any = None
    answer: tuple[bool, object]
    while True:
        try:
            request = _load(requests.get())
            if request is None:
                break
            if served is None:
                served = _make(*request)
                answer = (True, None)
            else:
                method, args, kw = request
                answer = (True, getattr(served, method)(*args, **kw))
        except BaseException as error:
            answer = (False, _portable(error))
        try:
            _send(connection, answer)
        except OSError:
            os._exit(0)
        except Exception as error:  # the result does not pickle; nothing was sent yet
            _send(connection, (False, _portable(error)))
    with contextlib.suppress(Exception):
        if hasattr(served, "close"):
            served.close()
    os._exit(0)


def _give_way() -> None:
    """Let the screen go first where cores are few: a key is answered while a file is judged.

    Linux shares the time out between sessions before it looks at the processes in them
    (sched(7), "The autogroup feature"), and a worker has a session of its own.
    """
    os.nice(_NICENESS)
    with contextlib.suppress(OSError):
        Path("/proc/self/autogroup").write_text(f"{_NICENESS}", "ascii")


def _make(
    memory_bytes: int | None, factory: Callable[..., object], args: tuple[Any, ...]
) -> object:
    if memory_bytes is not None:
        with contextlib.suppress(ValueError, OSError):  # some systems know no such limit
            hard = resource.getrlimit(resource.RLIMIT_AS)[1]
            resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, hard))
    return factory(*args)


def _portable(error: BaseException) -> TetherError:
    if isinstance(error, TetherError):
        try:
            pickle.loads(pickle.dumps(error))
        except Exception:
            return WorkerError(error.what, kept=error.kept, todo=error.todo)
        return error
    wrong = printable(f"{type(error).__name__}: {error}", 300)
    is_memory = isinstance(error, MemoryError)
    carried = WorkerError(
        f"{'it takes more memory than it may' if is_memory else 'a fault of the program'} ({wrong})"
    )
    carried.trace = "".join(traceback.format_exception(error))
    return carried


# --- messages: a count of parts, their sizes, then the parts ----------------------------------

_COUNT = struct.Struct("!I")
_SIZE = struct.Struct("!Q")


def _send(connection: socket.socket, message: object, deadline: float | None = None) -> None:
    buffers: list[pickle.PickleBuffer] = []
    body = pickle.dumps(message, protocol=5, buffer_callback=buffers.append)
    parts: list[bytes | memoryview] = [body, *(buffer.raw() for buffer in buffers)]
    sizes = b"".join(_SIZE.pack(len(part)) for part in parts)
    for part in (_COUNT.pack(len(parts)) + sizes, *parts):
        _limit(connection, deadline)
        connection.sendall(part)


def _receive(connection: socket.socket, deadline: float | None = None) -> list[bytearray]:
    (count,) = _COUNT.unpack(_exactly(connection, _COUNT.size, deadline))
    sizes = _exactly(connection, _SIZE.size * count, deadline)
    return [_exactly(connection, size, deadline) for (size,) in _SIZE.iter_unpack(sizes)]


def _load(parts: list[bytearray]) -> Any:
    return pickle.loads(parts[0], buffers=parts[1:])


def _exactly(connection: socket.socket, size: int, deadline: float | None) -> bytearray:
    data = bytearray(size)
    view = memoryview(data)
    while view:
        _limit(connection, deadline)
        received = connection.recv_into(view)
        if not received:
            raise EOFError
        view = view[received:]
    return data


def _limit(connection: socket.socket, deadline: float | None) -> None:
    if deadline is None:
        connection.settimeout(None)
        return
    left = deadline - time.monotonic()
    if left <= 0:
        raise TimeoutError
    connection.settimeout(left)
