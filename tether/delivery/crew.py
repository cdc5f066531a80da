"""Who does the work of a delivery: processes of this machine, or workers of a Dask scheduler.

Dask keeps the list of work, hands it out, and does again what a lost worker had; this module says
what to do, and refuses workers that would give other pictures or none.
"""

from __future__ import annotations

import logging
import os
import secrets
import socket
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from importlib.metadata import version
from multiprocessing import get_context
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Protocol, Self, TypeVar

import rawpy

from tether import __version__
from tether.errors import TetherError
from tether.positive.job import begin_worker, one_thread_each
from tether.text import printable

Job = TypeVar("Job")
Result = TypeVar("Result")

#: Memory that a worker needs for each byte of a raw file. Measured on an uncompressed one of 45
#: megapixels at full size: 10 in black-and-white, 11 in colour, with straightening or without.
#: Compressed raw files are denser.
MEMORY_FACTOR = 24


class WorkerLost(TetherError):
    """A worker process died over one file."""


def worker_count(largest_file: int, jobs: int, wanted: int | None = None) -> int:
    """Return how many workers the cores and half of the memory allow, at least one.

    ``largest_file`` is in bytes; ``wanted`` is what a person asked for.
    """
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    try:
        memory = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (ValueError, OSError, AttributeError):
        memory = 8 << 30
    fits = memory // 2 // max(1, largest_file * MEMORY_FACTOR)
    return max(1, min(wanted or cores or 1, jobs, max(1, fits)))


class Crew(Protocol):
    """Whoever does the jobs of a delivery: processes of this machine, or others' machines."""

    def each_done(
        self, work: Callable[[Job], Result], jobs: Sequence[Job], largest: int
    ) -> Generator[tuple[Job, Result | Exception], None, None]:
        """Yield each job with its result, or with the error that it met, as they are done.

        ``largest`` is the size in bytes of the largest raw file among them. A job that kills
        its worker is without a result (`WorkerLost`) and costs no other job its own.
        """
        ...


class LocalCrew:
    """Worker processes of this machine, as many as `worker_count` allows."""

    def __init__(self, wanted: int | None = None) -> None:
        self.wanted = wanted

    def each_done(
        self, work: Callable[[Job], Result], jobs: Sequence[Job], largest: int
    ) -> Generator[tuple[Job, Result | Exception], None, None]:
        """Do them; see `Crew`.

        A worker that dies takes the pool with it: what was not done is then tried one by one,
        each in a pool of its own, so that only the file that did it is without a result.
        """
        if not jobs:
            return
        left = {id(job): job for job in jobs}
        for job, result in _in_pool(work, jobs, worker_count(largest, len(jobs), self.wanted)):
            if not isinstance(result, BrokenProcessPool):
                del left[id(job)]
                yield job, result
        for job in left.values():
            for _, result in _in_pool(work, [job], 1):
                if isinstance(result, BrokenProcessPool):
                    yield job, WorkerLost("The process that worked on the file died.")
                else:
                    yield job, result


def _in_pool(
    work: Callable[[Job], Result], jobs: Sequence[Job], workers: int
) -> Iterator[tuple[Job, Result | Exception]]:
    # "spawn": a forked child would inherit the threads and locks of libraries in use here.
    pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=begin_worker)
    try:
        waiting: dict[Future[Result], Job] = {pool.submit(work, job): job for job in jobs}
        for done in as_completed(waiting):
            try:
                yield waiting[done], done.result()
            except Exception as error:  # whatever a decoder raises is the file's result
                yield waiting[done], error
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


if TYPE_CHECKING:
    from distributed import Client

KEPT = "The raw files are unchanged, and finished positives are kept."


class ClusterUnusable(TetherError):
    """The scheduler or its workers cannot be used."""


@dataclass(frozen=True, slots=True)
class SharedFolders:
    """What every worker has to see: a folder with raw files, and one to write to.

    ``raw`` is a file in the first with its size (None where no file is there), ``mark`` a file in
    the second whose text is known here only.
    """

    raw_folder: Path
    raw: tuple[Path, int] | None
    mark: Path
    text: str

    def unseen(self) -> str:
        """Return the folder that this process does not see as the caller does, "" for none."""
        try:
            if self.mark.read_text("ascii") != self.text:
                return str(self.mark.parent)
            written = self.mark.with_name(f"{self.mark.name}-{secrets.token_hex(4)}")
            written.write_bytes(b"")
            written.unlink()
        except (OSError, ValueError):
            return str(self.mark.parent)
        with suppress(OSError):
            if self.raw is None and self.raw_folder.is_dir():
                return ""
            if self.raw is not None and self.raw[0].stat().st_size == self.raw[1]:
                return ""
        return str(self.raw_folder)


