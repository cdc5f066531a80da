"""Worker processes for a delivery: all cores, no more memory than there is, no file fatal."""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from typing import Protocol, TypeVar

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
