"""Who does the work of a delivery: processes of this machine; those of others are in `cluster`."""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from typing import Protocol, Self, TypeVar

from tether.errors import TetherError
from tether.positive.job import begin_worker

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
    """Worker processes of this machine, as many as `worker_count` allows.

    They are started with the first work and stay for the next, so that many small rolls do not
    wait for them: use it in a ``with`` statement, or call `close`.
    """

    def __init__(self, wanted: int | None = None) -> None:
        self.wanted = wanted
        self._pool: ProcessPoolExecutor | None = None
        self._workers = 0

    def __enter__(self) -> Self:
        """Return itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """End the processes."""
        self.close()

    def close(self) -> None:
        """End the processes; what is under way is called off."""
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = None

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
        # Of the memory a raw file needs; how many jobs there are does not matter: a process is
        # started when there is work for it.
        for job, result in self._in_pool(work, jobs, worker_count(largest, _MANY, self.wanted)):
            if not isinstance(result, BrokenProcessPool):
                del left[id(job)]
                yield job, result
        for job in left.values():
            for _, result in self._in_pool(work, [job], 1, fresh=True):
                if isinstance(result, BrokenProcessPool):
                    yield job, WorkerLost("The process that worked on the file died.")
                else:
                    yield job, result

    def _in_pool(
        self,
        work: Callable[[Job], Result],
        jobs: Sequence[Job],
        workers: int,
        *,
        fresh: bool = False,
    ) -> Iterator[tuple[Job, Result | Exception]]:
        if fresh or workers != self._workers:
            self.close()
        if self._pool is None:
            # "spawn": a forked child would inherit the threads and locks of libraries in use here.
            self._pool = ProcessPoolExecutor(
                workers, mp_context=get_context("spawn"), initializer=begin_worker
            )
            self._workers = workers
        whole = False
        try:
            waiting: dict[Future[Result], Job] = {self._pool.submit(work, j): j for j in jobs}
            broken = False
            for done in as_completed(waiting):
                try:
                    yield waiting[done], done.result()
                except Exception as error:  # whatever a decoder raises is the file's result
                    broken = broken or isinstance(error, BrokenProcessPool)
                    yield waiting[done], error
            whole = not broken
        finally:
            if not whole:  # it broke, or nobody wants the rest
                self.close()


_MANY = 1 << 20