def programs() -> dict[str, str]:
    """Return the versions of everything that decides what the bytes of a positive are."""
    known = {name: version(name) for name in ("numpy", "rawpy", "pillow", "tifffile")}
    return {"tether": __version__, "LibRaw": ".".join(map(str, rawpy.libraw_version)), **known}


def look(place: SharedFolders) -> tuple[str, str, dict[str, str]]:
    """Say from a worker: its machine, the folder that it does not see, and its programs."""
    return socket.gethostname(), place.unseen(), programs()


def check(worker: str, answer: Any) -> None:
    """Judge what `look` gave on a worker.

    Raises
    ------
    ClusterUnusable
        When it cannot do the work, or would do it differently.
    """
    if isinstance(answer, BaseException):
        raise ClusterUnusable(
            f"The worker {worker} cannot do the work: "
            f"{printable(f'{type(answer).__name__}: {answer}', 300)}.",
            kept=KEPT,
            todo="Install the same version of tether on its machine, and start it again.",
        )
    host, unseen, theirs = answer
    where = f"{worker} on {printable(str(host), 80)}"
    if unseen:
        raise blind(where, unseen)
    differing = [
        f"{name} {printable(str(theirs.get(name)), 20)} and not {here}"
        for name, here in programs().items()
        if theirs.get(name) != here
    ]
    if differing:
        raise ClusterUnusable(
            f"The worker {where} has {', '.join(differing)}: its pictures could differ.",
            kept=KEPT,
            todo="Install the same versions there, and start it again.",
        )


def blind(where: str, folder: str) -> ClusterUnusable:
    """Return the error for a worker that does not see a folder."""
    return ClusterUnusable(
        f"The worker {where} does not see the folder {printable(folder, 400)} as this machine "
        "does, or cannot write to it.",
        kept=KEPT,
        todo="Mount the folder there under the same path, or stop that worker.",
    )


ANSWER_SECONDS = 10.0
"""How long the scheduler may take to answer, and a first worker to be there."""

WORKERLESS_SECONDS = 60.0
"""How long a delivery waits for a worker when all have gone: a restarted one takes some."""

_AGAIN = (
    "Run the same command again when the scheduler is back: it resumes. "
    "Without --scheduler this machine does the work."
)


