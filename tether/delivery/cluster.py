"""The workers of a Dask scheduler, for a delivery over several machines.

Dask keeps the list of work, hands it out, and does again what a lost worker had; this module says
what to do, and leaves out workers that would give other pictures or none.
"""

from __future__ import annotations

import logging
import secrets
import socket
from collections.abc import Callable, Generator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from importlib.metadata import version
from pathlib import Path
from queue import Empty, Queue
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

import rawpy

from tether import __version__
from tether.delivery.crew import Job, Result, WorkerLost
from tether.errors import TetherError
from tether.positive.job import one_thread_each
from tether.text import printable

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

    ``left_out`` has a sentence for each worker that could not be used.

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
        self._good: set[str] = set()
        self._bad: dict[str, ClusterUnusable] = {}
        self.left_out: list[str] = []
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
        scheme = address.partition("://")[0]
        try:
            # A client of an address that is none stays half open and is closed by the collector,
            # in whatever thread that runs; so such an address is refused before there is one.
            get_address_host_port(address)
            return Client(address, timeout=self._answer, set_as_default=False)
        except TypeError as error:  # so it speaks of certificates that are not there
            if scheme != "tls":
                raise
            raise ClusterUnusable(
                f"{self.address} asks for certificates, and none are configured here.",
                kept="Nothing was changed.",
                todo="Name them in DASK_DISTRIBUTED__COMM__TLS__CA_FILE, "
                "DASK_DISTRIBUTED__COMM__TLS__CLIENT__CERT and "
                "DASK_DISTRIBUTED__COMM__TLS__CLIENT__KEY.",
            ) from error
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
        self._judge(answers)
        return len(answers) - len(self._bad)

    def _judge(self, answers: dict[str, Any]) -> None:
        """Note which workers cannot be used.

        Raises
        ------
        ClusterUnusable
            When none of them can.
        """
        for worker, answer in sorted(answers.items()):
            self._good.add(worker)
            try:
                check(printable(worker), answer)
            except ClusterUnusable as error:
                self._leave_out(worker, error)
        if not self._good:
            raise self._bad[min(self._bad)]

    def _leave_out(self, worker: str, error: ClusterUnusable) -> None:
        self._good.discard(worker)
        if worker not in self._bad:
            self._bad[worker] = error
            self.left_out.append(f"{error.what} It was not used. {error.todo}")

    def _ask(self, question: Callable[[], Any], workers: list[str] | None = None) -> dict[str, Any]:
        try:
            return dict(self._client.run(question, workers=workers, on_error="return"))
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
        from distributed import CancelledError
        from distributed.client import ClosedClientError

        if not jobs:
            return
        jobs_by_key: dict[Any, Job] = {}
        waiting: dict[Any, Any] = {}
        ended: Queue[Any] = Queue()
        workerless, step = 0.0, min(5.0, self._workerless)

        def hand_out(some: Sequence[Job]) -> None:
            futures = self._client.map(
                # A key of its own for each job (not pure): nothing that was done before counts.
                partial(_do, self._place, work), list(some), pure=False,
                # A worker that is started again has another address: all, while all are good.
                workers=sorted(self._good) if self._bad else None,
            )  # fmt: skip
            for future, job in zip(futures, some, strict=True):
                jobs_by_key[future.key], waiting[future.key] = job, future
                future.add_done_callback(ended.put)

        try:
            hand_out(jobs)
            while waiting:
                known = (frozenset(self._good), len(self._bad))
                try:
                    future = ended.get(timeout=step)
                    workerless = 0.0
                except Empty:
                    future = None
                    workerless = 0.0 if self._client.nthreads() else workerless + step
                    if workerless >= self._workerless:
                        raise self._gone("has no workers left") from None
                if future is not None and waiting.pop(future.key, None) is not None:
                    outcome = self._outcome(future)
                    if isinstance(outcome, _Blind):
                        waiting[future.key] = future
                        self._leave_out(outcome.worker, blind(outcome.worker, outcome.folder))
                    else:
                        yield jobs_by_key[future.key], outcome
                self._look_at_new_ones()
                if not self._good and self._bad:
                    raise self._bad[min(self._bad)]
                if self._bad and known != (frozenset(self._good), len(self._bad)):
                    before = list(waiting.values())
                    waiting.clear()
                    self._client.cancel(before, force=True)
                    hand_out([jobs_by_key[future.key] for future in before])
        except (OSError, CancelledError, ClosedClientError) as error:
            raise self._gone() from error
        finally:
            # Only a courtesy: what is not called off is done in vain.
            with suppress(OSError, CancelledError, ClosedClientError):
                self._client.cancel(list(waiting.values()), force=True)

    def _look_at_new_ones(self) -> None:
        """While some are left out, each other worker is looked at before it is given work."""
        if not self._bad or self._place is None:
            return
        there = set(self._client.nthreads())
        self._good &= there
        if new := sorted(there - self._good - set(self._bad)):
            self._judge(self._ask(partial(look, self._place), new))

    def _outcome(self, future: Any) -> Any:
        from distributed.scheduler import KilledWorker

        if future.status != "error":
            return future.result()
        error = future.exception()
        if isinstance(error, KilledWorker):
            return WorkerLost("Each process that worked on the file died.")
        return error  # whatever a decoder raises is the file's result

    def _gone(self, what: str = "does not answer any more") -> ClusterUnusable:
        return ClusterUnusable(f"The scheduler at {self.address} {what}.", kept=KEPT, todo=_AGAIN)


@dataclass(frozen=True, slots=True)
class _Blind:
    """Given back by a worker that does not see a folder, with the address that it has."""

    worker: str
    folder: str


def _do(place: SharedFolders | None, work: Callable[[Job], Result], job: Job) -> Result | _Blind:
    """Do a job on a worker; workers that joined after `ClusterCrew.meet` are looked at here."""
    one_thread_each()
    if place is not None and (unseen := place.unseen()):
        from distributed import get_worker

        return _Blind(get_worker().address, unseen)
    return work(job)
