"""Many rolls in one run: which ones, and one after the other or side by side on a cluster."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import closing
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from pathlib import Path

from tether.archive.archive import Archive
from tether.archive.records import Roll
from tether.delivery.crew import LocalCrew
from tether.delivery.folder import (
    DeliveredFolder,
    DeliveryOptions,
    DeliveryResult,
    printed_take,
)
from tether.delivery.run import Report, RollDelivery
from tether.errors import TetherError
from tether.settings import Settings

SIDE_BY_SIDE = 4
"""Rolls at once on a cluster: while one is sampled or described, the others keep workers busy."""


@dataclass(frozen=True, slots=True)
class RollOutcome:
    """What came of a roll: a result, or the error that it met."""

    roll: str
    result: DeliveryResult | None = None
    error: TetherError | None = None


def rolls_like(archive: Archive, patterns: Sequence[str]) -> list[str]:
    """Return the names of rolls that match one of the patterns (``*``, ``?``), oldest first.

    Raises
    ------
    TetherError
        When a pattern matches none.
    """
    names = [line.name for line in archive.store.rolls.lines(None)]
    for pattern in patterns:
        if not any(fnmatchcase(name, pattern) for name in names):
            raise TetherError(
                f"No roll has a name like '{pattern}'.",
                kept="Nothing was delivered.",
                todo="See the names: tether rolls. * is any letters, ? is one.",
            )
    return [name for name in names if any(fnmatchcase(name, p) for p in patterns)]


def new_rolls(archive: Archive, to: Path | None) -> list[str]:
    """Return the names of complete rolls of which a kept frame has no positive, oldest first."""
    found = []
    for line in archive.store.rolls.lines(None):
        if line.next_frame is not None or not line.frames_done:
            continue
        roll = archive.store.rolls.named(line.name)
        kept = {
            take.file_name
            for frame in archive.store.frames.of(roll)
            if (take := printed_take(frame)) is not None
        }
        if kept and not kept <= _printed(archive, roll, to):
            found.append(roll.name)
    return found


def _printed(archive: Archive, roll: Roll, to: Path | None) -> set[str]:
    try:
        folder = DeliveredFolder(place_of(archive, roll, to), roll.name)
        return set(folder.read().printed)
    except TetherError:  # it holds something else; the delivery says so
        return set()


def place_of(archive: Archive, roll: Roll, to: Path | None) -> Path:
    """Return where one of many rolls is delivered to: in ``to`` each has a folder of its own."""
    return archive.folder(roll) / "delivered" if to is None else to / roll.folder


def deliver_rolls(
    root: Path,
    names: Sequence[str],
    settings: Settings,
    options: DeliveryOptions,
    report: Report,
) -> Iterator[RollOutcome]:
    """Deliver rolls and yield what came of each; what is wrong with one costs no other.

    On a cluster some are at work at once, and come in the order in which they end.

    Parameters
    ----------
    root
        The archive's folder.
    names
        Of rolls.
    settings, options, report
        As for `RollDelivery`; ``to`` has a folder for each roll.
    """
    if options.scheduler is not None:
        with ThreadPoolExecutor(SIDE_BY_SIDE) as pool:
            jobs = [pool.submit(_deliver, root, n, settings, options, report) for n in names]
            try:
                for done in as_completed(jobs):
                    yield done.result()
            finally:
                pool.shutdown(cancel_futures=True)
        return
    with LocalCrew(options.workers) as local:
        for name in names:
            yield _deliver(root, name, settings, options, report, local)


def _deliver(
    root: Path,
    name: str,
    settings: Settings,
    options: DeliveryOptions,
    report: Report,
    local: LocalCrew | None = None,
) -> RollOutcome:
    try:
        with closing(Archive(root, create=False)) as archive:
            roll = archive.store.rolls.named(name)
            mine = replace(options, to=place_of(archive, roll, options.to))
            delivery = RollDelivery(archive, roll, settings, mine, report, local)
            return RollOutcome(name, delivery.run())
    except TetherError as error:
        return RollOutcome(name, error=error)