class ClusterCrew:
    """The workers of a Dask scheduler; see `tether.delivery.crew.Crew`.

    Use it in a ``with`` statement; `meet` comes before `each_done`.

    Parameters
    ----------
    address
        Of the scheduler, for example ``tcp://host:8786``.
    answer, workerless
        Seconds, see `ANSWER_SECONDS` and `WORKERLESS_SECONDS`.

    Raises
    ------
    ClusterUnusable
        When Dask is not installed, or the scheduler does not answer.
    """

    def __init__(
        self,
        address: str,
        *,
        answer: float = ANSWER_SECONDS,
        workerless: float = WORKERLESS_SECONDS,
    ) -> None:
        self.address = printable(address)
        self._answer, self._workerless = answer, workerless
        self._place: SharedFolders | None = None
        self._client = self._connect(address)

    def _connect(self, address: str) -> Client:
        try:
            from distributed import Client
            from distributed.comm import get_address_host_port
        except ImportError as error:
            raise ClusterUnusable(
                "The package 'distributed', for work on other machines, is not installed.",
                kept="Nothing was changed.",
                todo="In the folder of this program: .venv/bin/pip install '.[dask]'",
            ) from error
        # What it logs are tracebacks; what matters of them reaches the person as an error.
        for name in ("distributed", "distributed.client"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        try:
            # A client of an address that is none stays half open and is closed by the collector,
            # in whatever thread that runs; so such an address is refused before there is one.
            get_address_host_port(address)
            return Client(address, timeout=self._answer)
        except (OSError, ValueError) as error:
            raise ClusterUnusable(
                f"No scheduler answers at {self.address}: {printable(str(error))}.",
                kept="Nothing was changed.",
                todo="Start one with 'dask scheduler', and give the address that it prints.",
            ) from error

    def __enter__(self) -> Self:
        """Return itself, connected."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Leave the scheduler and its workers to whoever started them."""
        if self._place is not None:
            self._place.mark.unlink(missing_ok=True)
        with suppress(OSError):
            self._client.close(timeout=self._answer)

    def meet(self, raw_folder: Path, raw_files: Sequence[Path], written_to: Path) -> int:
        """See to it that every worker sees the folders and has the same programs.

        Returns
        -------
        How many workers there are now.

        Raises
        ------
        ClusterUnusable
            When there are none, or one cannot be used; it says which and why.
        """
        with suppress(OSError):
            self._client.wait_for_workers(1, timeout=self._answer)
        raw = next(((path, path.stat().st_size) for path in raw_files if path.exists()), None)
        text = secrets.token_hex(16)
        self._place = SharedFolders(raw_folder, raw, written_to / f".new-{text[:8]}", text)
        self._place.mark.write_text(text, "ascii")
        answers = self._ask(partial(look, self._place))
        if not answers:
            raise ClusterUnusable(
                f"The scheduler at {self.address} has no workers.",
                kept=KEPT,
                todo="Start some, for example: dask worker --nthreads 1 --nworkers 4 ADDRESS",
            )
        for worker, answer in sorted(answers.items()):
            check(printable(worker), answer)
        return len(answers)

    def _ask(self, question: Callable[[], Any]) -> dict[str, Any]:
        try:
            return dict(self._client.run(question, on_error="return"))
        except OSError as error:
            raise self._gone() from error

    def each_done(
        self,
        work: Callable[[Job], Result],
        jobs: Sequence[Job],
        largest: int,  # noqa: ARG002  whoever starts workers bounds their memory
    ) -> Generator[tuple[Job, Result | Exception], None, None]:
        """Have them done; see `tether.delivery.crew.Crew`.

        Raises
        ------
        ClusterUnusable
            When scheduler or workers go away, or a worker that came later sees other folders.
        """
        from distributed import CancelledError, wait
        from distributed.client import ClosedClientError

        if not jobs:
            return
        waiting: set[Any] = set()
        workerless, step = 0.0, min(5.0, self._workerless)
        try:
            # A key of its own for each job (not pure): nothing that was done before counts.
            futures = self._client.map(partial(_do, self._place, work), list(jobs), pure=False)
            by_future = {id(future): job for future, job in zip(futures, jobs, strict=True)}
            waiting = set(futures)
            while waiting:
                try:
                    done, waiting = wait(waiting, timeout=step, return_when="FIRST_COMPLETED")
                except TimeoutError:
                    workerless = 0.0 if self._client.nthreads() else workerless + step
                    if workerless >= self._workerless:
                        raise self._gone("has no workers left") from None
                    continue
                for future in done:
                    yield by_future[id(future)], self._outcome(future)
        except (OSError, CancelledError, ClosedClientError) as error:
            raise self._gone() from error
        finally:
            # Only a courtesy: what is not called off is done in vain.
            with suppress(OSError, CancelledError, ClosedClientError):
                self._client.cancel(list(waiting), force=True)

    def _outcome(self, future: Any) -> Any:
        from distributed.scheduler import KilledWorker

        if future.status != "error":
            return future.result()
        error = future.exception()
        if isinstance(error, KilledWorker):
            return WorkerLost("Each process that worked on the file died.")
        if isinstance(error, ClusterUnusable):
            raise error
        return error  # whatever a decoder raises is the file's result

    def _gone(self, what: str = "does not answer any more") -> ClusterUnusable:
        return ClusterUnusable(f"The scheduler at {self.address} {what}.", kept=KEPT, todo=_AGAIN)


def _do(place: SharedFolders | None, work: Callable[[Job], Result], job: Job) -> Result:
    """Do a job on a worker; workers that joined after `ClusterCrew.meet` are looked at here."""
    one_thread_each()
    if place is not None and (unseen := place.unseen()):
        raise blind(f"{os.getpid()} on {socket.gethostname()}", unseen)
    return work(job)
